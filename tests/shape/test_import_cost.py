"""`import donorfit` and the help page load nothing that is big or reaches the world."""

import json
import subprocess
import sys
from importlib.util import find_spec

import pytest

HEAVY = {
    "asyncio", "cantools", "cattrs", "numpy", "pydantic", "pysat", "rich", "sqlite3", "typst",
}  # fmt: skip
LIST_MODULES = "import json, sys; {statement}; print(json.dumps(sorted(sys.modules)))"


def list_loaded(statement: str) -> set[str]:
    """Top-level modules that stand in memory after a statement, in a fresh process."""
    command = [sys.executable, "-c", LIST_MODULES.format(statement=statement)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return {name.partition(".")[0] for name in json.loads(done.stdout.splitlines()[-1])}


def test_package_loads_nothing_heavy() -> None:
    loaded = list_loaded("import donorfit")
    assert "donorfit" in loaded
    assert loaded & (HEAVY | {"click", "http", "socket"}) == set()


def test_command_line_loads_nothing_heavy() -> None:
    if find_spec("donorfit.__main__") is None:
        pytest.skip("needs the command line, and that does not exist yet")
    assert list_loaded("import donorfit.__main__") & HEAVY == set()


def test_heavy_import_is_seen() -> None:
    assert list_loaded("import cattrs") & HEAVY == {"cattrs"}
