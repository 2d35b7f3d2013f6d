"""How far a session is, told and noted while it runs."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "apply"))
from lane_toys import make_lane_pack, make_lane_plan

from donorfit.job.progress import Happening, Progress
from donorfit.job.remaining import Measured
from donorfit.job.session_watch import SessionWatch
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import StepKind

PACK = make_lane_pack()
PLAN = make_lane_plan(PACK)
PROGRAM = next(step for step in PLAN.steps if step.kind is StepKind.PROGRAM)


class Notes:
    def __init__(self, measured=()):
        self.kept = []
        self.measured = measured

    def keep(self, note):
        self.kept.append(note)

    def find_measured(self, plan_digest):
        return self.measured if plan_digest == compute_digest(PLAN) else ()


class Rig:
    def __init__(self, measured=()):
        self.at_s = 100.0
        self.heard = []
        self.notes = Notes(measured)
        self.watch = SessionWatch(
            listener=self.heard.append,
            read_clock=lambda: self.at_s,
            now=lambda: f"at {self.at_s:g}",
            notes=self.notes,
        )

    def tell(self, happening, **more):
        self.watch(Progress(happening=happening, **more))
        return self.heard[-1].session


def test_before_a_stage_begins_progress_only_passes():
    rig = Rig()
    assert rig.tell(Happening.ANSWERED) is None
    assert rig.notes.kept == []


def test_a_stage_without_steps_notes_what_was_read():
    rig = Rig()
    rig.watch.begin("survey", PACK, None)
    for _ in range(3):
        rig.at_s += 1.0
        assert rig.tell(Happening.ANSWERED) is None
    assert (rig.notes.kept[-1].answers, rig.notes.kept[-1].noted_at) == (3, "at 103")
    assert rig.notes.kept[-1].since == "at 100"
    assert rig.notes.kept[-1].left_s is None


def test_a_download_is_noted_with_its_bytes_no_oftener_than_every_second():
    rig = Rig()
    rig.watch.begin("apply", PACK, PLAN)
    rig.tell(Happening.STEP_OPENED, unit=PROGRAM.unit, what=PROGRAM.id)
    before = len(rig.notes.kept)
    for done in range(1, 101):
        rig.at_s += 0.1
        rig.tell(
            Happening.BYTES,
            unit=PROGRAM.unit,
            fraction=done / 100,
            done_bytes=done,
            total_bytes=100,
            left_s=10.0,
        )
    assert 9 <= len(rig.notes.kept) - before <= 11
    (part,) = rig.notes.kept[-1].parts
    assert (part.step, part.total_bytes) == (PROGRAM.id, 100)
    assert part.done_bytes >= 90
    rig.tell(Happening.STEP_CLOSED, unit=PROGRAM.unit, what=PROGRAM.id)
    assert rig.notes.kept[-1].parts == ()
    assert rig.notes.kept[-1].steps_done == 1


def test_a_resumed_session_says_nothing_of_its_place_before_it_knows_and_no_old_rest_then():
    rig = Rig((Measured(kind=StepKind.RESET, steps=1, planned_s=1.0, taken_s=9.0),))
    rig.watch.begin("apply", PACK, PLAN)
    assert rig.tell(Happening.ANSWERED) is None
    assert rig.notes.kept[-1].steps == 0
    for step in PLAN.steps[:-1]:
        rig.tell(Happening.STEP_OPENED, unit=step.unit, what=step.id, replayed=True)
        rig.tell(Happening.STEP_CLOSED, unit=step.unit, what=step.id, replayed=True)
    last = PLAN.steps[-1]
    place = rig.tell(Happening.STEP_OPENED, unit=last.unit, what=last.id)
    assert (place.steps_done, place.steps) == (len(PLAN.steps) - 1, len(PLAN.steps))
    # What is replayed takes no time, so that a rest told before it could not follow.
    assert place.left_s == pytest.approx(last.seconds)
    assert rig.notes.kept[-1].measured == rig.notes.measured


def test_another_plan_does_not_inherit_what_was_measured():
    rig = Rig((Measured(kind=StepKind.RESET, steps=9, planned_s=1.0, taken_s=9.0),))
    rig.watch.begin("apply", PACK, replace(PLAN, vin="another"))
    rig.tell(Happening.STEP_OPENED, unit=PROGRAM.unit, what=PROGRAM.id)
    assert rig.notes.kept[-1].measured == ()


def test_a_question_is_noted_while_it_is_asked():
    rig = Rig()
    rig.watch.begin("prepare", PACK, None)
    rig.tell(Happening.QUESTION, what="Is it so?")
    assert rig.notes.kept[-1].waits_for == "Is it so?"
    rig.tell(Happening.ASKED)
    assert rig.notes.kept[-1].waits_for == ""


def test_what_was_measured_is_not_lost_where_the_program_ends_before_its_first_step():
    measured = (Measured(kind=StepKind.PROGRAM, steps=1, planned_s=10.0, taken_s=30.0),)
    rig = Rig(measured)
    rig.watch.begin("apply", PACK, PLAN)
    assert rig.notes.kept[-1].measured == measured
    rig.at_s += 5.0
    rig.tell(Happening.ANSWERED)
    assert rig.notes.kept[-1].measured == measured
