"""The small simulated car, and a process that serves it."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.simulator.car import SimulatedCar


@pytest.fixture
def small_car(repository: Path) -> SimulatedCar:
    return SimulatedCar(
        read_scenario(repository / "tests/data/scenarios/small_car.toml"), fast=True
    )


@pytest.fixture
def serve(repository: Path, tmp_path: Path) -> Iterator:
    """Starts ``donorfit simulate`` and says its port; ended by process id."""
    started: list[subprocess.Popen] = []

    def start(file: Path) -> int:
        process = subprocess.Popen(
            [sys.executable, "-m", "donorfit", "simulate", str(file), "--fast"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=tmp_path,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        started.append(process)
        return int(process.stdout.readline().split()[2].partition(":")[2])

    yield start
    for process in started:
        process.terminate()
        process.wait(20)
        process.stdout.close()
