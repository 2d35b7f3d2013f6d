"""The import contracts hold, and each of them catches the breach that it is there for."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

LAYERS = "Imports go down only, and every package has its layer"
STAGES = "Stages meet only in records"
CORE = "Only the edge and the shells touch the world"
THREADS = "Only the loop and what is above it runs things side by side"
SIMULATOR = "The simulated car borrows nothing from the reasoning it is there to check"
CYCLES = "No package imports itself in a ring"
VERDICT = re.compile(r"^(\S.*) (KEPT|BROKEN)\b", re.MULTILINE)

# name: files written into a copy of the source, and the contract that must break
BREACHES = {
    "engine imports an engine": (
        {"equipment/breach.py": "import donorfit.faults.breach", "faults/breach.py": ""},
        LAYERS,
    ),
    "engine imports a stage": (
        {"network/breach.py": "import donorfit.stages.breach", "stages/breach.py": ""},
        LAYERS,
    ),
    "values import records": (
        {"vehicle/breach.py": "import donorfit.records.breach", "records/breach.py": ""},
        LAYERS,
    ),
    "page imports the command line": (
        {"web/breach.py": "import donorfit.cli.breach", "cli/breach.py": ""},
        LAYERS,
    ),
    "job imports the edge": (
        {"job/breach.py": "import donorfit.edge.breach", "edge/breach.py": ""},
        LAYERS,
    ),
    "stage imports the simulator": (
        {"stages/breach.py": "import donorfit.simulator.breach", "simulator/breach.py": ""},
        LAYERS,
    ),
    "package without a layer": ({"undeclared/breach.py": ""}, LAYERS),
    "stage imports a stage": (
        {"stages/breach_one.py": "import donorfit.stages.breach_two", "stages/breach_two.py": ""},
        STAGES,
    ),
    "socket in an engine": ({"diagnostics/breach.py": "import socket"}, CORE),
    "clock in a stage": ({"stages/breach.py": "from time import monotonic"}, CORE),
    "dice in the simulator": ({"simulator/breach.py": "import random"}, CORE),
    "file path in records": ({"records/breach.py": "from pathlib import Path"}, CORE),
    "file reader in an engine": ({"network/breach.py": "import cantools"}, CORE),
    "file path in a new package": ({"undeclared/breach.py": "import os.path"}, CORE),
    "log through another module": (
        {"job/breach.py": "import donorfit.records.breach", "records/breach.py": "import logging"},
        CORE,
    ),
    "event loop in a stage": ({"stages/breach.py": "import asyncio"}, THREADS),
    "simulator imports records": (
        {"simulator/breach.py": "import donorfit.records.breach", "records/breach.py": ""},
        SIMULATOR,
    ),
    "simulator imports an engine": (
        {"simulator/breach.py": "import donorfit.configuration.breach", "configuration/breach.py": ""},
        SIMULATOR,
    ),
    "ring inside a package": (
        {
            "vehicle/breach_one.py": "import donorfit.vehicle.breach_two",
            "vehicle/breach_two.py": "import donorfit.vehicle.breach_one",
        },
        CYCLES,
    ),
}  # fmt: skip


def run_contracts(folder: Path) -> tuple[int, set[str]]:
    """Check the source under a folder; return the exit code and the names of broken contracts."""
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [program, "--no-cache", folder / "pyproject.toml"],
        cwd=folder / "src",
        env={**os.environ, "PYTHONPATH": str(folder / "src"), "PYTHONUTF8": "1"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    verdicts = dict(VERDICT.findall(done.stdout))
    assert verdicts.keys() == {LAYERS, STAGES, CORE, THREADS, SIMULATOR, CYCLES}, (
        done.stdout + done.stderr
    )
    return done.returncode, {name for name, verdict in verdicts.items() if verdict == "BROKEN"}


def copy_source(repository: Path, folder: Path) -> Path:
    shutil.copytree(
        repository / "src", folder / "src", ignore=shutil.ignore_patterns("__pycache__")
    )
    shutil.copy(repository / "pyproject.toml", folder)
    return folder


@pytest.fixture(scope="module")
def kept(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Contracts that this source breaks already: none, or no breach could be told from it."""
    return run_contracts(copy_source(repository, tmp_path_factory.mktemp("kept")))[1]


def test_contracts_hold(kept: set[str]) -> None:
    assert kept == set()


@pytest.mark.parametrize("name", BREACHES)
def test_breach_is_caught(repository: Path, tmp_path: Path, kept: set[str], name: str) -> None:
    files, contract = BREACHES[name]
    assert contract not in kept
    package = copy_source(repository, tmp_path) / "src" / "donorfit"
    for file, text in files.items():
        target = package / file
        target.parent.mkdir(exist_ok=True)
        (target.parent / "__init__.py").touch()
        target.write_text(text + "\n", encoding="utf-8")
    code, broken = run_contracts(tmp_path)
    assert code != 0
    assert contract in broken
