"""The shipped schemas are those of the data classes, and real answers follow them."""

import json
import re
from pathlib import Path

import pytest

import donorfit
from donorfit.equipment import (
    RepairRequest,
    check,
    compare,
    facts,
    implied,
    leftovers,
    months,
    read_uvl,
    repair,
    replay,
    why,
)
from donorfit.equipment.answer_schema import ANSWERS, make_schema
from donorfit.equipment.plain_values import to_plain
from donorfit.equipment.request_file import _KEYS
from donorfit.vehicle.identity import BuildMonth

SCHEMAS = Path(donorfit.__file__).with_name("schemas")
RULES = """features
    A
        optional
            B {valid_from '2021-07', class 'safety'}
            C
            D
            Integer build_month
constraints
    C => B
    D => !C
    build_month < 202101 => !D
"""


@pytest.mark.parametrize(("command", "answer"), ANSWERS)
def test_shipped_schema_is_up_to_date(command, answer) -> None:
    shipped = json.loads((SCHEMAS / f"options-{command}.schema.json").read_text("utf-8"))
    assert shipped == make_schema(command, answer)


def test_request_schema_knows_every_key() -> None:
    shipped = json.loads((SCHEMAS / "options-request.schema.json").read_text("utf-8"))
    assert set(shipped["$defs"]["Request"]["properties"]) == set(_KEYS)


def follow(value, schema, root, place="$") -> None:
    """A small validator for the words of JSON Schema that are used here."""
    if "$ref" in schema:
        schema = root["$defs"][schema["$ref"].rpartition("/")[2]]
    if "anyOf" in schema:
        for each in schema["anyOf"]:
            try:
                follow(value, each, root, place)
            except AssertionError:
                continue
            return
        raise AssertionError(place)
    if "enum" in schema or "const" in schema:
        assert value in schema.get("enum", [schema.get("const")]), place
        return
    kinds = {
        "string": str, "boolean": bool, "integer": int, "number": (int, float),
        "null": type(None), "array": list, "object": dict,
    }  # fmt: skip
    assert isinstance(value, kinds[schema["type"]]), place
    if "pattern" in schema:
        assert re.search(schema["pattern"], value), place
    for number, each in enumerate(value if schema["type"] == "array" else ()):
        follow(each, schema["items"], root, f"{place}[{number}]")
    if schema["type"] == "object":
        assert set(value) == set(schema["required"]) == set(schema["properties"]), place
        for key, each in value.items():
            follow(each, schema["properties"][key], root, f"{place}.{key}")


def test_answers_follow_their_schemas() -> None:
    rules, month = read_uvl(RULES, file="a.uvl"), BuildMonth.parse("2020-05")
    request = RepairRequest(declared=("A", "D"), on=("C",), month=month, top=3)
    impossible = RepairRequest(declared=("A",), on=("C",), fitted=("D",))
    answers = {
        "check": [check(rules, ["A", "C", "D"], month), check(rules, ["A"])],
        "why": [why(rules, ["A", "C", "D"], month=month), why(rules, on=["C"], about="D")],
        "repair": [repair(rules, request), repair(rules, impossible)],
        "implied": [implied(rules, ["C"]), implied(rules, ["C", "D"])],
        "months": [months(rules, ["A", "B"], month)],
        "compare": [compare(rules, ["A"], ["A", "C"])],
        "facts": [facts(rules), facts(read_uvl("features\n A\nconstraints\n !A\n", file="b.uvl"))],
        "leftovers": [leftovers(rules, ["A", "D", "C"], ["B"], ["C"])],
        "replay": [replay(rules, why(rules, ["A", "C", "D"], month=month).clashes)],
    }
    assert set(answers) == {command for command, _ in ANSWERS}
    for command, kind in ANSWERS:
        schema = make_schema(command, kind)
        for answer in answers[command]:
            plain = {"schema": f"donorfit/options-{command}/1", **to_plain(answer)}
            follow(json.loads(json.dumps(plain)), schema, schema)
