"""The real program on a computer that sleeps, jumps in time, fills up or may not write."""

from __future__ import annotations

import hashlib
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest
from program import DEMO, NO_JOURNAL, STOPPED, call, copy_job, finish, reach, start

from donorfit.assemble import open_store
from donorfit.edge.served_car import serve_car
from donorfit.job.job import CHANGE

pytestmark = [
    pytest.mark.journey,
    pytest.mark.timeout(300),
    pytest.mark.skipif(sys.platform == "win32", reason="needs signals and mounts of Unix"),
]

S3_S = 5.0

# The program with a wall clock that is somewhere else at every look; monotonic time is left alone.
JUMPING_CLOCK = """\
import itertools, runpy, time
from datetime import datetime, timezone
import donorfit.assemble as assemble
real, jumps = time.time, itertools.cycle((0.0, 86400.0, -7200.0, 3.0e7, -1.0e6))
time.time = lambda: real() + next(jumps)
assemble.read_wall_clock = lambda: datetime.fromtimestamp(time.time(), timezone.utc).isoformat()
runpy.run_module("donorfit", run_name="__main__", alter_sys=True)
"""


@contextmanager
def small_disk(folder, kilobytes):
    """A disk of its own, so small that it can be full; needs the right to mount."""
    folder.mkdir()
    options = f"size={kilobytes}k"
    mounted = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if not mounted or mounted.returncode:
        pytest.skip("needs the right to mount a disk in memory")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.long
@pytest.mark.parametrize("after_s", [0.6, 1.2, 2.0])
def test_34_a_computer_that_sleeps_longer_than_the_session_lives(prepared, tmp_path, after_s):
    job, digest = copy_job(prepared, tmp_path)
    with serve_car(DEMO / "car.toml", fast=True) as address:
        process = start("apply", job, "--write", digest, *reach(address))
        time.sleep(after_s)
        process.send_signal(signal.SIGSTOP)
        time.sleep(S3_S + 0.5)
        process.send_signal(signal.SIGCONT)
        assert process.wait(120) in {0, STOPPED}
        finish(job, digest, address)


@pytest.mark.long
def test_37_a_wall_clock_that_jumps_at_every_look(prepared, tmp_path):
    program = tmp_path / "jumping.py"
    program.write_text(JUMPING_CLOCK, encoding="utf-8")
    job, digest = copy_job(prepared, tmp_path)
    with serve_car(DEMO / "car.toml", fast=True) as address:
        finish(job, digest, address, program=program)
    with open_store(job, create=False) as store:
        rows = store._connection.execute("SELECT at FROM entries ORDER BY sequence").fetchall()
    assert rows != sorted(rows), "the clock did not jump"


@pytest.mark.long
@pytest.mark.parametrize("room_kilobytes", [8, 40, 120])
def test_36_a_full_disk_stops_before_the_next_change(prepared, tmp_path, room_kilobytes):
    size_kilobytes = prepared.stat().st_size // 1024 + room_kilobytes
    with small_disk(tmp_path / "disk", size_kilobytes) as disk:
        job, digest = copy_job(prepared, disk)
        with serve_car(DEMO / "car.toml", fast=True) as address:
            done = call("apply", job, "--write", digest, *reach(address))
            assert done.returncode == NO_JOURNAL, (done.returncode, done.stderr)
            assert "disk is full" in done.stderr
            assert "Traceback" not in done.stderr
            elsewhere = tmp_path / "job.donorfit"
            for part in disk.iterdir():
                shutil.copy(part, elsewhere.with_name(part.name))
            finish(elsewhere, digest, address)


def test_36_a_journal_that_may_only_be_read_stops_before_anything_is_sent(prepared, tmp_path):
    with small_disk(tmp_path / "disk", 4096) as disk:
        job, digest = copy_job(prepared, disk)
        before = hashlib.sha256(job.read_bytes()).hexdigest()
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        # Nobody is there to connect to: the journal comes first.
        done = call("apply", job, "--write", digest, *reach("127.0.0.1:9"))
        assert done.returncode == NO_JOURNAL, done.stderr
        assert "written" in done.stderr
        assert hashlib.sha256(job.read_bytes()).hexdigest() == before


def test_16_another_car_at_the_other_end_is_left_alone(prepared, tmp_path):
    job, digest = copy_job(prepared, tmp_path)
    text = (DEMO / "car.toml").read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(text.replace("ZZ9MRE1A3L0004217", "ZZ9MRE1A3L0004299"), encoding="utf-8")
    with serve_car(other, fast=True) as address:
        done = call("apply", job, "--write", digest, *reach(address))
    assert done.returncode in range(40, 45), (done.returncode, done.stderr)
    assert "ZZ9MRE1A3L0004299" in done.stderr
    with open_store(job, create=False) as store:
        assert [each.kind for each in store.list_records()][-1] != CHANGE


def test_38_a_second_program_on_the_same_job_is_told(prepared, tmp_path):
    job, digest = copy_job(prepared, tmp_path)
    with serve_car(DEMO / "car.toml", fast=True) as address, open_store(job, create=False):
        done = call("apply", job, "--write", digest, *reach(address))
        assert done.returncode == NO_JOURNAL
        assert "open in another donorfit" in done.stderr
