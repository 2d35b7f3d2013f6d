"""``donorfit options`` as a person calls it."""

import json

import pytest
from click.testing import CliRunner

from donorfit.cli.options import options_group
from donorfit.errors import InputError

RULES = """features
    Car {abstract}
        mandatory
            Network {abstract}
                alternative
                    Old {title 'Old network', class 'network', valid_before '2021-07'}
                    New {title 'New network', class 'network', valid_from '2021-07'}
        optional
            Display {title 'Driver display', class 'infotainment'}
            Camera {title 'Camera', class 'safety'}
            Hook {title 'Towing hook', class 'body'}
            Socket {title 'Trailer socket', class 'body'}
            Integer build_month
constraints
    Display => New
    Camera => Display
    build_month >= 202001 => (Hook => Socket)
"""


@pytest.fixture
def run(tmp_path):
    (tmp_path / "car.uvl").write_text(RULES, encoding="utf-8")

    def call(command, request=None, *more):
        arguments = [command, str(tmp_path / "car.uvl")]
        if request is not None:
            (tmp_path / "request.json").write_text(json.dumps(request))
            arguments.append(str(tmp_path / "request.json"))
        result = CliRunner().invoke(options_group, [*arguments, *more])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    return call


def test_check(run) -> None:
    result = run("check", {"declared": ["Old", "Hook"], "month": "2020-03"})
    assert result.exit_code == 3
    said = " ".join(result.output.split())
    assert "Towing hook (Hook) is on, Trailer socket (Socket) is off" in said
    assert "[r17 car.uvl:17, built from 2020-01]" in said
    good = run("check", {"declared": ["Old"], "month": "2020-03"}, "--json")
    assert good.exit_code == 0
    assert json.loads(good.output)["possible"] is True


def test_repair(run) -> None:
    request = {"declared": ["Old", "Hook"], "on": ["Camera"], "month": "2020-03"}
    result = run("repair", request, "--top", "5", "--json")
    answer = json.loads(result.output)
    assert answer["schema"] == "donorfit/options-repair/1"
    assert answer["proved"]
    first = answer["repairs"][0]
    assert set(first["add"]) >= {"Camera", "Display", "New"}
    assert "Old" in first["remove"]
    assert first["month"] == "2021-07"
    assert first["month_moved"] == 16
    reasons = {entry["option"]: entry for entry in first["entries"]}
    assert reasons["Display"]["rules"][0]["id"] == "r16"
    assert reasons["Camera"]["reason"] == "asked to be on"
    assert reasons["Display"]["because_of"] == ["Camera"]
    words = run("repair", request).output
    assert "build month 2021-07 (moved by +16)" in words
    assert "proved" in words


def test_repair_that_cannot_be(run) -> None:
    request = {"declared": [], "on": ["Camera"], "fitted": ["Old"], "month": "2020-03"}
    result = run("repair", request)
    assert result.exit_code == 3
    assert "Old network (Old) is fitted" in result.output
    assert "Camera is asked to be on" in result.output


def test_why_months_implied_compare_facts_leftovers(run) -> None:
    why = run("why", {"declared": ["Old", "Camera"], "month": "2020-03"})
    assert "Camera => Display" in why.output
    about = run("why", {"declared": [], "on": ["Camera"]}, "--about", "Old")
    assert "Old network (Old) must be off" in about.output
    months = run("months", {"declared": ["New"], "month": "2020-03"})
    assert "nearest possible month: 2021-07" in months.output
    implied = json.loads(run("implied", None, "--on", "Camera", "--json").output)
    assert set(implied["on"]) == {"Display", "New", "Car", "Network"}
    assert implied["off"] == ["Old"]
    facts = json.loads(run("facts", None, "--json").output)
    assert set(facts["core"]) == {"Car", "Network"}
    request = {"declared": ["Old", "Hook", "Socket"], "fitted": ["Old"], "on": ["Hook"]}
    left = json.loads(run("leftovers", {**request, "month": "2020-03"}, "--json").output)
    assert left["leftovers"] == []
    request["on"] = []
    left = json.loads(run("leftovers", {**request, "month": "2020-03"}, "--json").output)
    assert [each["option"] for each in left["leftovers"]] == ["Hook", "Socket"]


def test_unknown_names_are_told_together(run) -> None:
    with pytest.raises(InputError) as caught:
        run("check", {"declared": ["Odl", "Camra"], "month": "2020-03"})
    said = str(caught.value)
    assert "Old" in said
    assert "Camera" in said


def test_contradicting_request(run) -> None:
    with pytest.raises(InputError, match="contradicts itself"):
        run("repair", {"declared": [], "on": ["Old"], "not_fitted": ["Old"]})


GAPS = """features
    A
        optional
            Integer X
            Integer Y
            String S
            B cardinality [0..3]
            C {weight 2}
constraints
    X * Y > 4
    X > Y
    X + Y > 2
    len(S) > 3
    C * X > 3
    sum(weight) / X > 1
    C => B
"""


@pytest.mark.parametrize(
    "command",
    ["check", "why", "repair", "implied", "months", "compare", "facts", "leftovers"],
)
def test_every_command_tells_what_was_not_judged(tmp_path, command) -> None:
    rules, request = tmp_path / "gaps.uvl", tmp_path / "request.json"
    rules.write_text(GAPS, encoding="utf-8")
    request.write_text('["A", "C"]', encoding="utf-8")
    more = {"implied": ["--on", "C"], "facts": [], "compare": [str(request)] * 2}
    words = [command, str(rules), *more.get(command, [str(request)])]
    result = CliRunner().invoke(options_group, words)
    said = " ".join(result.output.split())
    for what in (
        "2 x product of two unknowns",
        "2 x comparison of two unknown numbers",
        "1 x len of a typed option",
        "1 x feature cardinality",
        "1 x number of an option without a type",
    ):
        assert f"note: {what}" in said, said
    plain = CliRunner().invoke(options_group, [*words, "--json"])
    assert json.loads(plain.stdout)["schema"] == f"donorfit/options-{command}/1"
