"""Looking at a job file beside the program that works on it."""

import hashlib
import os
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from donorfit.edge.journal import job_copy
from donorfit.edge.journal.job_copy import open_copy
from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import JournalError
from donorfit.job.journal import PastAsk


def now():
    return "2026-01-01T00:00:00+00:00"


@pytest.fixture
def path(tmp_path):
    return tmp_path / "job.donorfit"


def read_folder(path):
    return {
        each.name: (each.stat().st_mtime_ns, hashlib.sha256(each.read_bytes()).hexdigest())
        for each in path.parent.iterdir()
    }


# The looking is done in this process and the writing in another one: closing a file that this
# process has open would take its own locks away.
WRITER = """
import sys
from pathlib import Path
from donorfit.edge.journal.job_file import JobFile
from donorfit.job.journal import PastAsk
job = JobFile.create(Path(sys.argv[1]), lambda: "")
run = job.begin_run("apply", "x")
print("ready", flush=True)
for number in range(int(sys.argv[2])):
    job.set_fact("number", str(number), durable=False)
    run.write_intent("apply", PastAsk(number=number, digest="d", binding=True, outcome=None),
                     "w" * 300)
    job.add_record("kind", bytes(str(number), "ascii") * 100)
print("written", flush=True)
sys.stdin.readline()
job.close()
"""


def write_beside(path, number):
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(number)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_what_another_program_has_written_is_seen_and_nothing_is_touched(path):
    with write_beside(path, 3) as writer:
        assert writer.stdout.readline() == "ready\n"
        assert writer.stdout.readline() == "written\n"
        before = read_folder(path)
        with open_copy(path, now) as copy:
            assert copy.read_fact("number") == "2"
            assert len(copy.read_run(1)["apply"]) == 3
            assert copy.path == path
        assert read_folder(path) == before
        # The other one still has it for itself.
        with pytest.raises(JournalError, match="open in another"):
            JobFile.open(path, now)
        writer.communicate("end\n")
    assert writer.returncode == 0


def test_every_look_while_it_is_written_is_whole(path):
    """Records, journal and facts of one moment belong together, over several new logs."""
    seen = set()
    with write_beside(path, 1000) as writer:
        assert writer.stdout.readline() == "ready\n"
        while True:
            with open_copy(path, now) as copy:
                records = len(copy.list_records())  # each checked against its digest
                asks = len(copy.read_run(1).get("apply", ()))
                number = int(copy.read_fact("number") or -1)
            assert records <= asks <= number + 1 <= records + 1
            seen.add(records)
            if records == 1000:
                break
        assert writer.stdout.readline() == "written\n"
        writer.communicate("end\n")
    assert writer.returncode == 0
    assert len(seen) > 5


def test_a_log_that_is_begun_anew_while_it_is_read_is_read_again(path, monkeypatch):
    """The writer takes the log over into the file between our reading of one and of the other."""
    writer = JobFile.create(path, now)
    writer.set_fact("number", "1")
    real, turns = job_copy._read_log, []

    def read_log(log, most=-1):
        content = real(log, most)
        turns.append(most)
        if turns == [32]:
            writer._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            writer.set_fact("number", "2")
        return content

    monkeypatch.setattr(job_copy, "_read_log", read_log)
    with open_copy(path, now) as copy:
        assert copy.read_fact("number") == "2"
    assert len(turns) > 3
    writer.close()


def test_a_file_that_always_changes_is_told(path, monkeypatch):
    writer = JobFile.create(path, now)
    monkeypatch.setattr(job_copy, "_PAUSE_S", 0.0)
    heads = iter(range(10_000))
    monkeypatch.setattr(job_copy, "_read_log", lambda *_: str(next(heads)).encode())
    with pytest.raises(JournalError, match="just now"), open_copy(path, now):
        pass
    writer.close()


