"""Repairs, months, core and dead options against CP-SAT, a solver of another family.

Source of the expected answers: OR-tools CP-SAT, told the same random rules as linear and Boolean
constraints (:mod:`cp_sat_models`, seeds are the parameters below): groups, cardinalities, validity
windows, sums over attributes, whole-number options. ``-m long`` takes 10,000 models.
"""

import gzip
import importlib.util
import json
import random
import sys
import zlib
from pathlib import Path

import pytest

from donorfit.equipment import (
    RepairRequest,
    Structure,
    check,
    facts,
    months,
    read_uvl,
    repair,
    replay,
    why,
)
from donorfit.vehicle.identity import BuildMonth

pytestmark = pytest.mark.reference
pytest.importorskip("ortools")

_SPEC = importlib.util.spec_from_file_location(
    "cp_sat_models", Path(__file__).with_name("cp_sat_models.py")
)
oracle = importlib.util.module_from_spec(_SPEC)
sys.modules["cp_sat_models"] = oracle
_SPEC.loader.exec_module(oracle)

TOP = 6


def name(options):
    return tuple(f"o{option}" for option in sorted(options))


def ask(task, *, top=TOP, month_cost=None):
    moving = task.month_cost if month_cost is None else month_cost
    return RepairRequest(
        declared=name(task.on),
        on=name(o for o, value in task.hard.items() if value),
        off=name(o for o, value in task.hard.items() if not value),
        costs=tuple((f"o{o}", cost) for o, cost in enumerate(task.costs)),
        month=BuildMonth.parse(oracle.MONTHS[task.month]),
        month_fixed=not moving,
        month_cost=moving or 1,
        top=top,
        structure=Structure.DECLARED,
    )


def compare_one(seed: int) -> str:
    """Ask both about one random model; what sort of case it was."""
    rng = random.Random(seed)
    model = oracle.make_model(rng)
    task = oracle.make_task(rng, model)
    rules = read_uvl(model.write(), file="random.uvl")
    assert not rules.warnings, model.write()
    expected = oracle.list_repairs(model, task, TOP)
    answer = repair(rules, ask(task))
    assert answer.proved
    assert [each.cost for each in answer.repairs] == expected
    for each in answer.repairs:
        after = {*name(task.on), *each.add} - {*each.remove}
        assert check(rules, after, each.month, structure=Structure.DECLARED).possible
    if not expected:
        assert replay(rules, [answer.clash]).sound
    compare_months(model, task, rules, answer.front)
    if seed % 4 == 0:
        compare_facts(model, rules)
    return "possible" if expected else "impossible"


def compare_months(model, task, rules, front) -> None:
    """The front of months, and the months in which the list holds as it is."""
    by_month = oracle.find_cheapest_by_month(model, task)
    if task.month_cost:
        nearest = {}
        for place, cost in enumerate(by_month):
            if cost is not None:
                moved = abs(place - task.month)
                nearest[moved] = min(cost, nearest.get(moved, cost))
        points = []
        for moved in sorted(nearest):
            if not points or nearest[moved] < points[-1][1]:
                points.append((moved, nearest[moved]))
        assert [(abs(point.month_moved), point.cost) for point in front] == points
    on = {o for o in task.on if task.hard.get(o, True)} | {o for o, v in task.hard.items() if v}
    held = [cost == 0 for cost in by_month]
    found = months(rules, name(on), structure=Structure.DECLARED)
    for month, holds in zip(map(BuildMonth.parse, oracle.MONTHS), held, strict=True):
        assert any(window.holds(month) for window in found.windows) == holds
        assert check(rules, name(on), month, structure=Structure.DECLARED).possible == holds
        told = why(rules, name(on), month=month, structure=Structure.DECLARED)
        assert bool(told.clashes) != holds
        assert replay(rules, told.clashes).sound, replay(rules, told.clashes)
    anyway = why(rules, name(on), structure=Structure.DECLARED)
    assert bool(anyway.clashes) != any(held)
    assert replay(rules, anyway.clashes).sound


def compare_facts(model, rules) -> None:
    expected = oracle.find_core_and_dead(model)
    found = facts(rules, redundant=False)
    assert found.possible == (expected is not None)
    if expected is not None:
        assert {int(o[1:]) for o in found.core} == expected[0]
        assert {int(o[1:]) for o in found.dead} == expected[1]


@pytest.mark.parametrize("start", range(0, 240, 40))
def test_random_rules(start) -> None:
    sorts = [compare_one(seed) for seed in range(start, start + 40)]
    assert sorts.count("possible") > 5
    assert sorts.count("impossible") > 1


@pytest.mark.long
@pytest.mark.timeout(3_600)
@pytest.mark.parametrize("start", range(1_000, 11_000, 500))
def test_ten_thousand_random_rules(start) -> None:
    for seed in range(start, start + 500):
        try:
            compare_one(seed)
        except AssertionError as error:
            message = f"seed {seed}"
            raise AssertionError(message) from error


def list_stored(shared_data, name):
    data = json.loads(
        gzip.decompress((shared_data / "feature-models" / f"repair_{name}.json.gz").read_bytes())
    )
    path = shared_data / "feature-models" / data["model"]
    return path, data["instances"]


def find_cheapest(path, instance, uvllang) -> int:
    """Cheapest change of a stored list, by CP-SAT over the clauses of uvllang."""
    cnf = uvllang.UVL(from_file=str(path)).to_cnf(verbose_info=False)
    names = {}
    for comment in cnf.comments:
        _, number, option = comment.split(" ", 2)
        names[option.strip('"')] = int(number)
    cp = oracle.cp_model.CpModel()
    top = max(abs(literal) for clause in cnf.clauses for literal in clause)
    on = [cp.new_bool_var("") for _ in range(top + 1)]
    for clause in cnf.clauses:
        cp.add_bool_or([on[x] if x > 0 else ~on[-x] for x in clause])
    declared, cost = set(instance["declared_on"]), 0
    for name_, number in names.items():
        if name_ in instance["goal_on"]:
            cp.add(on[number] == 1)
        else:
            flip = ~on[number] if name_ in declared else on[number]
            cost += (1 + zlib.crc32(name_.encode()) % 10) * flip
            cp.add_hint(on[number], name_ in declared)
    cp.minimize(cost)
    solver = oracle.cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(cp) == oracle.cp_model.OPTIMAL
    return round(solver.objective_value)


def assert_cheapest(shared_data, name, places) -> None:
    uvllang = pytest.importorskip("uvllang")
    path, instances = list_stored(shared_data, name)
    rules = read_uvl(path.read_text(encoding="utf-8"), file=path.name)
    costs = tuple((each, 1 + zlib.crc32(each.encode()) % 10) for each in rules.names)
    for instance in instances[places]:
        request = RepairRequest(
            declared=tuple(instance["declared_on"]), on=tuple(instance["goal_on"]), costs=costs
        )
        expected = find_cheapest(path, instance, uvllang)
        assert repair(rules, request).repairs[0].cost == expected == instance["top_costs"][0]


def test_stored_lists(shared_data) -> None:
    assert_cheapest(shared_data, "automotive01", slice(0, None, 6))


@pytest.mark.long
@pytest.mark.timeout(3_600)
@pytest.mark.parametrize("name", ["automotive01", "automotive02_v4"])
def test_all_stored_lists(shared_data, name) -> None:
    assert_cheapest(shared_data, name, slice(None))
