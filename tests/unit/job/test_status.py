"""Where a cut run of lanes stands, from the job file alone."""

import asyncio
import sys
from dataclasses import replace
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
from donorfit.cli.wording import to_json
from donorfit.edge.journal.job_file import JobFile
from donorfit.job.loop import Loop
from donorfit.job.status import describe_status
from donorfit.job.work import AtWork, Running, WorkNote, WorkPart
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


def look(store, at_work=None):
    pasts = {run.run: store.read_run(run.run) for run in store.list_runs()}
    return describe_status(store, pasts, at_work)


def list_closed(run):
    """Every step before the round that the run is in, and those of it that are closed."""
    before = [each for each in PLAN.order.rounds if each.number < run.round]
    return {step for each in before for lane in each.lanes for step in lane.steps} | {
        step for lane in run.lanes for step in lane.closed
    }


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
    rest_s = sum(
        max(
            sum(step.seconds for step in PLAN.steps if step.id in set(lane.steps) - closed)
            for lane in each.lanes
        )
        for each in order.rounds
        for closed in [list_closed(run)]
    )
    assert run.left_s == pytest.approx(rest_s)
    assert (run.steps_done, run.steps) == (len(list_closed(run)), len(PLAN.steps))
    text = " ".join(word_status(status))
    assert f"{run.steps_done} of {run.steps} steps done" in " ".join(text.split())
    assert f"round {run.round} of {run.rounds}" in text
    assert all(lane.begun in text for lane in run.lanes)


def note_work(running, stage="apply"):
    return AtWork(
        running=running,
        process=4711,
        host="bench",
        note=WorkNote(
            stage=stage,
            since="2026-01-01T00:00:00+00:00",
            noted_at="2026-01-01T00:00:09+00:00",
            steps_done=2,
            steps=9,
            parts=(
                WorkPart(step="s03", unit="tow", what="program", done_bytes=5, total_bytes=10),
            ),
            left_s=82.0,
        ),
    )


def look_at_cut_job(tmp_path, at_work):
    with JobFile.create(tmp_path / "job.donorfit", lambda: "2026-01-01T00:00:00+00:00") as store:
        store.add_record("plan", encode(PLAN))
        cut_at(store, 20, seed=20)
        return look(store, at_work)


def test_a_run_at_work_says_who_how_far_and_that_one_waits(tmp_path):
    status = look_at_cut_job(tmp_path, note_work(Running.AT_WORK))
    text = " ".join("\n".join(word_status(status)).split())
    assert "At work now: apply, since 2026-01-01T00:00:00+00:00, by process 4711 on bench." in text
    assert "2 of 9 steps done, about 85 s left (noted at 2026-01-01T00:00:09+00:00)" in text
    assert "s03 tow: program, 5 of 10 bytes" in text
    assert "Next: wait" in text
    assert "resume" not in text
    assert "Not finished" not in text
    plain = to_json(status)["at_work"]
    assert plain["running"] == "at work"
    assert plain["note"]["left_s"] == 82.0
    assert plain["note"]["parts"][0]["done_bytes"] == 5


def test_a_run_whose_program_was_killed_says_so_and_how_to_go_on(tmp_path):
    status = look_at_cut_job(tmp_path, note_work(Running.CUT))
    text = " ".join("\n".join(word_status(status)).split())
    assert "At work" not in text
    assert "cut: process 4711 ended without a word after 2026-01-01T00:00:09+00:00" in text
    assert "s03 tow: program, 5 of 10 bytes" in text
    assert "Next: donorfit resume JOB" in text


def test_a_program_on_another_computer_is_not_guessed_about(tmp_path):
    status = look_at_cut_job(tmp_path, note_work(Running.NOT_SEEN))
    text = " ".join("\n".join(word_status(status)).split())
    assert "Perhaps at work: apply" in text
    assert "cannot be seen from here" in text
    assert "Next: see on bench whether it still runs; if it does not: donorfit resume" in text


def test_a_note_about_a_run_that_has_ended_says_nothing(tmp_path):
    status = look_at_cut_job(tmp_path, note_work(Running.CUT, stage="survey"))
    assert status.at_work is None


def test_a_question_that_is_open_is_told(tmp_path):
    at_work = note_work(Running.AT_WORK)
    at_work = replace(at_work, note=replace(at_work.note, waits_for="Are the doors shut?"))
    text = " ".join("\n".join(word_status(look_at_cut_job(tmp_path, at_work))).split())
    assert "It waits for an answer since 2026-01-01T00:00:09+00:00: Are the doors shut?" in text
    assert "2 of 9 steps done" in text
    assert "Next: give the answer where it is asked" in text


def test_a_question_at_which_a_program_was_killed_waits_no_more(tmp_path):
    at_work = note_work(Running.CUT)
    at_work = replace(at_work, note=replace(at_work.note, waits_for="Are the doors shut?"))
    text = " ".join("\n".join(word_status(look_at_cut_job(tmp_path, at_work))).split())
    assert "It was waiting for an answer since 2026-01-01T00:00:09+00:00: Are the" in text
    assert "Next: donorfit resume JOB" in text
