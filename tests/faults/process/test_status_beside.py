"""The job file is looked at while the real program works on it, and after it was killed."""

import json
import signal
import subprocess
import sys
import time

import pytest
from program import DEMO, call, command, copy_job, finish, reach

from donorfit.edge.journal.job_copy import open_copy
from donorfit.edge.journal.work_notes import read_at_work
from donorfit.edge.served_car import serve_car
from donorfit.job.status import describe_status
from donorfit.job.work import Running

pytestmark = [pytest.mark.journey, pytest.mark.timeout(300)]


def begin(job, digest, address, *more):
    return subprocess.Popen(
        command("apply", job, "--write", digest, *reach(address), *more),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def look(job):
    with open_copy(job, str) as store:
        pasts = {run.run: store.read_run(run.run) for run in store.list_runs()}
        return describe_status(store, pasts, read_at_work(store, job))


def test_looking_all_the_time_disturbs_nothing(prepared, tmp_path):
    job, digest = copy_job(prepared, tmp_path)
    with serve_car(DEMO / "car.toml", fast=True) as address:
        session = begin(job, digest, address)
        seen = []
        while session.poll() is None:
            status = look(job)
            if status.at_work is not None:
                seen.append(status.at_work)
            time.sleep(0.02)
        assert (session.returncode, session.stderr.read()) == (0, "")
        proof = call("prove", job, "--answer", "check-*=yes", *reach(address))
        assert "Proof: proved" in proof.stdout
    assert {(each.running, each.process, each.note.stage) for each in seen} == {
        (Running.AT_WORK, session.pid, "apply")
    }
    done = [each.note.steps_done for each in seen]
    assert done == sorted(done)
    assert len(set(done)) > 3
    # Before the first step nothing is known of the place.
    assert all((each.note.left_s is None) == (each.note.steps == 0) for each in seen)
    assert all(each.note.left_s >= 0.0 for each in seen if each.note.steps)
    assert look(job).at_work is None


@pytest.mark.skipif(sys.platform == "win32", reason="needs a system with SIGKILL")
def test_status_of_a_killed_session_says_that_it_was_cut(prepared, tmp_path):
    job, digest = copy_job(prepared, tmp_path)
    with serve_car(DEMO / "car.toml", fast=True) as address:
        session = begin(job, digest, address)
        while (status := look(job)).at_work is None or not status.at_work.note.steps_done:
            time.sleep(0.01)
        session.send_signal(signal.SIGSTOP)
        stopped = call("status", job)
        assert f"At work now: apply, since {status.at_work.note.since}" in stopped.stdout
        session.send_signal(signal.SIGKILL)
        session.wait()
        said = call("status", job)
        assert said.returncode == 0, said.stderr
        assert f"cut: process {session.pid} ended without a word" in said.stdout.replace("\n", " ")
        assert "At work now" not in said.stdout
        assert "Next: donorfit resume JOB" in said.stdout
        plain = json.loads(call("status", job, "--json").stdout)
        assert plain["at_work"]["running"] == "cut"
        finish(job, digest, address)


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_fifty_times_status_beside_sessions_of_real_length(prepared, tmp_path):
    """As many sessions as it takes, since how fast a program starts depends on the machine."""
    looks = sessions = 0
    while looks < 50:
        folder = tmp_path / str(sessions)
        folder.mkdir()
        job, digest = copy_job(prepared, folder)
        with serve_car(DEMO / "car.toml", fast=False) as address:
            line = [each for each in reach(address) if each != "--fast"]
            session = subprocess.Popen(
                command("apply", job, "--write", digest, *line),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            )
            while session.poll() is None:
                said = call("status", job)
                assert (said.returncode, said.stderr) == (0, "")
                looks += "At work now: apply" in said.stdout
            assert (session.returncode, session.stderr.read()) == (0, "")
            proof = call("prove", job, "--answer", "check-*=yes", *line)
            assert "Proof: proved" in proof.stdout
        sessions += 1
    print(f"{looks} looks beside {sessions} sessions")
