"""What resuming takes up."""

import hashlib
from dataclasses import replace

import pytest
from test_status import PACK, PLAN
from test_status import PREPARATION as WITHOUT_SUMS

from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import JournalError, SafetyError
from donorfit.job.job import Job
from donorfit.job.unfinished import find_unfinished, list_open_runs
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest, encode

PREPARATION = replace(
    WITHOUT_SUMS,
    backups=tuple(
        replace(each, sha256=hashlib.sha256(each.data).hexdigest())
        for each in WITHOUT_SUMS.backups
    ),
)
OTHER = replace(PLAN, month_reason="planned since")


@pytest.fixture
def store(tmp_path):
    with JobFile.create(tmp_path / "job.donorfit", lambda: "2026-01-01T00:00:00+00:00") as file:
        for kind, record in (("plan", PLAN), ("preparation", PREPARATION), ("plan", OTHER)):
            file.add_record(kind, encode(record))
        yield file


def name_context(plan=PLAN):
    return f"{compute_digest(plan)} {compute_digest(PREPARATION)}"


def test_a_cut_run_belongs_to_the_plan_that_was_confirmed(store):
    store.begin_run("apply", name_context())
    unfinished = find_unfinished(store)
    assert (unfinished.stage, unfinished.plan_digest) == ("apply", compute_digest(PLAN))


def test_a_later_run_of_the_same_stage_takes_its_place(store):
    store.begin_run("prepare", "one plan")
    store.begin_run("prepare", "another").end()
    store.begin_run("apply", name_context())
    store.begin_run("apply", name_context(OTHER))
    assert [run.stage for run in list_open_runs(store)] == ["apply"]
    assert find_unfinished(store).plan_digest == compute_digest(OTHER)


def test_a_preparation_of_an_earlier_plan_is_not_told_as_open(store):
    store.begin_run("prepare", compute_digest(OTHER))
    assert [run.stage for run in list_open_runs(store)] == ["prepare"]
    store.add_record("plan", encode(replace(PLAN, month_reason="planned once more")))
    assert list_open_runs(store) == ()
    assert find_unfinished(store).stage == ""


@pytest.mark.parametrize("stage", ["survey", "bench survey", "prepare", "prove"])
def test_what_went_on_without_an_abandoned_stage_takes_its_place(store, stage):
    store.begin_run(stage, compute_digest(OTHER))
    assert [run.stage for run in list_open_runs(store)] == [stage]
    store.begin_run("apply", name_context(OTHER)).end()
    assert list_open_runs(store) == ()


def test_a_cut_change_is_taken_up_before_the_preparation_of_the_way_back(store):
    store.begin_run("apply", name_context())
    store.begin_run("prepare", compute_digest(OTHER))
    assert find_unfinished(store).plan_digest == compute_digest(PLAN)


def test_a_stopped_run_that_ended_is_taken_up_with_its_own_plan(store):
    change = ChangeRecord(
        plan_digest=compute_digest(PLAN),
        preparation_digest=compute_digest(PREPARATION),
        vin=PLAN.vin,
        steps=(),
        finished=False,
        changed=(),
        stop_reason="supply",
    )
    store.add_record("change", encode(change))
    assert find_unfinished(store).plan_digest == compute_digest(PLAN)
    store.add_record("change", encode(replace(change, finished=True)))
    assert find_unfinished(store).stage == ""


def test_what_was_confirmed_is_the_newest_again(store):
    for backup in PREPARATION.backups:
        store.add_backup(backup.data)
    job = Job(pack=PACK, store=store, now=str)
    job.take_up(compute_digest(PLAN), compute_digest(PREPARATION))
    assert store.find_latest("plan").digest == compute_digest(PLAN)
    with pytest.raises(JournalError, match="not in the job file"):
        job.take_up("0" * 64, compute_digest(PREPARATION))


def test_what_may_not_go_on_is_refused_and_the_records_stay(store):
    job = Job(pack=PACK, store=store, now=str)
    before = store.list_records()
    with pytest.raises(SafetyError, match="is damaged"):
        job.take_up(compute_digest(PLAN), compute_digest(PREPARATION))
    assert store.list_records() == before
