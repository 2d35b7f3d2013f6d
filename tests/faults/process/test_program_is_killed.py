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
from importlib.resources import files
from pathlib import Path

import pytest

from donorfit.assemble import open_store
from donorfit.edge.served_car import serve_car
from donorfit.job.job import PLAN

pytestmark = [
    pytest.mark.journey,
    pytest.mark.skipif(sys.platform == "win32", reason="needs a system with SIGKILL"),
]

DEMO = Path(str(files("donorfit") / "demo"))
PREPARE = ["--support-amps", "50", "--answer", "caution-*=understood", "--answer", "awake-*=yes"]
MOST_RUNS = 12


def command(*arguments):
    return [sys.executable, "-m", "donorfit", *map(str, arguments)]


def call(*arguments):
    return subprocess.run(
        command(*arguments), capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False
    )


def reach(address):
    return ["--car", address, "--keys", str(DEMO / "keys.py"), "--no-input", "--fast", "-q"]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    """A job that is ready to be applied; every trial works on a copy and a fresh car."""
    job = tmp_path_factory.mktemp("job") / "job.donorfit"
    with serve_car(DEMO / "car.toml", fast=True) as address:
        for arguments in (
            ["survey", job, "--pack", DEMO / "pack", *reach(address)],
            ["check", job, "--module", "tow_control_2"],
            ["plan", job],
            ["prepare", job, *PREPARE, *reach(address)],
        ):
            done = call(*arguments)
            assert done.returncode == 0, done.stderr
    return job


def kill_after(seconds, *arguments):
    """Start a command and kill it; its exit code where it was done before that."""
    process = subprocess.Popen(
        command(*arguments),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        return process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
        return None


def run_trial(prepared, folder, dice):
    """Apply with kills at random moments until it is done; return how many kills struck."""
    job = folder / "job.donorfit"
    shutil.copy(prepared, job)
    with open_store(job, create=False) as store:
        digest = store.find_latest(PLAN).digest
    kills = 0
    with serve_car(DEMO / "car.toml", fast=True) as address:
        arguments = ["apply", job, "--write", digest, *reach(address)]
        for _ in range(dice.randint(1, 3)):
            code = kill_after(dice.uniform(0.4, 3.0), *arguments)
            kills += code is None
            assert code in {None, 0, 45}
            status = call("status", job)
            assert status.returncode == 0, status.stderr
            if "Not finished: apply" not in status.stdout and code == 0:
                break
        for _ in range(MOST_RUNS):
            done = call(*arguments)
            if done.returncode == 0:
                break
            assert done.returncode == 45, done.stderr
            time.sleep(0.2)
        assert done.returncode == 0, done.stderr
        proof = call("prove", job, "--answer", "check-*=yes", *reach(address))
        assert proof.returncode == 0, proof.stdout + proof.stderr
        assert "Proof: proved" in proof.stdout
    return kills


@pytest.mark.timeout(300)
def test_a_killed_program_is_taken_up_again(prepared, tmp_path):
    dice = random.Random(11)
    kills = 0
    for trial in range(3):
        (tmp_path / str(trial)).mkdir()
        kills += run_trial(prepared, tmp_path / str(trial), dice)
    assert kills > 0


@pytest.mark.long
@pytest.mark.timeout(5400)
def test_two_hundred_kills(prepared, tmp_path):
    dice = random.Random(12)
    kills = trials = 0
    while kills < 200:
        folder = tmp_path / str(trials)
        folder.mkdir()
        kills += run_trial(prepared, folder, dice)
        trials += 1
        shutil.rmtree(folder)
    print(f"{kills} kills in {trials} jobs, every job proved")
