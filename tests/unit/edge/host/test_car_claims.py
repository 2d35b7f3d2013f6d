"""Two programs on one car: the second is told, and a dead one leaves nothing in the way."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from donorfit.edge.host.car_claims import FILE_NAME, CarClaims
from donorfit.edge.host.processes import ProcessMark
from donorfit.errors import SafetyError

CAR = "ZZ9MRE1A3L0004217"
HOLD = """
import sys
from pathlib import Path
from donorfit.edge.host.car_claims import CarClaims
claims = CarClaims(Path(sys.argv[1]), job=Path("other.donorfit"), now=lambda: "2026-01-02T03:04")
claims.claim(sys.argv[2])
print("held", flush=True)
sys.stdin.read()
"""


def make(folder, job="mine.donorfit", **options):
    return CarClaims(folder, job=Path(job), now=lambda: "2026-01-01T00:00", **options)


@pytest.fixture
def other(tmp_path):
    """Another process that holds the car."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path), CAR],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdin.close()
    process.stdout.close()


def test_the_second_program_is_told_who_has_the_car(tmp_path, other):
    with pytest.raises(SafetyError) as refused:
        make(tmp_path).claim(CAR)
    text = str(refused.value)
    assert f"process {other.pid}" in text
    assert "other.donorfit" in text
    assert "2026-01-02T03:04" in text
    make(tmp_path).claim("another car")


def test_who_is_at_work_on_a_job_is_known_while_it_runs(tmp_path, other):
    job = Path("other.donorfit")
    holder = make(tmp_path, job).find_job_holder()
    assert (holder.process, holder.car) == (other.pid, CAR)
    assert make(tmp_path, "mine.donorfit").find_job_holder() is None
    assert make(tmp_path / "nothing", job).find_job_holder() is None
    mine = make(tmp_path, "mine.donorfit")
    mine.claim("a car of our own")
    assert mine.find_job_holder() is None  # another program is asked for
    other.kill()
    other.wait()
    assert make(tmp_path, job).find_job_holder() is None


def test_a_killed_program_lets_go_and_its_job_is_named(tmp_path, other):
    other.kill()
    other.wait()
    claims = make(tmp_path)
    claims.claim(CAR)
    (note,) = claims.notes
    assert f"process {other.pid}" in note
    assert "other.donorfit" in note


def mark(started_s, since_boot_s=50.0):
    """What the system says of every process."""
    return lambda number: ProcessMark(
        number=number, started_s=started_s, since_boot_s=since_boot_s
    )


def test_a_process_number_that_was_given_out_again_is_not_the_old_process(tmp_path):
    old = make(tmp_path, read_process=mark(1000.0, 50.0))
    old.claim(CAR)
    make(tmp_path, read_process=mark(5000.0, 4050.0)).claim(CAR)


@pytest.mark.parametrize("said", [1000.0, 0.0])
def test_in_doubt_the_other_one_is_alive(tmp_path, said):
    make(tmp_path, read_process=mark(1000.0)).claim(CAR)
    with pytest.raises(SafetyError):
        make(tmp_path, read_process=mark(said)).claim(CAR)


@pytest.mark.parametrize("jump_s", [3600.0, -86400.0])
def test_a_wall_clock_that_was_set_does_not_end_a_claim(tmp_path, jump_s):
    # A laptop that comes to a network sets its clock; systems reckon when a process began from it.
    make(tmp_path, read_process=mark(1e9)).claim(CAR)
    with pytest.raises(SafetyError):
        make(tmp_path, read_process=mark(1e9 + jump_s)).claim(CAR)
    assert make(tmp_path, "x", read_process=mark(1e9 + jump_s)).find_job_holder() is None


def test_claims_of_a_program_from_before_count(tmp_path):
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as claims:
        claims.execute(
            "CREATE TABLE claims (car TEXT PRIMARY KEY, process INTEGER NOT NULL, "
            "started REAL NOT NULL, job TEXT NOT NULL, since TEXT NOT NULL)"
        )
        claims.execute("INSERT INTO claims VALUES (?, 1, 1000.0, 'old', '2026')", (CAR,))
        claims.commit()
    with pytest.raises(SafetyError):
        make(tmp_path, read_process=mark(1000.0)).claim(CAR)
    make(tmp_path, read_process=mark(5000.0)).claim(CAR)


def test_what_was_given_back_is_free(tmp_path):
    first = make(tmp_path)
    first.claim(CAR)
    first.claim(CAR)
    first.release()
    first.release()
    second = make(tmp_path)
    second.claim(CAR)
    assert second.notes == []


def test_a_folder_that_cannot_be_written_is_told_and_stops_nothing(tmp_path):
    (tmp_path / "file").write_text("x")
    claims = make(tmp_path / "file")
    claims.claim(CAR)
    claims.release()
    (note,) = claims.notes
    assert "cannot be seen" in note


def test_a_damaged_file_is_told_and_stops_nothing(tmp_path):
    (tmp_path / FILE_NAME).write_bytes(b"rubbish" * 100)
    claims = make(tmp_path)
    claims.claim(CAR)
    assert "cannot be seen" in claims.notes[0]
