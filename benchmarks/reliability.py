"""Counts of schedules run against whole jobs, and what they ended in; for docs/reliability.md.

    python benchmarks/reliability.py [--single N] [--pairs N|phases] [--drawn N] [--moves N]
    python benchmarks/reliability.py --count

Every schedule lets faults strike at numbered requests of a whole job (prepare, apply, prove, then
undo and prove again) on a simulated car in virtual time, and takes the job up again until it ends.
After each, the memory of the car's units is held against what the records say. Without numbers all
single faults and pairs of places are run; with a number, that many drawn from them; ``--pairs
phases`` runs every ordered pair of kinds at every ordered pair of phases of applying. ``--moves``
draws what a person does at any moment instead of the next command, every other schedule without a
fault. ``--count`` says how many there are of each, and how long they take here. Returns 1 where
anything was confirmed falsely, is not known, lost a backup, or was refused or done otherwise than
it should be.
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
import moved_job
import phases

Case = tuple[str, Any]
"""Row of the table, and the schedule, which can be run."""

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
MOVED_COLUMNS = (
    "schedules",
    "moves",
    "refused or cut",
    "faults struck",
    "program started",
    "everything taken back",
    "other files hold the rest",
    "undo stopped, told exactly",
    "false confirmations",
    "unknown states",
    "lost backups",
    "refusals with a trace",
    "unconfirmed changes",
    "wrong advice",
)
BAD = (
    "false confirmations",
    "unknown states",
    "lost backups",
    "refusals with a trace",
    "unconfirmed changes",
    "wrong advice",
    "never ended",
)
MOVED_ROWS = ("a person's moves, no fault", "a person's moves and up to 8 drawn faults")
TIMED = 60
"""Schedules of each sort that are timed for ``--count``."""


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
    yield from list_pair_cases(options.pairs)
    for seed in range(options.begin, options.begin + options.drawn):
        drawn = campaign.draw_schedule(seed)
        row = f"up to {campaign.MOST_TROUBLES} drawn faults: {drawn.work.value}"
        yield row, drawn
    for seed in range(options.begin, options.begin + options.moves):
        most = campaign.MOST_TROUBLES * (seed % 2)
        yield MOVED_ROWS[seed % 2], moved_job.draw_moves(seed, most_troubles=most)


def list_pair_cases(wanted: str | None) -> Iterator[Case]:
    """Pairs of faults: of places, all or drawn, or of phases."""
    if wanted == "phases":
        work = campaign.Work.APPLY
        for troubles in phases.list_phase_pairs():
            drawn = campaign.Drawn(troubles=troubles, gives_up=False, work=work)
            yield "two faults, every pair of kinds at every pair of phases", drawn
        return
    first, last = campaign.find_apply_places()
    count = None if wanted is None else int(wanted)
    for troubles in choose(campaign.list_pairs(last, first=first), count, 4):
        drawn = campaign.Drawn(troubles=troubles, gives_up=False, work=campaign.Work.WHOLE)
        yield "two faults, every pair of places in apply", drawn


def show_counts() -> None:
    """How many single faults and pairs there are, and how long they take on one processor."""
    places = campaign.count_requests()
    first, last = campaign.find_apply_places()
    kinds = len(campaign.Kind)
    pairs = (last - first + 1) * (last - first) // 2
    print(f"{places} numbered requests of a whole job, {last - first + 1} of them in apply")
    print(f"{kinds} kinds of fault, {len(phases.find_phases())} phases of applying")
    for name, numbers in phases.find_phases().items():
        print(f"  {name}: {len(numbers)} requests")
    whole, applying = campaign.Work.WHOLE, campaign.Work.APPLY
    singles = list(campaign.list_single(places))
    by_place = list(campaign.list_pairs(last, first=first))
    by_phase = list(phases.list_phase_pairs())
    for name, cases, work in (
        ("single faults", singles, whole),
        ("pairs of places in apply, kinds drawn", by_place, whole),
        ("pairs of phases, every pair of kinds", by_phase, applying),
    ):
        seconds = time_schedules(cases, work)
        print(f"{len(cases)} {name}: {seconds:.3f} s each, {seconds * len(cases) / 60:.0f} min")
        if cases is by_place:
            count = pairs * kinds**2
            print(f"{count} of these with every pair of kinds: {seconds * count / 3600:.0f} h")


def time_schedules(cases: list[dict[int, Any]], work: campaign.Work) -> float:
    """Processor time of one schedule, in seconds, from a sample."""
    sample = random.Random(7).sample(cases, TIMED)
    began = time.process_time()
    for troubles in sample:
        campaign.run_schedule(troubles, work=work)
    return (time.process_time() - began) / TIMED


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
    known = {*COLUMNS, *MOVED_COLUMNS}
    counts[result.end if result.end in known else "other ends"] = 1
    counts["false confirmations"] = len(result.false_confirmations)
    counts["unknown states"] = len(result.unknown_states)
    counts["lost backups"] = len(result.lost_backups)
    if isinstance(result, moved_job.MovedResult):
        counts["moves"] = len(result.moves)
        counts["refusals with a trace"] = len(result.refused_with_changes)
        counts["unconfirmed changes"] = len(result.unconfirmed)
        counts["wrong advice"] = len(result.misled)
        for move, how in result.moves:
            counts[f"move {move.value}"] += 1
            if how not in {"made", "no copy"}:
                counts["refused or cut"] += 1
                counts[f"ended {move.value}"] += 1
    for _, trouble in result.struck:
        counts[f"kind {trouble.kind.value}"] += 1
    wrong = "" if result.good else f"{drawn}: {result}"
    return row, counts, wrong


def print_table(table: dict[str, Counter[str]], columns: tuple[str, ...]) -> None:
    """The rows, as Markdown."""
    print("| | " + " | ".join(columns) + " |")
    print("|---" * (len(columns) + 1) + "|")
    for row, counts in table.items():
        print(f"| {row} | " + " | ".join(str(counts[column]) for column in columns) + " |")


def print_moves(counts: Counter[str]) -> None:
    """How often each move was made, and how often it was refused or cut."""
    print("\n| move | made | refused or cut |\n|---|---|---|")
    for name in sorted(name for name in counts if name.startswith("move ")):
        move = name.removeprefix("move ")
        print(f"| {move} | {counts[name]} | {counts[f'ended {move}']} |")


def main() -> int:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--single", type=int, help="so many single faults instead of all")
    parser.add_argument("--pairs", help="so many pairs of places instead of all, or: phases")
    parser.add_argument("--drawn", type=int, default=10_000)
    parser.add_argument("--moves", type=int, default=0, help="so many schedules of moves")
    parser.add_argument("--count", action="store_true", help="say how many there are")
    parser.add_argument("--begin", type=int, default=10_000, help="first seed")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    options = parser.parse_args()
    if options.count:
        show_counts()
        return 0
    table: dict[str, Counter[str]] = {}
    began = time.perf_counter()
    places = campaign.count_requests()
    campaign.find_applied()
    campaign.find_prepared()
    moved_job.make_moved_bed()
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
    print_table({row: each for row, each in table.items() if row not in MOVED_ROWS}, COLUMNS)
    moved = {row: each for row, each in table.items() if row in MOVED_ROWS}
    if moved:
        print_table(moved, MOVED_COLUMNS)
        print_moves(sum(moved.values(), Counter[str]()))
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
