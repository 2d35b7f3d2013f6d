"""What a job file claims was done: the steps that a cut run closed, and those of a record."""

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from test_status import PLAN, PREPARATION, cut_at

from donorfit.edge.journal.job_file import JobFile
from donorfit.job.claims import list_closed, list_touched
from donorfit.job.status import describe_status
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import encode


def test_what_a_cut_run_closed_is_what_status_says_of_it(tmp_path) -> None:
    seen = set()
    for place in (3, 12, 21, 33, 45):
        with JobFile.create(tmp_path / f"{place}", lambda: "2026-01-01T00:00:00+00:00") as store:
            store.add_record("plan", encode(PLAN))
            store.add_record("preparation", encode(PREPARATION))
            cut_at(store, place, 1)
            asks = {run.run: store.read_run(run.run) for run in store.list_runs()}
            (run,) = describe_status(store, asks).open_runs
            closed = list_closed(PLAN, frozenset(), asks[store.list_runs()[0].run])
        before = [each for each in PLAN.order.rounds if each.number < run.round]
        told = {step for each in before for lane in each.lanes for step in lane.steps}
        told |= {step for lane in run.lanes for step in lane.closed}
        assert closed == told
        seen.add(len(closed))
    assert len(seen) > 2


def test_a_plan_without_rounds_claims_nothing() -> None:
    assert list_closed(replace(PLAN, order=None), frozenset(), {}) == frozenset()


def test_a_record_claims_what_it_does_not_call_untouched() -> None:
    steps = tuple(
        StepResult(step=state.name, unit="u", what="", state=state) for state in StepState
    )
    change = ChangeRecord(
        plan_digest="",
        preparation_digest="",
        vin="",
        steps=steps,
        finished=False,
        changed=(),
    )
    assert list_touched(change) == {"DONE", "ALREADY", "UNCERTAIN", "DIFFERS"}
    assert list_touched(None) == frozenset()
