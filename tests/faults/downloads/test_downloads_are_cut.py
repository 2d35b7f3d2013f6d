"""Every way to bring software in, struck at every request: old, new, or a stop that says so.

Judged by the simulated unit's own memory (``Rig.judge``), never by what the program believes.
"""

import random

import pytest
from download_rig import DATA, NEW, OLD, PROCEDURES, Rig, count_requests

from donorfit.diagnostics.conversation import Download
from donorfit.diagnostics.talk import NoteKind
from donorfit.edge.links.faulty import FaultKind
from donorfit.records.change_record import StepState

STRIKES = (
    "kill",
    "reset",
    FaultKind.CUT_BEFORE_REQUEST,
    FaultKind.CUT_AFTER_REQUEST,
    FaultKind.CUT_BEFORE_ANSWER,
    FaultKind.LOSE_REQUEST,
    FaultKind.LOSE_ANSWER,
    FaultKind.DELAY_ANSWER,
    FaultKind.DUPLICATE_ANSWER,
    FaultKind.CORRUPT_ANSWER,
    FaultKind.INSERT_BEFORE_ANSWER,
)
GOOD = {StepState.DONE, StepState.ALREADY}


@pytest.mark.parametrize("name", PROCEDURES)
def test_an_undisturbed_download(name):
    rig = Rig(PROCEDURES[name])
    rig.run_to_the_end(times=2)
    assert [each.state for each in rig.outcomes] == [StepState.DONE, StepState.ALREADY]
    assert rig.memory.software == NEW
    assert sum(isinstance(ask, Download) for ask in rig.asks) == 1


@pytest.mark.parametrize("strike", STRIKES, ids=str)
@pytest.mark.parametrize("name", PROCEDURES)
def test_struck_at_every_single_request(name, strike):
    for number in range(1, count_requests(PROCEDURES[name]) + 1):
        rig = Rig(PROCEDURES[name], {number: strike})
        outcome = rig.run_to_the_end()
        assert outcome.state in GOOD or rig.is_old, (number, outcome)


def run_random(dice: random.Random) -> None:
    procedure = dice.choice(list(PROCEDURES.values()))
    strikes = {dice.randrange(1, 120): dice.choice(STRIKES) for _ in range(dice.randrange(1, 9))}
    rig = Rig(procedure, strikes)
    outcome = rig.run_to_the_end()
    assert outcome.state in GOOD or rig.is_old, (strikes, outcome)


@pytest.mark.parametrize("part", range(4))
def test_random_schedules_of_up_to_eight_strikes(part):
    dice = random.Random(part)
    for _ in range(60):
        run_random(dice)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_ten_thousand_random_schedules():
    dice = random.Random(2026)
    for _ in range(10_000):
        run_random(dice)


def went_on(rig: Rig) -> list[str]:
    return [note.text for note in rig.notes if "goes on there" in note.text]


def test_a_file_goes_on_where_it_was_cut():
    rig = Rig(PROCEDURES["a file that can be resumed"], {10: FaultKind.CUT_AFTER_REQUEST})
    assert rig.run_to_the_end().state is StepState.DONE
    # the fourth block of 32 bytes arrived, its answer did not
    assert went_on(rig) == [f"it holds 128 of {len(DATA)} bytes and goes on there"]


def test_a_file_goes_on_after_the_program_was_killed():
    rig = Rig(PROCEDURES["a file that can be resumed"], {10: "kill"})
    assert rig.run_to_the_end().state is StepState.DONE
    assert went_on(rig) == [f"it holds 96 of {len(DATA)} bytes and goes on there"]


@pytest.mark.parametrize("name", [name for name in PROCEDURES if "file" not in name])
def test_a_plain_transfer_is_never_taken_up_in_the_midst(name):
    rig = Rig(PROCEDURES[name], {10: FaultKind.CUT_AFTER_REQUEST})
    assert rig.run_to_the_end().state is StepState.DONE
    starts = [note.done for note in rig.notes if note.kind is NoteKind.PROGRESS]
    assert starts.count(0) == 2
    assert not went_on(rig)


def test_the_rig_would_see_a_false_confirmation():
    rig = Rig(PROCEDURES["one piece"])
    rig.data = DATA[:-1] + b"?"
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.UNCERTAIN
    assert rig.memory.software == OLD
    assert not rig.memory.application
    with pytest.raises(AssertionError):
        rig.judge(type(outcome)(state=StepState.DONE))
