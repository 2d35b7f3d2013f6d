"""What the check-up says of good, poor and odd computers."""

import json
import sys
from pathlib import Path

import pytest

from donorfit.cli.doctor import word_checkup
from donorfit.cli.root import run
from donorfit.edge.host.can_adapters import Adapter, AdapterSearch, find_adapters
from donorfit.edge.host.checkup import Sources, State, check_computer
from donorfit.edge.host.network_interfaces import NetworkInterface, list_network_interfaces
from donorfit.edge.host.packages import PackageState, list_packages
from donorfit.edge.host.power import HostPower
from donorfit.edge.host.state_folder import find_state_folder


def make(tmp_path, **others):
    given = {
        "packages": lambda: (
            PackageState(name="click", version="8.2", extra=""),
            PackageState(name="python-can", version="4.6", extra="can"),
        ),
        "adapters": lambda: AdapterSearch(adapters=(Adapter(interface="pcan", channel="PCAN_1"),)),
        "interfaces": lambda: (
            NetworkInterface(name="eth0", address="192.0.2.7", broadcast="192.0.2.255", up=True),
        ),
        "power": lambda: HostPower(mains=True, percent=90.0),
        "state_folder": lambda: tmp_path / "state",
        "keep_awake": lambda: "",
        "free_bytes": lambda _: 1 << 40,
    }
    return check_computer(Sources(**{**given, **others}))


def find(checked, subject):
    return next(each for each in checked if each.subject == subject)


def test_a_good_computer(tmp_path):
    checked = make(tmp_path)
    assert {each.state for each in checked} == {State.GOOD}
    text = "\n".join(word_checkup(checked))
    assert "--can pcan:PCAN_1" in text
    assert "find --broadcast eth0" in text
    assert "Nothing stands in the way." in text
    assert (tmp_path / "state").is_dir()
    assert list((tmp_path / "state").iterdir()) == []


@pytest.mark.parametrize(
    ("others", "subject", "state"),
    [
        ({"packages": lambda: (PackageState(name="click", version="", extra=""),)}, "packages",
         State.BAD),
        ({"packages": lambda: (PackageState(name="odxtools", version="", extra="odx"),)}, "odx",
         State.ABSENT),
        ({"adapters": AdapterSearch}, "adapters", State.ABSENT),
        ({"adapters": lambda: AdapterSearch(problem="a driver hung")}, "adapters",
         State.NOT_KNOWN),
        ({"interfaces": lambda: ()}, "interfaces", State.ABSENT),
        ({"power": HostPower}, "mains", State.NOT_KNOWN),
        ({"power": lambda: HostPower(mains=False, percent=90.0)}, "mains", State.DOUBTFUL),
        ({"keep_awake": lambda: "no bus"}, "stay awake", State.DOUBTFUL),
        ({"free_bytes": lambda _: 1 << 20}, "free", State.BAD),
        ({"wall_clock": lambda: 0.0}, "date", State.DOUBTFUL),
    ],
)  # fmt: skip
def test_what_is_missing_is_told(tmp_path, others, subject, state):
    checked = make(tmp_path, **others)
    found = find(checked, subject)
    assert found.state is state
    assert found.next_step or state is State.NOT_KNOWN
    verdict = word_checkup(checked)[-1]
    assert verdict.startswith("Not fit" if state is State.BAD else "Nothing")


def test_a_state_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("x")
    checked = make(tmp_path, state_folder=lambda: tmp_path / "file" / "state")
    assert find(checked, "state folder").state is State.DOUBTFUL


def test_a_driver_that_hangs_prints_or_dies_reaches_nobody():
    hung = find_adapters(program="import time; time.sleep(60)", longest_s=0.5)
    assert "within 0.5 s" in hung.problem
    died = find_adapters(program="import os; print('noise'); os._exit(9)")
    assert "broke the search off" in died.problem
    chatty = 'print(\'noise\'); print(\'[["pcan", "1"], ["virtual", "x"]]\')'
    assert find_adapters(program=chatty).adapters == (Adapter(interface="pcan", channel="1"),)


def test_what_python_can_is_set_up_for_is_listed(monkeypatch):
    pytest.importorskip("can")
    monkeypatch.setenv("CAN_INTERFACE", "socketcan")
    monkeypatch.setenv("CAN_CHANNEL", "can7")
    search = find_adapters()
    assert search.adapters[0] == Adapter(interface="socketcan", channel="can7"), search.problem


def test_without_the_extra_the_search_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "can", None)
    search = find_adapters()
    assert search.is_absent
    assert "extra can" in search.problem


def test_packages_are_those_that_the_project_asks_for():
    packages = {each.name: each for each in list_packages()}
    assert packages["click"].version
    assert packages["click"].extra == ""
    assert packages["python-can"].extra == "can"
    assert packages["odxtools"].extra == "odx"
    assert list_packages("no-such-distribution") == ()


def test_loopback_is_among_the_interfaces():
    assert any(each.address == "127.0.0.1" for each in list_network_interfaces())


@pytest.mark.parametrize(
    ("environment", "platform", "expected"),
    [
        ({"DONORFIT_STATE": "/x", "HOME": "/h"}, "linux", "/x"),
        ({"HOME": "/h"}, "linux", "/h/.local/state/donorfit"),
        ({"HOME": "/h", "XDG_STATE_HOME": "/s"}, "linux", "/s/donorfit"),
        ({"HOME": "/h"}, "darwin", "/h/Library/Application Support/donorfit"),
        ({"HOME": "/h", "LOCALAPPDATA": "/l"}, "win32", "/l/donorfit"),
    ],
)
def test_the_state_folder_is_where_the_system_wants_it(environment, platform, expected):
    assert find_state_folder(environment, platform) == Path(expected)


def test_the_command_follows_its_schema(capfd, monkeypatch, repository):
    jsonschema = pytest.importorskip("jsonschema")
    monkeypatch.setattr(
        "donorfit.cli.doctor.Sources", lambda: Sources(adapters=AdapterSearch, keep_awake=str)
    )
    code = run(["doctor", "--json"])
    plain = json.loads(capfd.readouterr().out)
    assert code == (0 if plain["fit"] else 3)
    schema = json.loads((repository / "src/donorfit/schemas/doctor.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(plain, schema)
    plain["strange"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(plain, schema)
