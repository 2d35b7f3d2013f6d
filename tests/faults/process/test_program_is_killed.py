"""The real program is killed at random moments of a real session over loopback, and taken up again.

What counts is what the car says in the end: the proof reads every record back from the simulated
car's own process, which is never killed.
"""

import random
import shutil
import signal
import subprocess
import sys
import time

import pytest
from program import DEMO, STOPPED, call, copy_job, finish, reach, start

from donorfit.edge.served_car import serve_car

LONGEST_S = 3.0

pytestmark = [
    pytest.mark.journey,
    pytest.mark.skipif(sys.platform == "win32", reason="needs a system with SIGKILL"),
]


def kill_in_session(job, seconds, *arguments):
    """Start a command and kill it so long after it has taken the job file; its exit code, or None.

    Before that nothing is at stake, and how long a program takes to start depends on the machine.
    """
    process = start(*arguments)
    log = job.with_name(f"{job.name}-wal")
    before = log.stat().st_mtime_ns if log.exists() else 0
    while process.poll() is None and not (log.exists() and log.stat().st_mtime_ns != before):
        time.sleep(0.01)
    try:
        return process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
        return None


def run_trial(prepared, folder, dice, *, most_kills):
    """Apply with kills at random moments until it is done; return how many kills struck."""
    job, digest = copy_job(prepared, folder)
    kills = 0
    with serve_car(DEMO / "car.toml", fast=True) as address:
        arguments = ["apply", job, "--write", digest, *reach(address)]
        for _ in range(dice.randint(1, most_kills)):
            code = kill_in_session(job, dice.uniform(0.0, LONGEST_S), *arguments)
            kills += code is None
            assert code in {None, 0, STOPPED}
            if code == 0:
                break
        status = call("status", job)
        assert status.returncode == 0, status.stderr
        finish(job, digest, address)
    return kills


@pytest.mark.timeout(300)
def test_a_killed_program_is_taken_up_again(prepared, tmp_path):
    dice = random.Random(11)
    kills = 0
    for trial in range(2):
        (tmp_path / str(trial)).mkdir()
        kills += run_trial(prepared, tmp_path / str(trial), dice, most_kills=2)
    assert kills > 0


@pytest.mark.long
@pytest.mark.timeout(5400)
def test_two_hundred_kills(prepared, tmp_path):
    dice = random.Random(12)
    kills = trials = 0
    while kills < 200:
        folder = tmp_path / str(trials)
        folder.mkdir()
        kills += run_trial(prepared, folder, dice, most_kills=10)
        trials += 1
        shutil.rmtree(folder)
        print(f"{kills} kills in {trials} jobs, every job proved", flush=True)
