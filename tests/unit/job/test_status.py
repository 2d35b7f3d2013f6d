"""Where a cut run of lanes stands, from the job file alone."""

import asyncio
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "apply"))
from lane_toys import (
    SOFTWARE,
    SwitchingConnection,
    make_lane_car,
    make_lane_pack,
    make_lane_plan,
    make_lane_preparation,
    switch,
)
from toys import CutError, Nobody, Schedule

from donorfit.cli.status_wording import word_status
from donorfit.edge.journal.job_file import JobFile
from donorfit.job.loop import Loop
from donorfit.job.status import describe_status
from donorfit.records.encoding import compute_digest, encode
from donorfit.stages.apply import apply

PACK = make_lane_pack()
PLAN = make_lane_plan(PACK)
PREPARATION = make_lane_preparation(PLAN)
CONTEXT = f"{compute_digest(PLAN)} {compute_digest(PREPARATION)}"


def cut_at(store, place, seed):
    """Carry the plan out until the program is killed; nothing where it ended before."""
    run = store.begin_run("apply", CONTEXT)
    loop = Loop(
        journal=run,
        connection=SwitchingConnection(
            make_lane_car(), Schedule(cuts={place: "kill after"}), seed
        ),
        person=Nobody(),
        listener=lambda _: None,
        sleep=switch,
    )
    with pytest.raises(CutError):
        asyncio.run(loop.run("apply", apply(PACK, PLAN, PREPARATION, SOFTWARE)))


def look(store):
    pasts = {run.run: store.read_run(run.run) for run in store.list_runs()}
    return describe_status(store, pasts)


@pytest.mark.parametrize("place", [3, 9, 12, 20, 30, 36, 44, 50])
def test_a_cut_run_says_its_round_and_how_far_each_lane_is(tmp_path, place):
    with JobFile.create(tmp_path / "job.donorfit", lambda: "2026-01-01T00:00:00+00:00") as store:
        store.add_record("plan", encode(PLAN))
        cut_at(store, place, seed=place)
        status = look(store)
    (run,) = status.open_runs
    if place <= 7:  # seven readings say whether it is the prepared car
        assert (run.round, run.lanes) == (0, ())
        return
    order = PLAN.order
    assert run.rounds == len(order.rounds)
    here = order.rounds[run.round - 1]
    assert [lane.network for lane in run.lanes] == [lane.network for lane in here.lanes]
    for lane, planned in zip(run.lanes, here.lanes, strict=True):
        begun = (lane.begun,) if lane.begun else ()
        assert (*lane.closed, *begun, *lane.left) == planned.steps
    text = " ".join(word_status(status))
    assert f"round {run.round} of {run.rounds}" in text
    assert all(lane.begun in text for lane in run.lanes)
