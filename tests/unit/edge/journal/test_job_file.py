"""The job file: what it keeps, what it refuses, and what a second program is told."""

import os
import sqlite3
import subprocess
import sys

import pytest

from donorfit.diagnostics.conversation import Answered, Chosen, NotSent, Paused, Refused, Unknown
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.lock_outs import LastingLockOuts
from donorfit.edge.journal.memory import MemoryRun
from donorfit.edge.journal.schema import MIGRATIONS
from donorfit.errors import JournalError
from donorfit.job.journal import PastAsk
from donorfit.vehicle.identity import UnitId

OUTCOMES = (
    Answered(pdu=b"\x6e\x30\x01"),
    Refused(code=0x33),
    NotSent(why="link lost"),
    Unknown(why="no answer"),
    Chosen(choice="yes"),
    Paused(),
)


def now():
    return "2026-01-01T00:00:00+00:00"


@pytest.fixture
def path(tmp_path):
    return tmp_path / "job.donorfit"


@pytest.fixture
def job(path):
    with JobFile.create(path, now) as job:
        yield job


def ask(number, *, binding=True):
    return PastAsk(number=number, digest="d", binding=binding, outcome=None)


@pytest.fixture(params=["file", "memory"])
def run(request):
    if request.param == "memory":
        return MemoryRun()
    return request.getfixturevalue("job").begin_run("apply", "context")


def test_every_kind_of_outcome_comes_back(run):
    for number, outcome in enumerate(OUTCOMES):
        run.write_intent("apply", ask(number), "what")
        run.write_outcome("apply", number, outcome, binding=True)
    assert tuple(past.outcome for past in run.read_past()["apply"]) == OUTCOMES


def test_an_intent_alone_has_no_outcome(run):
    run.write_intent("apply", ask(0), "what")
    assert run.read_past()["apply"][0].outcome is None


def test_a_cut_takes_back_what_came_after_it_and_only_there(run):
    for number in range(4):
        run.write_intent("apply", ask(number, binding=number < 2), "what")
        run.write_outcome("apply", number, Paused(), binding=False)
    run.write_intent("apply/other", ask(3), "what")
    run.write_cut("apply", 2)
    run.write_intent("apply", ask(2), "again")
    past = run.read_past()
    assert [each.number for each in past["apply"]] == [0, 1, 2]
    assert past["apply"][2].outcome is None
    assert [each.number for each in past["apply/other"]] == [3]


def test_an_unfinished_run_is_taken_up_and_an_ended_one_is_not(path):
    with JobFile.create(path, now) as job:
        job.begin_run("apply", "x").write_intent("apply", ask(0), "what")
    with JobFile.open(path, now) as job:
        run = job.begin_run("apply", "x")
        assert run.taken_up
        assert len(run.read_past()["apply"]) == 1
        run.end()
        assert not job.begin_run("apply", "x").taken_up
        assert not job.begin_run("apply", "other").taken_up


def test_records_and_backups_come_back_by_digest(job):
    digest = job.add_record("plan", b'{"a":1}')
    assert job.find_latest("plan").digest == digest
    backup = job.add_backup(b"\x01\x02")
    assert job.add_backup(b"\x01\x02") == backup
    assert job.read_backup(backup) == b"\x01\x02"
    assert job.read_backup("0" * 64) is None


def test_a_damaged_record_is_told(path):
    with JobFile.create(path, now) as job:
        job.add_record("plan", b'{"a":1}')
        job.add_backup(b"old")
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE records SET data = ?", (b'{"a":2}',))
        raw.execute("UPDATE backups SET data = ?", (b"new",))
        digest = raw.execute("SELECT sha256 FROM backups").fetchone()[0]
    raw.close()
    with JobFile.open(path, now) as job:
        with pytest.raises(JournalError, match="damaged"):
            job.list_records()
        assert job.read_backup(digest) is None


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"text",
        b"SQLite format 3\x00",
        b"SQLite format 3\x00" + b"\xff" * 5000,
        os.urandom(4096),
    ],
    ids=["empty", "text", "head only", "rubbish after the head", "binary"],
)
def test_a_file_that_is_no_job_file_is_refused_and_left_alone(path, content):
    path.write_bytes(content)
    with pytest.raises(JournalError):
        JobFile.open(path, now)
    assert path.read_bytes() == content


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for place in (tmp_path / "none.donorfit", tmp_path):
        with pytest.raises(JournalError):
            JobFile.open(place, now)


