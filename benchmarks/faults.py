"""How long the fewest causes take, as a multiple of OR-Tools CP-SAT on the same codes in one run.

CP-SAT is asked for the lowest cost only; ours counts every tie as well. Bounds: for real lists,
which fall apart into groups, at most twice as long; for one tangle of 100 codes 4 times, for one
of 1000 codes over 300 causes 150 times.
"""

import random
import sys
import time

from ortools.sat.python import cp_model

from donorfit.faults.covers import find_covers, split_groups

ROUNDS = 3
Options = dict[int, frozenset[int]]


def make_groups(seed: int, groups: int) -> tuple[Options, list[int]]:
    """20 codes over 8 causes in each group."""
    dice = random.Random(seed)
    options = {
        block * 20 + n: frozenset(
            dice.sample(range(block * 8, block * 8 + 8), dice.choice((1, 2, 2, 3)))
        )
        for block in range(groups)
        for n in range(20)
    }
    return options, [dice.choice((6, 10, 10, 14)) for _ in range(groups * 8)]


def make_tangle(seed: int, codes: int, causes: int) -> tuple[Options, list[int]]:
    """Codes that take their causes from all over the car."""
    dice = random.Random(seed)
    options = {
        n: frozenset(dice.sample(range(causes), dice.choice((1, 2, 2, 3, 4))))
        for n in range(codes)
    }
    return options, [dice.choice((6, 10, 10, 10, 14)) for _ in range(causes)]


def cover(options: Options, costs: list[int]) -> tuple[int, bool]:
    """Ours: cost, and whether it is proved."""
    found = [
        find_covers({each: options[each] for each in group}, dict(enumerate(costs)))
        for group in split_groups(options)
    ]
    return sum(each.cost for each in found), all(each.proved for each in found)


def solve(options: Options, costs: list[int]) -> tuple[int, bool]:
    """The same by CP-SAT on one core."""
    model = cp_model.CpModel()
    choices = [model.new_bool_var(str(n)) for n in range(len(costs))]
    for sets in options.values():
        model.add_bool_or([choices[each] for each in sets])
    model.minimize(sum(cost * choice for cost, choice in zip(costs, choices, strict=True)))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    status = solver.solve(model)
    return round(solver.objective_value), status == cp_model.OPTIMAL


CASES = (
    ("20 codes, 1 group", make_groups(1, 1), 1.0),
    ("1000 codes, 50 groups", make_groups(7, 50), 2.0),
    ("100 codes in one tangle", make_tangle(1, 100, 60), 4.0),
    ("1000 codes in one tangle", make_tangle(1, 1000, 300), 150.0),
)


def main() -> int:
    """Print the table; return 1 where a bound is broken or the answers differ."""
    failed = 0
    print(f"{'case':26}{'ours ms':>10}{'CP-SAT ms':>11}{'ratio':>8}{'bound':>8}")
    for name, (options, costs), bound in CASES:
        best = [float("inf"), float("inf")]
        answers = [(0, False), (0, False)]
        for _ in range(ROUNDS):
            for place, way in enumerate((cover, solve)):
                started = time.perf_counter()
                answers[place] = way(options, costs)
                best[place] = min(best[place], time.perf_counter() - started)
        ratio = best[0] / best[1]
        broken = ratio > bound or answers[0] != answers[1]
        failed += broken
        end = "  BROKEN" if broken else ""
        print(
            f"{name:26}{best[0] * 1000:10.1f}{best[1] * 1000:11.1f}{ratio:8.2f}{bound:8.2f}{end}"
        )
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
