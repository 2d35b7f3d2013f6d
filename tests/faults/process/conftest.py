"""A job that is ready to be applied; every trial works on a copy and a fresh car."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from program import DEMO, PREPARE, call, reach

from donorfit.edge.served_car import serve_car


@pytest.fixture(scope="session")
def prepared(tmp_path_factory):
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
