"""A write that was refused: what is said of it is what the unit was seen to hold afterwards."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "job"))
from toys import RECORD, make_pack, make_plan

from donorfit.diagnostics.conversation import (
    Answered,
    NotSent,
    Pause,
    Paused,
    Refused,
    Unknown,
)
from donorfit.records.change_record import StepState
from donorfit.stages.apply.lanes import run_lane
from donorfit.stages.apply.write import write
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.pack import SupplyWindow

STEP = make_plan().steps[1]
UNIT = make_pack().units[1]
OLD, NEW, OTHER = STEP.before, STEP.after, b"\x01\xff"
REFUSAL = Refused(code=0x72)  # generalProgrammingFailure (ISO 14229-1, table A.1)


def no_wait():
    """The supply is good."""
    yield from ()
    return ""


def run(*looks, refusal=REFUSAL):
    """Drive the step on a unit that refuses the write; what it shows from look to look."""
    strand, shown, reply, writes = write(UNIT, STEP, no_wait), list(looks), None, 0
    try:
        while True:
            ask = strand.send(reply)
            if ask.pdu[0] == 0x2E:
                writes += 1
                reply = refusal
                continue
            held = shown.pop(0)
            reply = (
                Answered(pdu=b"\x62" + RECORD.to_bytes(2, "big") + held)
                if isinstance(held, bytes)
                else held
            )
    except StopIteration as end:
        assert not shown
        assert writes == 1
        return end.value


def test_the_old_bytes_are_claimed_where_they_were_read_back() -> None:
    outcome = run(OLD, OLD)
    assert outcome.state is StepState.REFUSED
    assert "it still holds the old bytes" in outcome.detail


@pytest.mark.parametrize("code", [0x72, 0x22])
def test_a_unit_that_wrote_something_else_and_refused_holds_what_it_holds(code) -> None:
    outcome = run(OLD, OTHER, refusal=Refused(code=code))
    assert (outcome.state, outcome.held) == (StepState.DIFFERS, OTHER)
    assert "still holds the old bytes" not in outcome.detail


def test_a_unit_that_wrote_it_and_refused_all_the_same_is_not_said_to_be_old_nor_done() -> None:
    outcome = run(OLD, NEW)
    assert outcome.state is StepState.UNCERTAIN
    assert "holds the new bytes" in outcome.detail


@pytest.mark.parametrize("silence", [Unknown(why="silent"), NotSent(why="lost"), REFUSAL])
def test_a_unit_that_refused_and_cannot_be_read_is_uncertain(silence) -> None:
    assert run(OLD, silence).state is StepState.UNCERTAIN


SUPPLY = SupplyWindow(
    lowest_volts=12.0,
    highest_volts=15.0,
    unit=UnitId("one"),
    identifier=DataIdentifier(0x5000),
    volts_per_bit=0.1,
    base_current_a=0.0,
    battery_ah=70.0,
)


@pytest.mark.parametrize(
    ("volts", "state", "writes"),
    [
        ([13.0, 13.0], StepState.DONE, 2),
        ([13.0, 8.0, 8.0, 13.0], StepState.DONE, 2),
        ([13.0, 8.0, 8.0, 8.0, 8.0, 8.0], StepState.NOT_BEGUN, 1),
        ([13.0, *[Unknown(why="silent")] * 5], StepState.NOT_BEGUN, 1),
    ],
)
def test_nothing_is_written_again_with_a_supply_that_broke_down_meanwhile(volts, state, writes):
    pack, held, measured, sent = replace(make_pack(), supply=SUPPLY), OLD, list(volts), 0
    lane = run_lane(pack, (STEP,), {}, frozenset(), marked=False)
    reply = None
    try:
        while True:
            ask = lane.send(reply)
            if isinstance(ask, Pause):
                reply = Paused()
            elif ask.pdu[0] == 0x2E:
                sent += 1
                held = NEW if sent > 1 else held  # the first one is lost with the supply
                reply = Unknown(why="no answer in time")
            elif ask.unit == "one":
                volt = measured.pop(0) if len(measured) > 1 else measured[0]
                number = b"" if isinstance(volt, Unknown) else round(volt * 10).to_bytes(2, "big")
                reply = Answered(pdu=b"\x62\x50\x00" + number) if number else volt
            else:
                reply = Answered(pdu=b"\x62" + RECORD.to_bytes(2, "big") + held)
    except StopIteration as stop:
        end = stop.value
    (result,) = end.results
    assert (result.state, sent) == (state, writes)
    if state is StepState.NOT_BEGUN:
        assert "it still holds the old bytes" in result.detail
        assert "supply" in end.stop


@pytest.mark.parametrize(
    ("outcomes", "state", "said"),
    [
        ([NotSent(why="no key")] * 5, StepState.NOT_BEGUN, "it could not be sent in 5 tries"),
        ([Unknown(why="silent")] * 5, StepState.REFUSED, "no answer in 5 tries"),
        (
            [NotSent(why="lost")] * 4 + [Unknown(why="silent")],
            StepState.REFUSED,
            "no answer in 5 tries",
        ),
    ],
)
def test_what_never_left_is_not_begun_and_no_refusal(outcomes, state, said) -> None:
    outcome, left = run_with(list(outcomes))
    assert not left
    assert outcome.state is state
    assert said in outcome.detail


def run_with(outcomes):
    """Drive the step on a unit that keeps its old bytes, with these outcomes of the writes."""
    strand, reply = write(UNIT, STEP, no_wait), None
    while True:
        try:
            ask = strand.send(reply)
        except StopIteration as end:
            return end.value, outcomes
        if ask.pdu[0] == 0x2E:
            reply = outcomes.pop(0)
        else:
            reply = Answered(pdu=b"\x62" + RECORD.to_bytes(2, "big") + OLD)
