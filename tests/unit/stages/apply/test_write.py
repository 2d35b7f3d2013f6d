"""A write that was refused: what is said of it is what the unit was seen to hold afterwards."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "job"))
from toys import RECORD, make_pack, make_plan

from donorfit.diagnostics.conversation import Answered, NotSent, Refused, Unknown
from donorfit.records.change_record import StepState
from donorfit.stages.apply.write import write

STEP = make_plan().steps[1]
UNIT = make_pack().units[1]
OLD, NEW, OTHER = STEP.before, STEP.after, b"\x01\xff"
REFUSAL = Refused(code=0x72)  # generalProgrammingFailure (ISO 14229-1, table A.1)


def run(*looks, refusal=REFUSAL):
    """Drive the step on a unit that refuses the write; what it shows from look to look."""
    strand, shown, reply, writes = write(UNIT, STEP), list(looks), None, 0
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
