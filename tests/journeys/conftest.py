"""The demo's car and module for whole jobs through the command line."""

import shlex
from importlib.resources import files
from pathlib import Path

import pytest

from donorfit.cli.root import run
from donorfit.edge.served_car import serve_car

DEMO = Path(str(files("donorfit") / "demo"))
MODULE = "tow_control_2"


@pytest.fixture(scope="session")
def demo_data():
    return DEMO


@pytest.fixture
def donorfit(capfd):
    """Run a command line as a person types it; give exit code, output and error output."""

    def call(*arguments):
        code = run([str(each) for each in arguments])
        said = capfd.readouterr()
        return code, said.out, said.err

    return call


@pytest.fixture
def car():
    """A fresh simulated host car in a second process; its HOST:PORT."""
    with serve_car(DEMO / "car.toml", fast=True) as address:
        yield address


@pytest.fixture
def reach(car):
    return ["--car", car, "--keys", DEMO / "keys.py", "--no-input", "--fast", "-q"]


@pytest.fixture
def planned(donorfit, tmp_path, reach):
    """A job that has its plan, on the car of ``reach``."""
    job = tmp_path / "job.donorfit"
    for command in (
        ["survey", job, "--pack", DEMO / "pack", *reach],
        ["check", job, "--module", MODULE],
        ["plan", job],
    ):
        code, _, err = donorfit(*command)
        assert code == 0, (shlex.join(map(str, command)), err)
    return job
