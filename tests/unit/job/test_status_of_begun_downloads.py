"""Downloads that an earlier run had begun come before all rounds, and status counts them so."""

import asyncio
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_status import CONTEXT, PACK, PLAN, PREPARATION, look
from toys import CutError, Nobody, Schedule

sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "apply"))
from lane_toys import SOFTWARE, SwitchingConnection, make_lane_car, switch

from donorfit.edge.journal.job_file import JobFile
from donorfit.job.claims import list_closed
from donorfit.job.loop import Loop
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.plan import StepKind
from donorfit.stages.apply import apply

BEGUN = frozenset(step.id for step in PLAN.steps if step.kind is StepKind.PROGRAM)


def keep_uncertain(store):
    """An earlier run of the plan that left every download uncertain."""
    run = store.begin_run("apply", CONTEXT)
    steps = tuple(
        StepResult(
            step=step.id,
            unit=step.unit,
            what=step.what,
            state=StepState.UNCERTAIN if step.id in BEGUN else StepState.NOT_REACHED,
        )
        for step in PLAN.steps
    )
    change = ChangeRecord(
        plan_digest=compute_digest(PLAN),
        preparation_digest=compute_digest(PREPARATION),
        vin=PLAN.vin,
        steps=steps,
        finished=False,
        changed=tuple({each.unit for each in steps if each.step in BEGUN}),
    )
    store.add_record("change", encode(change))
    run.end()


def cut_at(store, place):
    loop = Loop(
        journal=store.begin_run("apply", CONTEXT),
        connection=SwitchingConnection(
            make_lane_car(), Schedule(cuts={place: "kill after"}), place
        ),
        person=Nobody(),
        listener=lambda _: None,
        sleep=switch,
    )
    with pytest.raises(CutError):
        asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, SOFTWARE, BEGUN)))


def test_what_is_closed_is_told_as_it_is(tmp_path):
    assert len(BEGUN) > 1
    seen = set()
    for place in range(9, 50, 4):
        with JobFile.create(tmp_path / f"{place}", lambda: "2026-01-01T00:00:00+00:00") as store:
            store.add_record("plan", encode(PLAN))
            store.add_record("preparation", encode(PREPARATION))
            keep_uncertain(store)
            cut_at(store, place)
            (run,) = look(store).open_runs
            closed = list_closed(PLAN, BEGUN, store.read_run(store.list_runs()[-1].run))
        assert run.steps_done == len(closed)
        told = {step for lane in run.lanes for step in lane.closed}
        left = {step for lane in run.lanes for step in (lane.begun, *lane.left) if step}
        assert told <= closed
        assert not left & closed
        seen.add((run.round > 0, len(closed)))
    assert {(False, 1), (True, len(BEGUN))} <= seen