def test_another_programs_database_is_refused(path):
    with sqlite3.connect(path) as raw:
        raw.execute("CREATE TABLE theirs (x)")
    raw.close()
    with pytest.raises(JournalError, match="not a job file"):
        JobFile.open(path, now)


def test_a_newer_form_is_refused(path):
    JobFile.create(path, now).close()
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version={len(MIGRATIONS) + 1}")
    raw.close()
    with pytest.raises(JournalError, match="newer"):
        JobFile.open(path, now)


def test_a_truncated_file_ends_in_an_error_of_the_tree(path):
    with JobFile.create(path, now) as job:
        for number in range(200):
            job.add_record("plan", bytes(str(number), "ascii") * 100)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(JournalError), JobFile.open(path, now) as job:
        job.list_records()


def test_a_second_program_is_told(path):
    with JobFile.create(path, now):
        code = (
            "import sys; from pathlib import Path;"
            "from donorfit.edge.journal.job_file import JobFile;"
            "from donorfit.errors import JournalError\n"
            "try: JobFile.open(Path(sys.argv[1]), lambda: '')\n"
            "except JournalError as error: print(error.what)"
        )
        said = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
        ).stdout
    assert "open in another" in said


def test_a_killed_program_leaves_what_it_wrote(path):
    code = (
        "import os, sys; from pathlib import Path;"
        "from donorfit.edge.journal.job_file import JobFile;"
        "from donorfit.job.journal import PastAsk\n"
        "job = JobFile.create(Path(sys.argv[1]), lambda: '')\n"
        "run = job.begin_run('apply', 'x')\n"
        "run.write_intent('apply', PastAsk(number=0, digest='d', binding=True, outcome=None), 'w')\n"
        "os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    with JobFile.open(path, now) as job:
        run = job.begin_run("apply", "x")
        assert run.taken_up
        assert run.read_past()["apply"][0].outcome is None


def test_a_full_disk_is_told_before_anything_is_sent(job):
    run = job.begin_run("apply", "x")
    # SQLite reports its page limit exactly as it reports a full disk (SQLITE_FULL).
    pages = job._connection.execute("PRAGMA page_count").fetchone()[0]
    job._connection.execute(f"PRAGMA max_page_count={pages}")
    with pytest.raises(JournalError, match="full"):
        for number in range(10_000):
            run.write_intent("apply", ask(number), "x" * 500)


def test_a_read_only_file_is_told_at_once(path, monkeypatch):
    JobFile.create(path, now).close()
    path.chmod(0o444)
    if os.access(path, os.W_OK):  # root may write everywhere but on a read-only disk
        monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(JournalError, match="written"):
        JobFile.open(path, now)


def test_a_lock_out_outlives_the_program_and_is_never_longer_than_it_was_set(path):
    time_s = [1000.0]
    with JobFile.create(path, now) as job:
        LastingLockOuts(job, lambda: time_s[0]).set_seconds(UnitId("body"), 1, 10.0)
    with JobFile.open(path, now) as job:
        lock_outs = LastingLockOuts(job, lambda: time_s[0])
        time_s[0] = 1004.0
        assert lock_outs.get_seconds_left(UnitId("body"), 1) == 6.0
        assert lock_outs.get_seconds_left(UnitId("body"), 3) == 0.0
        time_s[0] = 10.0  # the wall clock jumped back
        assert lock_outs.get_seconds_left(UnitId("body"), 1) == 10.0
        time_s[0] = 2000.0
        assert lock_outs.get_seconds_left(UnitId("body"), 1) == 0.0
