"""Rounds as lines: lengths, reasons, limits, where to stop, where software changes."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[3] / "faults" / "apply"))
from lane_toys import make_lane_pack, make_lane_plan

from donorfit.cli.columns import measure
from donorfit.cli.order_wording import word_length, word_steps
from donorfit.records.plan import PlanPurpose

PLAN = make_lane_plan(make_lane_pack())


def test_every_step_and_round_is_said_once_and_fits():
    lines = word_steps(PLAN)
    text = "\n".join(lines)
    assert all(measure(line) <= 88 for line in lines)
    for step in PLAN.steps:
        assert sum(line.startswith(f"  {step.id} ") for line in lines) == 1
    for each in PLAN.order.rounds:
        assert f"Round {each.number}, {word_length(each.seconds)}" in text
    assert "(proved)" in text
    assert "3 units at once" in text
    assert word_length(PLAN.order.row_seconds) in text


def test_the_turn_to_software_stands_before_its_round():
    lines = word_steps(PLAN)
    turn = next(at for at, line in enumerate(lines) if line.startswith("  ---- "))
    first = PLAN.order.last_restorable + 1
    after = next(at for at, line in enumerate(lines) if line.startswith(f"  Round {first},"))
    before = next(at for at, line in enumerate(lines) if line.startswith(f"  Round {first - 1},"))
    assert before < turn < after
    back = word_steps(replace(PLAN, purpose=PlanPurpose.UNDO))
    assert not any(line.startswith("  ---- ") for line in back)


def test_what_is_not_proved_or_not_safe_is_said():
    order = replace(PLAN.order, proved=False, bound_seconds=61.0)
    unsafe = (replace(order.rounds[0], safe=False), *order.rounds[1:])
    text = " ".join(word_steps(replace(PLAN, order=replace(order, rounds=unsafe))))
    assert "shorter than 1 min 01 s" in " ".join(text.split())
    assert "no safe stop after it" in text
    assert "proved)" not in text


def test_a_plan_without_rounds_is_a_row():
    lines = word_steps(replace(PLAN, order=None))
    assert lines[1] == "Steps, one after the other"
    assert not any("Round" in line for line in lines)
    assert word_steps(replace(PLAN, steps=())) == ["", "Steps: none, nothing has to be written"]


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (59.4, "59 s"), (59.6, "1 min 00 s"), (61, "1 min 01 s"), (3600, "60 min 00 s")],
)
def test_lengths(seconds, text):
    assert word_length(seconds) == text
