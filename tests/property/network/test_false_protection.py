"""How often something is found in messages that nothing protects."""

from collections import Counter

import numpy as np
import pytest

from donorfit.network.protection import find_protection

KINDS = ("noise", "noise and still bytes", "drifting values", "flags", "noisy measurement")


def make_rows(dice: np.random.Generator, kind: str) -> np.ndarray:
    """20 to 200 frames of 8, 16 or 64 bytes."""
    count, length = int(dice.integers(20, 201)), int(dice.choice([8, 8, 8, 16, 64]))
    rows = dice.integers(0, 256, (count, length)).astype(np.uint8)
    if kind == "noise and still bytes":
        rows[:, dice.random(length) < 0.6] = dice.integers(256)
    elif kind == "drifting values":
        steps = dice.integers(-2, 3, (count, length // 2)).cumsum(axis=0) + 30_000
        rows = np.ascontiguousarray(steps.astype(">u2")).view(np.uint8)
    elif kind == "flags":
        rows = np.packbits(dice.random((count, 8 * length)) < 0.05, axis=1)
    elif kind == "noisy measurement":
        values = (2048 + dice.normal(0, 40, (count, length // 2))).astype(">u2")
        rows = np.ascontiguousarray(values).view(np.uint8)
    return rows


def count_alarms(messages: int, seed: int) -> Counter[str]:
    dice = np.random.default_rng(seed)
    alarms: Counter[str] = Counter()
    for number in range(messages):
        found = find_protection(make_rows(dice, KINDS[number % len(KINDS)]))
        alarms["counter"] += bool(found.counters)
        alarms["check"] += bool(found.checks)
        kind = KINDS[number % len(KINDS)]
        # Noise at the end behind still bytes is what an authenticator looks like: called so.
        alarms["authenticator"] += found.secured is not None and kind != "noise and still bytes"
        alarms["noise called so"] += found.secured is not None
    return alarms


def test_hardly_anything_is_found_where_nothing_is() -> None:
    alarms = count_alarms(100, seed=1)
    assert alarms["check"] == alarms["counter"] == alarms["authenticator"] == 0


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_false_alarms_of_five_thousand(capsys: pytest.CaptureFixture[str]) -> None:
    messages = 5_000
    alarms = count_alarms(messages, seed=2)
    with capsys.disabled():
        print(f"\nof {messages} unprotected messages: {dict(alarms)}")
    assert alarms["check"] <= messages / 1000
    assert alarms["counter"] <= messages / 1000
    assert alarms["authenticator"] <= messages / 1000
