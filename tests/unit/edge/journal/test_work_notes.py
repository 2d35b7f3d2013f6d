"""Who is at work on a job file, and how that is known."""

import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace

import pytest

from donorfit.edge.host import processes
from donorfit.edge.host.processes import is_running, read_own_process, read_process
from donorfit.edge.journal import work_notes
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.work_notes import WorkNotes, read_at_work
from donorfit.job.remaining import Measured
from donorfit.job.work import Running, WorkNote, WorkPart
from donorfit.records.plan import StepKind

NOTE = WorkNote(
    stage="apply",
    since="2026-01-01T00:00:00+00:00",
    noted_at="2026-01-01T00:00:07+00:00",
    steps_done=2,
    steps=9,
    parts=(WorkPart(step="s03", unit="tow", what="program", done_bytes=5, total_bytes=10),),
    left_s=12.5,
    plan_digest="d1",
    measured=(Measured(kind=StepKind.RESET, steps=1, planned_s=4.0, taken_s=3.0),),
)


@pytest.fixture
def job(tmp_path):
    with JobFile.create(tmp_path / "job.donorfit", lambda: "") as job:
        yield job


def test_a_note_says_who_is_at_work_until_its_end(job):
    assert read_at_work(job, job.path) is None
    notes = WorkNotes(job)
    notes.end()
    assert read_at_work(job, job.path) is None
    notes.keep(NOTE)
    at_work = read_at_work(job, job.path)
    assert (at_work.running, at_work.process, at_work.note) == (
        Running.AT_WORK,
        os.getpid(),
        NOTE,
    )
    notes.end()
    assert read_at_work(job, job.path) is None
    assert WorkNotes(job).find_measured("d1") == NOTE.measured
    assert WorkNotes(job).find_measured("d2") == ()


KEEP = """
import sys, time
from pathlib import Path
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.work_notes import WorkNotes
from donorfit.job.work import WorkNote
job = JobFile.open(Path(sys.argv[1]), lambda: "")
WorkNotes(job).keep(WorkNote(stage="apply", since="a", noted_at="b"))
print("kept", flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_a_killed_program_counts_as_cut(tmp_path):
    path = tmp_path / "job.donorfit"
    JobFile.create(path, lambda: "").close()
    with subprocess.Popen(
        [sys.executable, "-c", KEEP, str(path)], stdout=subprocess.PIPE
    ) as keeper:
        keeper.stdout.readline()
        keeper.send_signal(signal.SIGKILL)
    with JobFile.open(path, lambda: "") as job:
        at_work = read_at_work(job, path)
    assert (at_work.running, at_work.process) == (Running.CUT, keeper.pid)


def test_a_copied_job_is_not_the_one_that_is_worked_on(job, tmp_path):
    WorkNotes(job).keep(NOTE)
    job._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other = tmp_path / "other.donorfit"
    shutil.copy(job.path, other)
    with JobFile.open(other, lambda: "") as copy:
        assert read_at_work(copy, other).running is Running.CUT


def test_another_computers_program_is_not_guessed_about(job, monkeypatch):
    WorkNotes(job).keep(NOTE)
    monkeypatch.setattr(work_notes, "read_host_name", lambda: "elsewhere")
    assert read_at_work(job, job.path).running is Running.NOT_SEEN


def test_a_note_of_another_version_is_passed_over(job):
    job.set_fact("at work", '{"form": 9}')
    assert read_at_work(job, job.path) is None
    assert WorkNotes(job).find_measured("d1") == ()


def test_a_full_disk_does_not_stop_the_work(job):
    notes = WorkNotes(job)
    pages = job._connection.execute("PRAGMA page_count").fetchone()[0]
    job._connection.execute(f"PRAGMA max_page_count={pages}")
    notes.keep(replace(NOTE, stage="x" * 100_000))
    notes.end()


def test_a_process_number_that_was_given_out_again_is_another_process():
    own = read_own_process()
    assert is_running(own)
    assert not is_running(
        replace(own, started_s=own.started_s - 60, since_boot_s=own.since_boot_s - 60)
    )
    assert not is_running(replace(own, number=2**22 + 7))


@pytest.mark.parametrize("jump_s", [3600.0, -86400.0])
def test_a_wall_clock_that_was_set_makes_nobody_dead(jump_s):
    """Some systems reckon the start from the time of the boot, some the other way round."""
    own = read_own_process()
    assert is_running(replace(own, started_s=own.started_s + jump_s))
    assert is_running(replace(own, since_boot_s=own.since_boot_s + jump_s))


def test_a_process_that_says_nothing_counts_as_running(monkeypatch):
    psutil = pytest.importorskip("psutil")
    own = read_own_process()

    def refuse(_):
        raise psutil.AccessDenied

    monkeypatch.setattr(psutil, "Process", refuse)
    assert read_process(own.number).started_s == 0.0
    assert is_running(own)
    assert processes.read_host_name()
