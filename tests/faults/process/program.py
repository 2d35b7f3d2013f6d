"""The real program and a simulated car, each a process of its own."""

from __future__ import annotations

import shutil
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

from donorfit.assemble import open_store
from donorfit.job.job import PLAN

DEMO = Path(str(files("donorfit") / "demo"))
PREPARE = ["--support-amps", "50", "--answer", "caution-*=understood", "--answer", "awake-*=yes"]
STOPPED = 45
NO_JOURNAL = 50


def command(*arguments):
    return [sys.executable, "-m", "donorfit", *map(str, arguments)]


def call(*arguments, program=None):
    """Run a command to its end; ``program`` is a script that runs donorfit its own way."""
    line = command(*arguments)
    return subprocess.run(
        line if program is None else [sys.executable, str(program), *line[3:]],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def start(*arguments):
    """Start a command and leave it running."""
    return subprocess.Popen(
        command(*arguments),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def reach(address):
    return ["--car", address, "--keys", str(DEMO / "keys.py"), "--no-input", "--fast", "-q"]


def copy_job(prepared, folder):
    """A job of its own that is ready to be applied, and the digest of its plan."""
    job = folder / "job.donorfit"
    shutil.copy(prepared, job)
    with open_store(job, create=False) as store:
        return job, store.find_latest(PLAN).digest


def finish(job, digest, address, *, program=None, most_runs=12):
    """Apply until it is done, and let the car's own process say that it is."""
    done = None
    for _ in range(most_runs):
        done = call("apply", job, "--write", digest, *reach(address), program=program)
        if done.returncode == 0:
            break
        assert done.returncode == STOPPED, done.stderr
    assert done is not None
    assert done.returncode == 0, done.stderr
    proof = call("prove", job, "--answer", "check-*=yes", *reach(address), program=program)
    assert proof.returncode == 0, proof.stdout + proof.stderr
    assert "Proof: proved" in proof.stdout
