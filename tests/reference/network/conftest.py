"""Fixtures that make small network values; they stand once, in tests/data/networks."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "data" / "networks"))
from network_values import message, network, ring, signal

__all__ = ["message", "network", "ring", "signal"]
