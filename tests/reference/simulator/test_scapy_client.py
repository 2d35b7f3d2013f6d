"""scapy as an independent DoIP client of ``donorfit simulate``, in processes of their own."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.reference


@pytest.mark.skipif(importlib.util.find_spec("scapy") is None, reason="scapy is not installed")
def test_scapy_reads_writes_and_downloads(repository: Path, serve):
    port = serve(repository / "tests/data/scenarios/small_car.toml")
    result = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("scapy_client.py")), str(port)],
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
    )
    assert result.returncode == 0, result.stderr[-2000:]
    assert json.loads(result.stdout.splitlines()[-1]) == {
        "unknown tester": 0,
        "vin": "ZZ9AA11A8LA000001",
        "availability": 0xFF,
        "faults": "d123002f" + "90000028",
        "write in default session": 0x7F,
        "session": [3, "003201f4"],
        "write": 0x0601,
        "unlocked": 2,
        "block length": 0x0102,
        "counters": [1, 2, 3, 4],
        "exit": "77",
        "check": "7101020200",
        "software": "3.1.0",
    }
