"""The commands on supply, wires, pins and sleep current, as a user calls them."""

import csv
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


def test_supply_says_what_ones_own_would_do() -> None:
    arguments = ("supply", "--load", "30:22", "--window", "12.4:14.8", "--support")
    small = " ".join(call(*arguments, 5).output.split())
    assert "Your 5 A: does not hold" in small
    assert "is no supply" in small
    assert "By every published table" in small
    large = call(*arguments, 60).output
    assert "keeps the window" in large
    plain = json.loads(call(*arguments, 5, "--json").output)
    assert (plain["support"]["holds"], plain["support"]["small_charger"]) == (False, True)
    assert len(plain["tables"]) == 2


def test_supply_through_a_path_to_the_unit() -> None:
    output = call("supply", "--load", "30:22", "--window", "12:14.8", "--path", 10).output
    assert "at the posts" in output


@pytest.mark.parametrize(
    ("command", "arguments"),
    [
        ("supply", ("--load", "30:22", "--window", "12:14", "--capacity", 0)),
        ("supply", ("--load", "30:22", "--window", "12:14", "--capacity", "nan")),
        ("supply", ("--load", "30:22", "--window", "12:14", "--health", 2)),
        ("supply", ("--load", "30:22", "--window", "12:14", "--support", "nan")),
        ("supply", ("--load", "30:22", "--window", "12:14", "--path", -1)),
        ("supply", ("--load", "30:22", "--window", "14:12")),
        ("charge", ("--volts", "nan")),
        ("charge", ("--volts", 230)),
        ("charge", ("--volts", 12.3, "--temperature", 400)),
        ("sleep", ("--before", "nan", "--after", 62)),
        ("sleep", ("--before", 50, "--after", 62, "--capacity", 0)),
        ("sleep", ("--before", 50, "--after", 62, "--reserve", -5)),
        ("sleep", ("--before", 50, "--after", 62, "--charge", 0.4)),
        ("sleep", ("--before", 50, "--after", 62, "--rest-volts", 3)),
        ("wire", ("--current", "nan", "--length", 1)),
        ("wire", ("--current", 5, "--length", -1)),
        ("wire", ("--current", 5, "--length", 1, "--bunched", 0)),
        ("wire", ("--current", 5, "--length", 1, "--load-share", 7)),
        ("parts", ()),
    ],
)
def test_figures_that_make_no_sense_are_input_errors(
    command: str, arguments: tuple[object, ...]
) -> None:
    result = call(command, *arguments)
    assert isinstance(result.exception, InputError), result.output


def test_charge_by_every_table() -> None:
    output = call("charge", "--volts", 12.3, "--kind", "agm").output
    assert "Between 50% and 67%" in output
    assert len(json.loads(call("charge", "--volts", 12.3, "--json").output)["guesses"]) == 2


def test_sleep_by_every_rule() -> None:
    arguments = ("sleep", "--before", 50, "--after", 62, "--reserve", 100, "--rest-volts", 12.4)
    output = call(*arguments).output
    assert "20 Ah lost" in output
    plain = json.loads(call(*arguments, "--json").output)
    assert len(plain["rules"]) == 8
    assert all(
        each["comparison"]["after"]["days"] < each["comparison"]["before"]["days"]
        for each in plain["rules"]
    )


def test_wire_by_every_list_and_what_a_fuse_may_pass() -> None:
    output = " ".join(call("wire", "--current", 10, "--length", 2).output.split())
    assert "thin wall (105 degC insulation, from memory, unverified)" in output
    assert "may pass 20.25 A" in output


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


def test_parts_of_the_demo_as_csv(pack: Path) -> None:
    from donorfit.edge.packs.pack_reader import read_pack

    module = next(each for each in read_pack(pack).modules if each.host_connector)
    names = (pack, module.host_connector, module.connector)
    rows = list(csv.reader(call("parts", *names, "--csv").output.splitlines()))
    assert rows[0] == ["part", "quantity", "unit", "for"]
    assert any(row[0].startswith("cable ") and row[2] == "m" for row in rows[1:])
    assert "terminal for connector" in call("parts", *names).output
    plain = json.loads(call("parts", *names, "--json").output)
    assert [line["part"] for line in plain["parts"]] == [row[0] for row in rows[1:]]


@pytest.mark.parametrize(
    "arguments",
    [
        ("wire", "--current", 5, "--length", 5, "--bundle", 0.5, "--bunched", 4),
        ("parts", "pack", "h", "m", "--job", "job"),
        ("parts", "--job", "job", "--csv", "--json"),
    ],
)
def test_options_that_do_not_go_together(arguments: tuple[object, ...]) -> None:
    error = call(*arguments).exception
    assert isinstance(error, InputError)
    assert "--" in error.where


def test_less_current_gives_days() -> None:
    assert "-12 mA give 3.1 days more" in call("sleep", "--before", 62, "--after", 50).output
