"""Inputs that fuzzing found worth keeping, and random ones: nothing but what is promised comes."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
import make_seeds
import targets

KEPT = Path(__file__).parents[2] / "data" / "fuzz" / "inputs.txt"


def read_inputs() -> list[bytes]:
    """One input a line, in hexadecimal; the first byte chooses the target."""
    return [bytes.fromhex(line) for line in KEPT.read_text(encoding="ascii").split()]


def test_what_fuzzing_kept_is_read_or_refused_in_order() -> None:
    inputs = read_inputs()
    assert len(inputs) > 50
    assert {data[0] % len(targets.TARGETS) for data in inputs} == set(range(len(targets.TARGETS)))
    for data in inputs:
        targets.run_target(data)


def test_good_inputs_are_read() -> None:
    for target, data in make_seeds.SEEDS:
        targets.run_target(bytes((target,)) + data)


@pytest.mark.parametrize("target", range(len(targets.TARGETS)))
@settings(max_examples=60)
@given(data=st.binary(max_size=200))
def test_random_bytes_are_read_or_refused_in_order(target: int, data: bytes) -> None:
    targets.run_target(bytes((target,)) + data)


def test_a_target_can_fail(monkeypatch) -> None:
    def break_off(_pdu):
        raise IndexError

    monkeypatch.setattr(targets.uds, "decode_session_answer", break_off)
    with pytest.raises(IndexError):
        targets.run_target(b"\x01\x50\x03")
