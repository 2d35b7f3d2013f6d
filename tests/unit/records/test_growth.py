"""A record of an earlier version keeps its bytes and its digest, and is read back."""

import json
import sys
from dataclasses import fields, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "job"))
from toys import make_plan

from donorfit.records.encoding import compute_digest, decode, encode
from donorfit.records.growth import ADDED_LATER
from donorfit.records.plan import Plan, Step

LATER = {
    kind: {each.name for each in fields(kind) if each.metadata == ADDED_LATER}
    for kind in (Plan, Step)
}


def test_fields_that_came_later_are_left_out_while_they_say_nothing():
    assert "order" in LATER[Plan]
    assert {"round", "waits_for", "waits_because"} <= LATER[Step]
    plain = json.loads(encode(make_plan()))
    assert not LATER[Plan] & plain.keys()
    assert not any(LATER[Step] & step.keys() for step in plain["steps"])


def test_an_earlier_record_is_read_and_keeps_its_digest():
    plan = make_plan()
    assert decode(encode(plan), Plan) == plan
    assert compute_digest(decode(encode(plan), Plan)) == compute_digest(plan)


def test_what_they_say_is_kept_and_changes_the_digest():
    plan = make_plan()
    steps = tuple(replace(step, round=2, waits_for=("s01",)) for step in plan.steps)
    grown = replace(plan, steps=steps)
    assert decode(encode(grown), Plan) == grown
    assert compute_digest(grown) != compute_digest(plan)
