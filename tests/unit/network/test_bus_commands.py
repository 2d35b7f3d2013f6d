"""Commands on one bus and on the ring, as a user calls them."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from donorfit.cli.network import network_group
from donorfit.errors import InputError

LDF = (Path(__file__).parents[2] / "data" / "networks" / "seat.ldf").read_text(encoding="utf-8")
FLEXIBLE = """VERSION ""

BU_: body cam

BO_ 256 Picture: 64 cam
 SG_ Row : 0|8@1+ (1,0) [0|1] "" body

BO_ 257 Lamp: 8 body
 SG_ On : 0|8@1+ (1,0) [0|1] "" cam

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","StandardCAN_FD";
BA_DEF_ BO_ "CANFD_BRS" ENUM "0","1";
BA_DEF_DEF_ "GenMsgCycleTime" 10;
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_DEF_DEF_ "CANFD_BRS" "1";
BA_ "VFrameFormat" BO_ 256 3;
"""


def call(*arguments: object) -> Result:
    return CliRunner().invoke(network_group, [str(each) for each in arguments])


@pytest.fixture
def lin_file(tmp_path: Path) -> Path:
    path = tmp_path / "seat.ldf"
    path.write_text(LDF)
    return path


@pytest.fixture
def pack() -> Path:
    import donorfit.demo

    return Path(donorfit.demo.__file__).parent / "pack"


def test_load_with_two_bit_rates(tmp_path: Path) -> None:
    path = tmp_path / "camera.dbc"
    path.write_text(FLEXIBLE)
    rates = ("--bit-rate", 500_000, "--data-bit-rate", 2_000_000)
    plain = json.loads(call("load", path, *rates, "--json").output)
    (report,) = plain["reports"]
    frames = {each["message"]: each["frame_us"] for each in report["responses"]}
    assert frames == {"Picture": 34 * 2 + 678 * 0.5, "Lamp": 270}
    assert report["assumed"] == []
    slow = json.loads(call("load", path, "--bit-rate", 500_000, "--json").output)["reports"][0]
    assert slow["responses"][0]["frame_us"] == 712 * 2
    result = call("load", path, "--bit-rate", 500_000)
    assert "the data bit rate is not known" in " ".join(result.output.split())
    assert "first to be late: none" in result.output
    both = call("load", path, "--add", path, *rates)
    assert "With the added messages" in both.output
    assert "First to be late only with the added messages" in both.output


def test_lin(lin_file: Path, tmp_path: Path) -> None:
    result = call("lin", lin_file)
    assert result.exit_code == 0, result.output
    assert "slot too short" in result.output
    more = tmp_path / "more.ldf"
    more.write_text(LDF.replace("seat", "mirror").replace("0x02", "0x07").replace("Tell", "Say"))
    report = json.loads(call("lin", lin_file, "--add", more, "--json").output)["report"]
    kinds = {each["kind"] for each in report["doubts"]}
    assert "two nodes hold one node address" in kinds
    assert "no schedule table asks for the frame" in kinds
    assert isinstance(call("lin", tmp_path / "absent.ldf").exception, InputError)


def test_lin_of_a_pack(lin_file: Path, pack: Path, tmp_path: Path) -> None:
    assert isinstance(call("lin", pack).exception, InputError)
    copy = tmp_path / "pack"
    shutil.copytree(pack, copy)
    shutil.copy(lin_file, copy / "networks" / "seat.ldf")
    with (copy / "networks.toml").open("a") as stream:
        stream.write(
            '\n[[network]]\nname = "lin_seat"\nkind = "lin"\nbit_rate = 19200\n'
            'messages = "networks/seat.ldf"\n'
        )
    result = call("lin", copy, "--network", "lin_seat")
    assert result.exit_code == 0, result.output
    assert "lin_seat at 19.2 kbit/s" in result.output
    assert isinstance(call("lin", copy, "--network", "can_body").exception, InputError)


def test_termination(pack: Path) -> None:
    result = call("termination", "--resistors", 2, "--with-resistor", "--ohm", 40.5)
    assert "40 ohm on the meter" in result.output
    assert "more than two resistors" in result.output
    from_pack = call("termination", pack, "--module", "tow_control_2", "--json")
    plain = json.loads(from_pack.output)
    assert plain["resistors"]["right"]
    assert plain["stub"]["verdict"] == "short enough by every page"
    for wrong in (
        (),
        ("--ohm", "nan"),
        ("--stub", 1),
        ("--stub", -1, "--bit-rate", 500_000),
        (pack, "--module", "nobody"),
        ("--resistors", -1),
    ):
        assert isinstance(call("termination", *wrong).exception, InputError), wrong


def test_collisions_with_diagnosis(tmp_path: Path, pack: Path) -> None:
    path = tmp_path / "odd.dbc"
    path.write_text(FLEXIBLE.replace("256", "2024"))
    result = call("collisions", path, "--pack", pack)
    assert result.exit_code == 0, result.output
    assert "kept for emission-related" in result.output
    assert "1 address clash" in result.output


def test_ring_options(pack: Path) -> None:
    plain = json.loads(call("ring", pack, "--insert", "seat", "--after", "tuner", "--json").output)
    assert plain["tell_master"] == ["add seat at place 2"]
    assert plain["before"]["hops"][0]["margin_db"] == pytest.approx(14 - 2.8 * 0.4 - 1.5)
    tight = call("ring", pack, "--send", -10, -2, "--receive", -12, -2, "--json")
    assert not json.loads(tight.output)["before"]["holds"]
    weak = call("ring", pack, "--heard", "tuner,amplifier", "--dimmed", "amplifier")
    assert "from tuner to amplifier is weak" in " ".join(weak.output.split())
    strange = call("ring", pack, "--heard", "tuner,nobody")
    assert "not on the ring, and not counted: nobody" in strange.output
    told = call("ring", pack, "--expected", "media_source,tuner")
    assert "add amplifier at place 2" in told.output
    assert isinstance(call("ring", pack, "--send", -1, -10).exception, InputError)


@pytest.mark.parametrize(
    ("command", "arguments", "where"),
    [
        ("ring", ("--after", "tuner"), "--after"),
        ("ring", ("--length-in", 3), "--length-in"),
        ("ring", ("--heard", "tuner", "--insert", "seat"), "--insert"),
        ("ring", ("--dimmed", "tuner", "--bypass", "tuner"), "--bypass"),
        ("ring", ("--bypass", "nobody"), "--insert, --after, --bypass"),
    ],
)
def test_ring_options_that_nothing_would_look_at(
    pack: Path, command: str, arguments: tuple[object, ...], where: str
) -> None:
    error = call(command, pack, *arguments).exception
    assert isinstance(error, InputError)
    assert error.where == where


def test_a_guessed_length_of_fibre_is_said(pack: Path) -> None:
    guessed = call("ring", pack, "--insert", "seat", "--length-in", 1).output
    assert "is taken as 4 m" in guessed
    known = call("ring", pack, "--insert", "seat", "--length-in", 1, "--length-out", 0).output
    assert "taken as" not in known


@pytest.mark.parametrize(
    "arguments",
    [("--module", "tow_control_2"), ("--with-resistor", "--ohm", 60), ("--replaces-one",)],
)
def test_termination_options_that_nothing_would_look_at(arguments: tuple[object, ...]) -> None:
    error = call("termination", *arguments).exception
    assert isinstance(error, InputError)
    assert "cannot be judged alone" in error.what


def test_a_pack_that_says_nothing_of_the_bus(pack: Path) -> None:
    error = call("termination", pack, "--module", "amplifier_2").exception
    assert isinstance(error, InputError)
    assert "amplifier_2" in error.why
