"""An explanation is followed again by the rules alone, and a falsified one is refused."""

import json
import re

import pytest
from click.testing import CliRunner

from donorfit.cli.options import options_group
from donorfit.equipment import Structure, check, months, read_uvl, replay, why
from donorfit.equipment.answer_file import read_clashes
from donorfit.errors import InputError
from donorfit.vehicle.identity import BuildMonth

RULES = """features
	car
		optional
			Integer build_month
			Integer seats
			String trim
			roof
				alternative
					glass
					steel
			hook
			plug {valid_from '2021-07'}
			monthly_report
constraints
	build_month >= 202107 => (roof => seats > 4)
	hook => seats < 3
	build_month >= 202107 => (plug => monthly_report)
	hook => plug
	glass => trim == 'open'
	monthly_report => trim == 'closed'
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "car.uvl").write_text(RULES, encoding="utf-8")
    return tmp_path


def call(folder, *words):
    result = CliRunner().invoke(options_group, [words[0], str(folder / "car.uvl"), *words[1:]])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def explain(folder, request) -> str:
    (folder / "request.json").write_text(json.dumps(request), encoding="utf-8")
    return call(folder, "why", str(folder / "request.json"), "--json").output


def follow(folder, answer: str):
    (folder / "answer.json").write_text(answer, encoding="utf-8")
    return call(folder, "replay", str(folder / "answer.json"), "--json")


HOOK = {"declared": ["car", "hook"], "month": "2021-09"}
REQUESTS = [
    HOOK,
    {"declared": ["car", "roof", "glass", "steel"]},
    {"declared": ["car"], "on": ["hook", "roof"], "month": "2021-09"},
    {"declared": ["car", "plug"]},
    {"declared": ["car", "roof", "glass", "monthly_report"], "month": "2020-01"},
]


@pytest.mark.parametrize("request_", REQUESTS)
def test_true_explanations_hold(folder, request_) -> None:
    answer = explain(folder, request_)
    result = follow(folder, answer)
    found = json.loads(result.output)
    assert (found["sound"], result.exit_code) == (True, 0), found
    assert len(found["clashes"]) == len(json.loads(answer)["clashes"]) > 0


def falsify(answer, change):
    value = json.loads(answer)
    change(value["clashes"][0])
    return json.dumps(value)


def _turn_fact(clash) -> None:
    clash["facts"][0]["on"] = not clash["facts"][0]["on"]


def _foreign_premise(clash) -> None:
    clash["steps"][0]["premises"] = ["glass"]


def _other_rule(clash) -> None:
    clash["steps"][-1]["rules"][0]["text"] = "hook => !plug"


def _rule_of_nothing(clash) -> None:
    clash["steps"][0]["rules"] = []


def _no_end(clash) -> None:
    clash["steps"][-1]["conclusion"] = "glass"


def _needless_fact(clash) -> None:
    fact = {"option": "steel", "on": False, "role": "declared", "title": ""}
    clash["facts"].append(fact)


def _needless_rule(clash) -> None:
    clash["rules"].append({**clash["rules"][0], "id": "o8", "kind": "parent", "line": 8})


def _unknown_option(clash) -> None:
    clash["facts"][0]["option"] = "anchor"


@pytest.mark.parametrize(
    "change",
    [
        _turn_fact,
        _foreign_premise,
        _other_rule,
        _rule_of_nothing,
        _no_end,
        _needless_fact,
        _needless_rule,
        _unknown_option,
    ],
)
def test_falsified_explanations_are_refused(folder, change) -> None:
    answer = explain(folder, {"declared": ["car", "hook"], "month": "2020-03"})
    result = follow(folder, falsify(answer, change))
    found = json.loads(result.output)
    assert (found["sound"], result.exit_code) == (False, 3), found
    assert found["clashes"][0]["wrong"] or found["clashes"][0]["needless"]


def test_an_explanation_of_other_rules_is_refused(folder) -> None:
    answer = explain(folder, HOOK)
    other = RULES.replace("hook => plug", "hook | plug")
    (folder / "car.uvl").write_text(other, encoding="utf-8")
    result = follow(folder, answer)
    assert result.exit_code == 3
    assert re.search(r"the rules have no r\d+", result.output)


def test_rubbish_is_told_place_by_place(folder) -> None:
    for text in ("", "[1", "{}", "[]", '{"schema": "donorfit/options-why/1"}', "[" * 100_000):
        with pytest.raises(InputError):
            read_clashes(text, file="a.json")
    answer = json.loads(explain(folder, HOOK))
    answer["clashes"][0]["rules"][0]["line"] = "x"
    answer["clashes"][0]["facts"][0]["role"] = "guessed"
    del answer["clashes"][0]["minimal"]
    with pytest.raises(InputError) as caught:
        read_clashes(json.dumps(answer), file="a.json")
    said = str(caught.value)
    assert "clashes[0].rules[0].line" in said
    assert "clashes[0].facts[0].role" in said
    assert "clashes[0].minimal" in said
    assert read_clashes('{"schema": "donorfit/options-repair/1", "clash": null}', file="a") == ()


def test_typed_options_are_judged_in_their_build_month() -> None:
    """A window around a rule over a typed option counts in check, months and why alike."""
    rules = read_uvl(RULES, file="car.uvl")
    on, late = ["car", "roof", "steel", "hook", "plug", "monthly_report"], "2021-09"
    assert not check(rules, on, BuildMonth.parse(late), structure=Structure.DECLARED).possible
    assert [str(w.months) for w in months(rules, on, structure=Structure.DECLARED).blockers] == [
        "built before 2021-07",
        "built from 2021-07",
    ]
    (clash,) = why(rules, on, month=BuildMonth.parse(late), structure=Structure.DECLARED).clashes
    assert {rule.text for rule in clash.rules} >= {
        "build_month >= 202107 => (roof => seats > 4)",
        "hook => seats < 3",
    }
    assert replay(rules, [clash]).sound


def test_without_a_month_the_clash_holds_in_every_month() -> None:
    rules = read_uvl(RULES, file="car.uvl")
    answer = why(rules, ["car", "plug"], structure=Structure.DECLARED)
    assert answer.verdict == "the list is possible in no build month"
    assert replay(rules, answer.clashes).sound
    possible = ["car", "plug", "monthly_report"]
    assert not why(rules, possible, structure=Structure.DECLARED).clashes
