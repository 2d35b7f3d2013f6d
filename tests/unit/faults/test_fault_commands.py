"""``donorfit faults`` as a user calls it, on the demonstration's pack and on invented lists."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import donorfit
from donorfit.cli.faults import faults_group
from donorfit.errors import InputError

PACK = Path(donorfit.__file__).parent / "demo" / "pack"
DECLARED = PACK.parent / "declared.toml"
NOW = """\
gateway U1110-00 0x2F
gateway U1111-00 0x2F
P0135 28
what is this
gateway U1110-00 0x08
tow_control 0xD2345F 0x50
"""


def call(*arguments: object, stdin: str = "") -> Result:
    return CliRunner().invoke(faults_group, [str(each) for each in arguments], input=stdin)


@pytest.fixture
def now(tmp_path: Path) -> Path:
    path = tmp_path / "now.txt"
    path.write_text(NOW, encoding="utf-8")
    return path


def test_code_and_status_in_words() -> None:
    output = call("code", "P0135-11", "0xD2345F", "--status", "0x50").output
    assert "short to ground" in output
    assert "U1234-5F" in output
    assert "not tested since clearing" in output
    assert isinstance(call("code", "P0135", "nonsense").exception, InputError)
    plain = json.loads(call("code", "P0135", "--json").output)
    assert plain["schema"] == "donorfit faults code 1"


def test_read_shows_codes_and_counts_rubbish(now: Path) -> None:
    output = call("read", now, "--pack", PACK).output
    assert f"! {now}:4: " in " ".join(output.split())
    assert "1 of 6 entries could not be used" in output
    assert "U1110-00 is listed again" in output
    plain = json.loads(call("read", now, "--json").output)
    assert [each["line"] for each in plain["list"]["unread"]] == [4]
    assert len(plain["list"]["faults"]) == 5


def test_a_list_is_piped_in() -> None:
    assert "1 code read as text" in call("read", "-", stdin="P0135\n").output
    assert isinstance(call("read", "-", stdin="\n# nothing\n").exception, InputError)


def test_much_rubbish_is_counted_and_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "rubbish.txt"
    path.write_text("P0135\n" + "rubbish\n" * 5000, encoding="utf-8")
    output = call("read", path).output
    assert "and 4960 more" in output
    assert "5000 of 5001 entries" in output
    path.write_bytes(bytes(range(256)))
    assert isinstance(call("read", path).exception, InputError)


def test_a_list_of_nothing_but_rubbish_is_refused_with_its_lines(tmp_path: Path) -> None:
    path = tmp_path / "rubbish.txt"
    path.write_text("nonsense\n\nmore nonsense\n", encoding="utf-8")
    for arguments in (
        ("read", path),
        ("now", path),
        ("explain", path, "--pack", PACK),
        ("compare", "--after", path),
    ):
        error = call(*arguments).exception
        assert isinstance(error, InputError)
        assert [each.line for each in error.mistakes] == [1, 3]


def test_what_was_not_understood_afterwards_makes_nothing_gone(now: Path, tmp_path: Path) -> None:
    after = tmp_path / "after.txt"
    after.write_text("gateway U1119-00 0x2F\nhalf of a li\n", encoding="utf-8")
    rows = json.loads(call("compare", "--before", now, "--after", after, "--json").output)
    verdicts = {each["verdict"] for each in rows["faults"] if each["status_after"] is None}
    assert verdicts == {"not tested yet"}
    after.write_text("gateway U1119-00 0x2F\n", encoding="utf-8")
    rows = json.loads(call("compare", "--before", now, "--after", after, "--json").output)
    verdicts = {each["verdict"] for each in rows["faults"] if each["status_after"] is None}
    assert verdicts == {"gone"}


@pytest.mark.parametrize("text", ["# none\n", "[]", "unit,code,status\n"])
def test_a_car_without_codes_is_said_and_not_left_blank(
    now: Path, tmp_path: Path, text: str
) -> None:
    after = tmp_path / "after"
    after.write_text(text, encoding="utf-8")
    output = call("compare", "--before", now, "--after", after).output
    assert "gone" in output
    after.write_text(" \n", encoding="utf-8")
    assert isinstance(call("compare", "--before", now, "--after", after).exception, InputError)


@pytest.mark.parametrize("codes", [[""], ["P0135", "#"], ["P0135", " "]])
def test_an_empty_code_is_none(codes: list[str]) -> None:
    assert isinstance(call("code", *codes).exception, InputError)


def test_compare_before_during_and_after(now: Path, tmp_path: Path) -> None:
    during, after = tmp_path / "during.csv", tmp_path / "after.json"
    during.write_text("unit,code,status\nbody,U1234-5F,0x2F\n", encoding="utf-8")
    after.write_text(
        '[{"unit": "gateway", "code": "U1110-00", "status": 80},'
        ' {"unit": "gateway", "code": "U1119-00", "status": 47}]',
        encoding="utf-8",
    )
    arguments = ("compare", "--before", now, "--during", during, "--after", after)
    output = " ".join(call(*arguments).output.split())
    assert "not named in the later list: car, tow_control, body" in output
    rows = {
        (row["unit"], row["code"]): row
        for row in json.loads(call(*arguments, "--json").output)["faults"]
    }
    verdict = {key: row["verdict"] for key, row in rows.items()}
    assert verdict["gateway", 0xD11000] == "not tested yet"
    assert verdict["gateway", 0xD11100] == "gone"
    assert verdict["gateway", 0xD11900] == "new"
    assert verdict["car", 0x013500] == "gone"
    assert rows["body", 0xD2345F]["explanation"].startswith("it came up during the work")


def test_now_by_a_declared_car(now: Path) -> None:
    """The declared car has an amplifier that is fitted and not declared: its code is expected."""
    arguments = ("now", now, "--pack", PACK, "--declared", DECLARED)
    concerns = {
        row["code"]: row["concern"]
        for row in json.loads(call(*arguments, "--json").output)["faults"]
    }
    assert concerns[0xD11100] == "expected now"
    assert concerns[0xD11000] == "worth worrying about"
    assert concerns[0xD2345F] == "not tested yet"
    assert isinstance(call("now", now, "--declared", DECLARED).exception, InputError)


def test_explain_with_causes_found_and_ruled_out(now: Path) -> None:
    output = call("explain", now, "--pack", PACK).output
    assert "unit not declared: tow_control: U1110-00 (gateway)" in output
    assert "no known cause: P0135-00 (car)" in output
    found = call("explain", now, "--pack", PACK, "--found", "unit-not-declared:tow_control")
    assert "unit not declared tow_control (found)" in found.output
    out = call("explain", now, "--pack", PACK, "--rule-out", "unit-not-declared:tow_control")
    assert "U1110-00 (gateway)" in out.output.split("no known cause:")[1]


@pytest.mark.parametrize("text", ["nonsense", "unit-not-declared:nobody", "", "supply-low:x"])
def test_a_cause_that_the_pack_does_not_name(now: Path, text: str) -> None:
    result = call("explain", now, "--pack", PACK, "--rule-out", text)
    assert isinstance(result.exception, InputError)
    assert isinstance(call("explain", now).exception, InputError)


def test_ties_are_shown_with_what_each_check_tells(tmp_path: Path) -> None:
    codes = tmp_path / "tie.txt"
    codes.write_text("gateway U1120-55 0x2F\n", encoding="utf-8")
    output = call("explain", codes, "--pack", PACK).output
    assert "equally good explanations" in output
    group = json.loads(call("explain", codes, "--pack", PACK, "--json").output)["explanation"][
        "groups"
    ][0]
    assert group["ties"] == len(group["explanations"]) > 1
    assert 0 < group["checks"][0]["gain_bits"] <= 1
