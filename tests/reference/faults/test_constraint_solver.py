"""The fewest causes against two other ways of finding them: every subset, and a constraint solver.

The brute force follows the rules of ``docs/faults.md`` from the words there, not from the code. The
solver is OR-Tools CP-SAT (a general-purpose library): it finds the lowest cost and then lists every
cover of that cost.
"""

import random
from itertools import combinations
from math import log2

import pytest
from ortools.sat.python import cp_model

from donorfit.faults import ActiveCause, FaultExplanation, explain_faults
from donorfit.faults.covers import TIE_LIMIT, find_covers, split_groups
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import FaultCode, UnitId

pytestmark = pytest.mark.reference

KINDS = (CauseKind.CONFIGURATION_DISAGREES, CauseKind.MESSAGE_MISSING, CauseKind.PART_ITSELF)
Key = tuple[str, int]


def make_case(
    seed: int,
) -> tuple[list[KnownFault], list[Key], list[Key], list[ActiveCause]]:
    """A small car: up to 8 codes, up to 7 causes, some codes seen, some passed, some neither."""
    dice = random.Random(seed)
    causes = [Cause(kind=dice.choice(KINDS), subject=f"s{n}") for n in range(dice.randint(1, 7))]
    known = [
        KnownFault(
            unit=UnitId("u"),
            code=FaultCode(n + 1),
            title="t",
            causes=tuple(dice.sample(causes, dice.randint(1, min(3, len(causes))))),
        )
        for n in range(dice.randint(1, 8))
    ]
    fate = [(dice.random(), (each.unit, each.code)) for each in known]
    seen = [key for luck, key in fate if luck < 0.6]
    passed = [key for luck, key in fate if luck > 0.8]
    active = [
        ActiveCause(kind=each.kind, subjects=frozenset((each.subject,)), text="at work")
        for each in causes
        if dice.random() < 0.2
    ]
    return known, seen, passed, active


def try_all(
    known: list[KnownFault], seen: list[Key], passed: list[Key], active: list[ActiveCause]
) -> tuple[int, set[frozenset[Cause]]]:
    """Cheapest explanations by trying every set of causes."""
    sets: dict[Cause, set[Key]] = {}
    for fault in known:
        for cause in fault.causes:
            sets.setdefault(cause, set()).add((fault.unit, fault.code))
    works = {c for c in sets for a in active if a.kind is c.kind and c.subject in a.subjects}
    contradicted = {c for c in sets if c not in works and sets[c] & set(passed)}
    cost = {
        c: 10
        - (4 if c in works else 0)
        + (4 if c.kind is CauseKind.PART_ITSELF else 0)
        + min(8, 2 * len(sets[c] & set(passed)))
        for c in sets
    }
    need = {}
    for key in seen:
        everything = {c for c in sets if key in sets[c]}
        need[key] = (everything - contradicted) or everything
    usable = sorted({c for each in need.values() for c in each}, key=lambda c: c.subject)
    found: dict[int, set[frozenset[Cause]]] = {}
    for size in range(len(usable) + 1):
        for chosen in combinations(usable, size):
            if all(each & set(chosen) for each in need.values()):
                total = sum(cost[c] for c in chosen)
                found.setdefault(total, set()).add(frozenset(chosen))
    best = min(found)
    return best, found[best]


def join_groups(found: FaultExplanation) -> tuple[int, set[frozenset[Cause]]]:
    """The whole car's explanations: one out of each group."""
    whole: set[frozenset[Cause]] = {frozenset()}
    cost = 0
    for group in found.groups:
        cost += sum(each.cost for each in group.explanations[0])
        ties = [frozenset(each.cause for each in tie) for tie in group.explanations]
        whole = {before | tie for before in whole for tie in ties}
    return cost, whole


