"""The commands on networks, as a user calls them."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from donorfit.cli.network import network_group
from donorfit.errors import InputError

DBC = """VERSION ""

BU_: body tow

BO_ 256 Lights: 8 body
 SG_ TurnLeft : 0|1@1+ (1,0) [0|1] "" tow

BO_ 257 Trailer: 8 tow
 SG_ There : 0|1@1+ (1,0) [0|1] "" body

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 10;
"""


def call(*arguments: object) -> Result:
    return CliRunner().invoke(network_group, [str(each) for each in arguments])


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "body.dbc"
    path.write_text(DBC)
    return path


def test_read(file: Path) -> None:
    result = call("read", file)
    assert result.exit_code == 0, result.output
    assert "body.dbc" in result.output
    plain = json.loads(call("read", file, "--json").output)
    assert plain["schema"] == "donorfit network read 1"
    assert plain["files"][0]["messages_in_text"] == 2
    assert plain["files"][0]["networks"][0]["messages"][0]["frame_id"] == 256


def test_one_bad_file_does_not_hide_the_others(file: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.dbc"
    bad.write_text(DBC.replace("BO_ 257", "BO_ x"))
    result = call("read", file, bad, tmp_path / "absent.dbc")
    assert isinstance(result.exception, InputError)
    assert "body.dbc" in result.output
    assert [(Path(m.file).name, m.line) for m in result.exception.mistakes] == [
        ("bad.dbc", 8),
        ("absent.dbc", 0),
    ]


def test_load_before_and_after(file: Path, tmp_path: Path) -> None:
    more = tmp_path / "more.dbc"
    more.write_text(DBC.replace("256", "16").replace("257", "17"))
    plain = json.loads(call("load", file, "--add", more, "--bit-rate", 500_000, "--json").output)
    before, after = plain["reports"]
    assert (len(before["responses"]), len(after["responses"])) == (2, 4)
    assert after["worst_load"] == pytest.approx(2 * before["worst_load"])
    assert "in time" in call("load", file, "--bit-rate", 500_000).output
    assert isinstance(call("load", file).exception, InputError)


def test_collisions(file: Path) -> None:
    result = call("collisions", file, "--add", file)
    assert "2 shared identifiers" in result.output
    assert "same identifier, same content" in result.output
    assert json.loads(call("collisions", file, "--json").output)["collisions"] == []


@pytest.fixture(scope="module")
def pack() -> Path:
    import donorfit.demo

    path = Path(donorfit.demo.__file__).parent / "pack"
    if not path.is_dir():
        pytest.skip("needs the demo pack, and that is not written yet")
    return path


def test_needs_of_the_demos_modules(pack: Path) -> None:
    plain = json.loads(call("needs", pack, "tow_control_2", "--json").output)
    assert plain["signals"]
    assert {each["verdict"] for each in plain["signals"]} <= {
        "present",
        "too slow",
        "missing",
        "present elsewhere",
        "other layout",
        "sent on events only",
        "network not described",
    }
    assert "needed signals are present" in call("needs", pack, "tow_control_2").output
    assert isinstance(call("needs", pack, "nobody").exception, InputError)


def test_ring_of_the_demo(pack: Path) -> None:
    plain = json.loads(call("ring", pack, "--insert", "seat", "--after", "tuner", "--json").output)
    assert len(plain["after"]["hops"]) == len(plain["before"]["hops"]) + 1
    assert "lowest margin" in call("ring", pack).output
    assert "the light is lost" in call("ring", pack, "--heard", "nobody").output


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "drive.log"
    lines = [f"({place * 0.02:.6f}) can0 100#{place % 2:02X}00000000000000" for place in range(20)]
    path.write_text("\n".join([*lines, "rubbish"]) + "\n")
    return path


def test_log(log: Path) -> None:
    result = call("log", log, "--protection")
    assert "20 frames with 1 identifier in 21 lines" in result.output
    assert "not understood, first in line 21" in result.output
    plain = json.loads(call("log", log, "--json").output)
    assert plain["records"][0]["identifiers"][0]["median_ms"] == pytest.approx(20)
    answer = json.loads(call("log", log, "--protection", "--json").output)
    found = answer["records"][0]["protection"][0]
    assert found["can_be_made"] is True
    assert "gateway could make it" in " ".join(result.output.split())
    assert isinstance(call("log", log, "--module", "x").exception, InputError)


def test_measured_load(log: Path) -> None:
    """20 frames of 111 plain and 135 worst bits over 0.38 s at 125 kbit/s."""
    answer = json.loads(call("log", log, "--bit-rate", 125_000, "--json").output)
    plain = answer["records"][0]["load"][0]
    assert plain["plain"] == pytest.approx(20 * 111 / 125_000 / 0.38)
    assert plain["worst"] == pytest.approx(20 * 135 / 125_000 / 0.38)
    assert plain["plain"] <= plain["peak_plain"] <= 6 * 111 / 12_500
    assert "Load over 0.4 s" in call("log", log, "--bit-rate", 125_000).output


def test_log_against_the_demos_needs(log: Path, pack: Path) -> None:
    arguments = ("log", log, "--pack", pack, "--module", "tow_control_2")
    plain = json.loads(call(*arguments, "--json").output)
    assert {each["verdict"] for each in plain["needs"]} <= {
        "seen in time", "seen, gaps too long", "not seen while awake", "message not described",
    }  # fmt: skip
    assert "another state of the car" in call(*arguments).output


def test_values(log: Path, file: Path) -> None:
    result = call("values", log, file, "--signal", "TurnLeft")
    assert "1 signal over 20 frames" in result.output
    (row,) = json.loads(call("values", log, file, "--json").output)["signals"]
    assert (row["frames"], row["lowest"], row["highest"], row["last"]) == (20, 0, 1, 1)


def test_values_tell_what_was_repaired_and_refuse_an_unknown_name(
    log: Path, tmp_path: Path
) -> None:
    odd = tmp_path / "odd.dbc"
    odd.write_text(DBC.replace("BO_ 257", "BO_ 4000"))
    result = call("values", log, odd)
    assert result.exit_code == 0, result.output
    assert "note: " in result.output
    error = call("values", log, odd, "--signal", "Nobody").exception
    assert isinstance(error, InputError)
    assert error.where == "--signal"


def test_a_wrong_channel_is_told_before_anything_is_read(log: Path, pack: Path) -> None:
    arguments = ("--pack", pack, "--module", "tow_control_2", "--channel", "x=can0")
    result = call("log", log, *arguments)
    assert isinstance(result.exception, InputError)
    assert result.output == ""


def test_a_description_without_messages_is_no_quiet_bus(tmp_path: Path) -> None:
    bare = tmp_path / "bare.dbc"
    bare.write_text('VERSION ""\nBU_:\n')
    for arguments in (("load", "--bit-rate", 500_000), ("collisions",)):
        error = call(*arguments, bare).exception
        assert isinstance(error, InputError)
        assert "describes no message" in error.what


def test_a_record_without_frames_is_refused(tmp_path: Path) -> None:
    empty = tmp_path / "empty.log"
    empty.write_text("nothing\n")
    for path in (empty, tmp_path / "absent.log", tmp_path / "x.docx"):
        assert isinstance(call("log", path).exception, InputError)
    broken = tmp_path / "broken.blf"
    broken.write_bytes(b"LOGG" + bytes(200))
    assert isinstance(call("log", broken).exception, InputError)


def test_match(file: Path, tmp_path: Path) -> None:
    host = tmp_path / "host.dbc"
    host.write_text(
        DBC.replace("TurnLeft", "left_turn").replace("Lights", "Lamps").replace("256", "300")
    )
    result = call("match", file, host, "--signal", "TurnLeft", "--rows")
    assert result.exit_code == 0, result.output
    plain = json.loads(call("match", file, host, "--rows", "--json").output)
    assert plain["matches"][0]["found"] == "host/Lamps/left_turn"
    assert len(plain["proposal"]["rows"]) + len(plain["proposal"]["refused"]) == 2
    closed = call("match", file, host, "--rows", "--closed", "body")
    assert "nothing is sent into body" in " ".join(closed.output.split())
    strange = call("match", file, host, "--rows", "--closed", "bdoy")
    assert isinstance(strange.exception, InputError)
    assert isinstance(call("match", file, host, "--signal", "Nobody").exception, InputError)
