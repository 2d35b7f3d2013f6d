"""The commands on supply, wires, pins and sleep current, as a user calls them."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from donorfit.cli.electrical import electrical_group
from donorfit.errors import InputError


def call(*arguments: object) -> Result:
    return CliRunner().invoke(electrical_group, [str(each) for each in arguments])


def test_supply() -> None:
    arguments = ("supply", "--load", "30:22", "--load", "15:12", "--window", "12:14.5")
    result = call(*arguments)
    assert "with 10 A support" in result.output
    plain = json.loads(call(*arguments, "--json").output)["forecast"]
    assert (plain["support_current_a"], plain["holds"]) == (10, True)
    alone = call("supply", "--load", "2:8", "--window", "11.5:14.5")
    assert "by itself" in alone.output
    none = call("supply", "--load", "30:22", "--window", "13.4:13.6", "--leads", "20")
    assert "do not start" in none.output


@pytest.mark.parametrize("text", ["30", "30:", "a:b", "30:-1", "1e9:1", "nan:1", ""])
def test_a_load_that_is_none(text: str) -> None:
    result = call("supply", "--load", text, "--window", "12:14")
    assert isinstance(result.exception, InputError)


def test_wire() -> None:
    assert "2 mm2" in call("wire", "--current", 10, "--length", 2).output
    assert "no listed wire" in call("wire", "--current", 100, "--length", 2).output
    plain = json.loads(call("wire", "--current", 10, "--length", 2, "--json").output)
    assert plain["wire"]["fuse"]["rating_a"] == 15


def test_sleep() -> None:
    result = call("sleep", "--before", 50, "--after", 62)
    assert "+12 mA cost 3.1 days" in result.output
    plain = json.loads(call("sleep", "--before", 50, "--after", 62, "--json").output)
    assert plain["comparison"]["before"]["days"] == pytest.approx(16.5, abs=0.05)
    assert isinstance(call("sleep", "--before", -1, "--after", 62).exception, InputError)


@pytest.fixture(scope="module")
def pack() -> Path:
    import donorfit.demo

    path = Path(donorfit.demo.__file__).parent / "pack"
    if not path.is_dir():
        pytest.skip("needs the demo pack, and that is not written yet")
    return path


def test_pins_of_the_demo(pack: Path) -> None:
    from donorfit.edge.packs.pack_reader import read_pack

    module = next(each for each in read_pack(pack).modules if each.host_connector)
    result = call("pins", pack, module.host_connector, module.connector)
    assert result.exit_code == 0, result.output
    plain = json.loads(
        call("pins", pack, module.host_connector, module.connector, "--json").output
    )
    hosts = [each["host_cavity"] for each in plain["wires"] if each["host_cavity"]]
    assert len(set(hosts)) == len(hosts) > 0
    assert isinstance(call("pins", pack, "nobody", module.connector).exception, InputError)