@pytest.mark.parametrize("start", range(0, 1000, 100))
def test_every_explanation_equals_brute_force(start: int) -> None:
    """1000 random small cars: same cost, and exactly the same ties."""
    for seed in range(start, start + 100):
        known, seen, passed, active = make_case(seed)
        found = explain_faults(seen, passed, known, active=active)
        assert join_groups(found) == try_all(known, seen, passed, active), seed
        for group in found.groups:
            assert group.proved
            assert group.ties == len(group.explanations)
            counts = [
                sum(c.cause in {e.cause for e in t} for t in group.explanations)
                for c in {e for t in group.explanations for e in t}
            ]
            shares = [n / group.ties for n in counts if n < group.ties]
            best = max((-p * log2(p) - (1 - p) * log2(1 - p) for p in shares), default=0)
            told = group.checks[0].gain_bits if group.checks else 0
            assert told == pytest.approx(best, abs=1e-6), seed


def make_large(seed: int, codes: int, causes: int) -> tuple[dict[int, frozenset[int]], list[int]]:
    dice = random.Random(seed)
    options = {
        n: frozenset(dice.sample(range(causes), dice.choice((1, 2, 2, 3, 4))))
        for n in range(codes)
    }
    return options, [dice.choice((6, 10, 10, 10, 14)) for _ in range(causes)]


class Collector(cp_model.CpSolverSolutionCallback):
    """Every solution that the solver lists."""

    def __init__(self, choices: list[cp_model.IntVar]) -> None:
        super().__init__()
        self.choices = choices
        self.found: set[tuple[int, ...]] = set()

    def on_solution_callback(self) -> None:
        self.found.add(tuple(n for n, each in enumerate(self.choices) if self.value(each)))


def solve(
    options: dict[int, frozenset[int]], cost: list[int], *, most: int
) -> tuple[int, set[tuple[int, ...]]]:
    """Lowest cost and all covers at it by CP-SAT."""
    model = cp_model.CpModel()
    choices = [model.new_bool_var(str(n)) for n in range(len(cost))]
    for sets in options.values():
        model.add_bool_or([choices[each] for each in sets])
    total = sum(price * choice for price, choice in zip(cost, choices, strict=True))
    model.minimize(total)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    best = round(solver.objective_value)
    model.clear_objective()
    model.add(total == best)
    used = frozenset().union(*options.values())
    model.add(sum(each for n, each in enumerate(choices) if n not in used) == 0)
    lister = cp_model.CpSolver()
    lister.parameters.enumerate_all_solutions = True
    lister.parameters.num_workers = 1
    collector = Collector(choices)
    lister.solve(model, collector)
    assert len(collector.found) <= most
    return best, collector.found


@pytest.mark.parametrize("seed", range(12))
def test_covers_equal_the_solver(seed: int) -> None:
    """60 codes, 40 causes: the cost, and every tie where no more are listed than are told."""
    options, cost = make_large(seed, 60, 40)
    found = find_covers(options, dict(enumerate(cost)))
    best, ties = solve(options, cost, most=100_000)
    assert found.proved
    assert (found.cost, found.ties) == (best, len(ties))
    assert set(found.covers) <= ties
    assert len(found.covers) == min(len(ties), TIE_LIMIT)


def test_a_thousand_codes_are_explained_group_by_group() -> None:
    """1000 codes with 400 causes, as trouble falls apart into groups: each group's cost agrees."""
    dice = random.Random(7)
    options: dict[int, frozenset[int]] = {}
    for block in range(50):
        causes = range(block * 8, block * 8 + 8)
        for n in range(20):
            options[block * 20 + n] = frozenset(dice.sample(causes, dice.choice((1, 2, 2, 3))))
    cost = [dice.choice((6, 10, 10, 14)) for _ in range(400)]
    groups = split_groups(options)
    found = [find_covers({e: options[e] for e in g}, dict(enumerate(cost))) for g in groups]
    assert all(each.proved for each in found)
    model = cp_model.CpModel()
    choices = [model.new_bool_var(str(n)) for n in range(len(cost))]
    for sets in options.values():
        model.add_bool_or([choices[each] for each in sets])
    model.minimize(sum(p * c for p, c in zip(cost, choices, strict=True)))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    assert sum(each.cost for each in found) == round(solver.objective_value)
