"""Counts of schedules run against whole jobs, and what they ended in; for docs/reliability.md.

    python benchmarks/reliability.py [--single N] [--pairs N] [--drawn N] [--begin SEED]

Every schedule lets faults strike at numbered requests of a whole job (prepare, apply, prove, then
undo and prove again) on a simulated car in virtual time, and takes the job up again until it ends.
After each, the memory of the car's units is held against what the records say. Without numbers all
single faults and pairs are run, which takes hours; with a number, that many drawn from them.
Returns 1 where anything was confirmed falsely, is not known, or lost a backup.
"""

import argparse
import gc
import os
import random
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "faults" / "campaign"))

import campaign

Case = tuple[str, campaign.Drawn]
"""Row of the table, and the schedule."""

COLUMNS = (
    "schedules",
    "faults struck",
    "program started",
    "finished",
    "finished, undone",
    "stopped, told exactly, undone",
    "finished, undo stopped, told exactly",
    "other ends",
    "false confirmations",
    "unknown states",
    "lost backups",
)
BAD = ("false confirmations", "unknown states", "lost backups", "never ended")


def choose(cases: Iterable[dict[int, Any]], count: int | None, seed: int) -> list[dict[int, Any]]:
    """All of them, or so many drawn from them."""
    everything = list(cases)
    if count is None or count >= len(everything):
        return everything
    return random.Random(seed).sample(everything, count)


def list_cases(options: argparse.Namespace, places: int) -> Iterator[Case]:
    """Every schedule of this run."""
    whole = campaign.Work.WHOLE
    yield "no fault", campaign.Drawn(troubles={}, gives_up=False, work=whole)
    for troubles in choose(campaign.list_single(places), options.single, 3):
        drawn = campaign.Drawn(troubles=troubles, gives_up=False, work=whole)
        yield "one fault, every kind at every place", drawn
    first, last = campaign.find_apply_places()
    for troubles in choose(campaign.list_pairs(last, first=first), options.pairs, 4):
        drawn = campaign.Drawn(troubles=troubles, gives_up=False, work=whole)
        yield "two faults, every pair of places in apply", drawn
    for seed in range(options.begin, options.begin + options.drawn):
        drawn = campaign.draw_schedule(seed)
        row = f"up to {campaign.MOST_TROUBLES} drawn faults: {drawn.work.value}"
        yield row, drawn


def run_case(case: Case) -> tuple[str, Counter[str], str]:
    """What one schedule came to, and what was wrong with it."""
    row, drawn = case
    counts: Counter[str] = Counter()
    try:
        result = drawn.run()
    except campaign.NeverEndsError as error:
        return row, Counter({"schedules": 1, "never ended": 1}), f"{drawn}: {error}"
    counts["schedules"] = 1
    counts["faults struck"] = len(result.struck)
    counts["program started"] = result.starts
    counts[result.end if result.end in COLUMNS else "other ends"] = 1
    counts["false confirmations"] = len(result.false_confirmations)
    counts["unknown states"] = len(result.unknown_states)
    counts["lost backups"] = len(result.lost_backups)
    for _, trouble in result.struck:
        counts[f"kind {trouble.kind.value}"] += 1
    wrong = "" if result.good else f"{drawn}: {result}"
    return row, counts, wrong


def main() -> int:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--single", type=int, help="so many single faults instead of all")
    parser.add_argument("--pairs", type=int, help="so many pairs instead of all")
    parser.add_argument("--drawn", type=int, default=10_000)
    parser.add_argument("--begin", type=int, default=10_000, help="first seed")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    options = parser.parse_args()
    table: dict[str, Counter[str]] = {}
    began = time.perf_counter()
    places = campaign.count_requests()
    campaign.find_applied()
    gc.freeze()  # the pack stays; looking through it again and again costs a tenth
    with ProcessPoolExecutor(options.processes) as pool:
        for row, counts, wrong in pool.map(run_case, list_cases(options, places), chunksize=20):
            table.setdefault(row, Counter()).update(counts)
            total = sum(each["schedules"] for each in table.values())
            if total % 1000 == 0:
                bad = sum(each[name] for each in table.values() for name in BAD)
                print(f"{total} schedules, {bad} bad", flush=True)
            if wrong:
                print(f"WRONG {row}: {wrong}", flush=True)
    took = time.perf_counter() - began
    print("| | " + " | ".join(COLUMNS) + " |")
    print("|---" * (len(COLUMNS) + 1) + "|")
    for row, counts in table.items():
        print(f"| {row} | " + " | ".join(str(counts[column]) for column in COLUMNS) + " |")
    whole = sum(table.values(), Counter[str]())
    kinds = {name: count for name, count in whole.items() if name.startswith("kind ")}
    least = min(kinds.values(), default=0)
    print(f"\n{len(kinds)} kinds of fault struck, each {least} times or more")
    print(f"{places} numbered requests; {whole['schedules'] / took:.1f} schedules a second")
    bad = sum(whole[name] for name in BAD)
    print(f"{bad} false confirmations, unknown states, lost backups or jobs that never ended")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