@pytest.mark.parametrize("ending", ["killed", "closed"])
def test_after_the_program_is_gone(path, ending):
    with write_beside(path, 2) as writer:
        assert writer.stdout.readline() == "ready\n"
        assert writer.stdout.readline() == "written\n"
        if ending == "killed":
            writer.kill()
        else:
            writer.communicate("end\n")
    before = read_folder(path)
    with open_copy(path, now) as copy:
        assert copy.read_fact("number") == "1"
    assert read_folder(path) == before


def test_a_folder_that_may_only_be_read(path):
    JobFile.create(path, now).close()
    path.chmod(0o444)
    path.parent.chmod(0o555)
    try:
        if os.access(path, os.W_OK):
            pytest.skip("root may write everywhere")
        with open_copy(path, now) as copy:
            assert copy.list_records() == ()
    finally:
        path.parent.chmod(0o755)


def test_nothing_but_the_copy_is_opened_for_writing(path, monkeypatch):
    """As on a disk that may only be read, also for root."""
    JobFile.create(path, now).close()
    path.chmod(0o444)
    before = read_folder(path)
    real = os.access
    monkeypatch.setattr(
        os, "access", lambda name, mode: str(path.parent) not in str(name) and real(name, mode)
    )
    with open_copy(path, now) as copy:
        assert copy.list_records() == ()
    assert read_folder(path) == before


def test_a_file_that_is_being_made_is_waited_for(path, monkeypatch):
    whole = path.with_name("whole.donorfit")
    with JobFile.create(whole, now) as job:
        job.set_fact("number", "7")
    path.write_bytes(b"")
    monkeypatch.setattr(job_copy, "_PAUSE_S", 0.01)
    made = threading.Timer(0.05, whole.replace, (path,))
    made.start()
    with open_copy(path, now) as copy:
        assert copy.read_fact("number") == "7"
    made.join()


def test_a_file_that_stays_empty_is_told(path, monkeypatch):
    monkeypatch.setattr(job_copy, "_PAUSE_S", 0.0)
    path.write_bytes(b"")
    with pytest.raises(JournalError, match="nothing in the job file"), open_copy(path, now):
        pass
    assert path.read_bytes() == b""


@pytest.mark.parametrize(
    "content",
    [b"text", b"SQLite format 3\x00" + b"\xff" * 5000, os.urandom(4096)],
    ids=["text", "rubbish after the head", "binary"],
)
def test_rubbish_is_refused_by_its_own_name(path, content):
    path.write_bytes(content)
    with pytest.raises(JournalError) as caught, open_copy(path, now):
        pass
    assert caught.value.where == str(path)
    assert path.read_bytes() == content


def test_no_room_for_a_copy_is_told(path, monkeypatch):
    JobFile.create(path, now).close()
    monkeypatch.setattr(job_copy.tempfile, "tempdir", str(path.parent / "none"))
    with pytest.raises(JournalError, match="no room"), open_copy(path, now):
        pass


def test_a_damaged_record_is_told_with_the_files_own_name(path):
    with JobFile.create(path, now) as job:
        job.begin_run("apply", "x").write_intent(
            "apply", PastAsk(number=0, digest="d", binding=True, outcome=None), "w"
        )
        job.add_record("plan", b"{}")
        job._connection.execute("UPDATE records SET data = x'00'")
    with (
        pytest.raises(JournalError, match="damaged") as caught,
        open_copy(path, now) as copy,
    ):
        copy.list_records()
    assert str(path) in caught.value.where


def test_no_database_is_opened_where_the_job_lies(path, monkeypatch):
    """What opens none there takes no lock there, however short."""
    JobFile.create(path, now).close()
    opened = []
    real = sqlite3.connect

    def connect(name, *more, **options):
        opened.append(name)
        return real(name, *more, **options)

    monkeypatch.setattr(sqlite3, "connect", connect)
    with open_copy(path, now) as copy:
        copy.list_records()
    assert len(opened) == 1
    assert path.parent not in opened[0].parents


@pytest.mark.parametrize("name", ["", ".", "/"])
def test_a_folder_without_a_name_is_told_like_any(name):
    with pytest.raises(JournalError, match="cannot be opened"), open_copy(Path(name), str):
        pass
