"""Counts of schedules run against apply, and what they ended in; for docs/reliability.md.

    python benchmarks/reliability.py [SEQUENCES]

Every schedule cuts a whole apply job (option list, record, reset, download, fault codes) on a car
that is nothing but memory, and takes it up again until it ends. After each, the car's memory is
held against what the change record says.
"""

import random
import sys
from collections import Counter
from collections.abc import Iterator
from itertools import combinations, product
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1] / "tests"
sys.path[:0] = [str(TESTS / "faults" / "apply"), str(TESTS / "unit" / "job")]

import test_apply_is_cut as apply_cuts  # noqa: E402 - found through the lines above

DEFAULT_SEQUENCES = 10_000
MOST_CUTS = 8
LAST_PLACE = 60
SEED = 8


def list_schedules(sequences: int) -> Iterator[tuple[str, dict[int, str]]]:
    """Kind and cuts of every schedule."""
    places = apply_cuts.count_asks()
    yield "no cut", {}
    for place, kind in product(range(1, places + 1), apply_cuts.KINDS):
        yield "single cuts", {place: kind}
    for pair in combinations(range(1, places + 6), 2):
        for kinds in product(apply_cuts.KINDS, repeat=2):
            yield "pairs of cuts", dict(zip(pair, kinds, strict=True))
    dice = random.Random(SEED)
    for _ in range(sequences):
        count = dice.randint(1, MOST_CUTS)
        cuts = {dice.randint(1, LAST_PLACE): dice.choice(apply_cuts.KINDS) for _ in range(count)}
        yield f"random sequences of up to {MOST_CUTS}", cuts


def run_schedule(cuts: dict[int, str]) -> tuple[str, ...]:
    """What one schedule ended in."""
    try:
        car, _, change, runs = apply_cuts.run_until_done(cuts)
    except (AssertionError, apply_cuts.pytest.fail.Exception):
        return ("unknown states",)
    marks = ["finished" if change.finished else "stopped, every value old or new"]
    marks += ["taken up again"] if runs > 1 else []
    try:
        apply_cuts.check_done(car, change)
    except AssertionError:
        marks.append("false confirmations")
    return tuple(marks)


def main() -> int:
    """Print the table; return 1 where anything was confirmed falsely or is not known."""
    sequences = int(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT_SEQUENCES
    table: dict[str, Counter[str]] = {}
    for kind, cuts in list_schedules(sequences):
        row = table.setdefault(kind, Counter())
        row["schedules"] += 1
        row["cuts"] += len(cuts)
        row.update(run_schedule(cuts))
    columns = (
        "schedules",
        "cuts",
        "taken up again",
        "finished",
        "stopped, every value old or new",
        "false confirmations",
        "unknown states",
    )
    print("| | " + " | ".join(columns) + " |")
    print("|---" * (len(columns) + 1) + "|")
    for kind, row in table.items():
        print(f"| {kind} | " + " | ".join(str(row[column]) for column in columns) + " |")
    bad = sum(row["false confirmations"] + row["unknown states"] for row in table.values())
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
