"""Against uvllang, an independent reader of UVL with a native back end.

What it makes of a file (clauses over named options) must say the same as what we make of it.
"""

import gzip
import json
import zlib

import pytest

from donorfit.equipment import RepairRequest, Structure, months, read_uvl, repair
from donorfit.equipment.compiled import compile_rules
from donorfit.equipment.repair_search import MonthRange, Problem, RepairSearch
from donorfit.equipment.rule_clauses import list_clauses, list_handles
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.rules import NOT, OR, CrossRule, RuleBase, Window

pytestmark = pytest.mark.reference
uvllang = pytest.importorskip("uvllang")
solvers = pytest.importorskip("pysat.solvers")

FILES = (
    "JHipster.uvl",
    "MobilePhone.uvl",
    "Truck.uvl",
    "berkeleydb.uvl",
    "printer.uvl",
    "routefinding.uvl",
    "decisionmaking.uvl",
    "finserv01_2017-05-22.uvl",
    "finserv01_2018-01-23.uvl",
    "automotive01.uvl",
)

SAMPLE = """
features
    Car
        mandatory
            Body
                alternative
                    Estate
                    Saloon
                    "Open Top"
        optional
            Trailer
            Lamps
                or
                    Left
                    Right
            Seats
                [2..3]
                    S1
                    S2
                    S3
                    S4
constraints
    Trailer <=> Estate & (Left | !Right)
    !("Open Top" => S4) | Saloon
    Left => Right => Trailer
"""


def read_clauses(text):
    """Clauses by name, as uvllang reads them: pairs of name and sign."""
    cnf = uvllang.UVL(from_str=text).to_cnf(verbose_info=False)
    names = {}
    for comment in cnf.comments:
        _, number, name = comment.split(" ", 2)
        names[int(number)] = name.strip('"')
    return [tuple((names[abs(x)], x > 0) for x in clause) for clause in cnf.clauses]


def our_clauses(rules):
    compiled = compile_rules(rules)
    top = compiled.top

    def take():
        nonlocal top
        top += 1
        return top

    found = list(compiled.background)
    for handle in list_handles(compiled):
        found += list_clauses(compiled, handle, take)
    return compiled, found


def assert_same(text, file):
    rules = read_uvl(text, file=file)
    compiled, ours = our_clauses(rules)
    theirs = [
        tuple(
            compiled.places[name] + 1 if sign else -compiled.places[name] - 1 for name, sign in c
        )
        for c in read_clauses(text)
    ]
    with solvers.Glucose4(bootstrap_with=ours) as solver:
        for clause in theirs:
            assert not solver.solve(assumptions=[-literal for literal in clause]), clause
    with solvers.Glucose4(bootstrap_with=theirs) as solver:
        for clause in ours:
            if all(abs(literal) <= len(rules) for literal in clause):
                assert not solver.solve(assumptions=[-literal for literal in clause]), clause


@pytest.mark.parametrize("file", FILES)
def test_same_rules(shared_data, file) -> None:
    text = (shared_data / "feature-models" / file).read_text(encoding="utf-8")
    assert_same(text, file)


def test_same_rules_in_a_sample_of_ours() -> None:
    """Without group counts, which uvllang leaves out of its clauses."""
    head, tail = SAMPLE.split("            Seats\n")
    assert_same(head + "            S4\n" + tail[tail.index("constraints") :], "sample.uvl")


def merge_dated(shared_data, files):
    """Dated versions as one flat rule base: the clauses of version j hold in month j only."""
    texts = [(shared_data / "feature-models" / file).read_text(encoding="utf-8") for file in files]
    versions = [read_clauses(text) for text in texts]
    known = [{name for clause in version for name, _ in clause} for version in versions]
    names = sorted(set().union(*known))
    places = {name: place for place, name in enumerate(names)}
    spans = {}
    for number, version in enumerate(versions):
        missing = [((name, False),) for name in names if name not in known[number]]
        for clause in dict.fromkeys([*version, *missing]):
            runs = spans.setdefault(clause, [])
            if runs and runs[-1][1] == number:
                runs[-1][1] = number + 1
            else:
                runs.append([number, number + 1])
    rules = []
    for clause, runs in spans.items():
        formula = []
        for place, (name, sign) in enumerate(clause):
            formula += [places[name]] if sign else [places[name], NOT]
            formula += [OR] if place else []
        for start, end in runs:
            window = Window(
                valid_from=BuildMonth(start) if start else None,
                valid_before=BuildMonth(end) if end < len(versions) else None,
            )
            label = f"v{len(rules)}"
            rules.append(
                CrossRule(id=label, file="dated", line=0, formula=tuple(formula), window=window)
            )
    return RuleBase(
        file="dated",
        names=tuple(map(OptionName, names)),
        lines=(0,) * len(names),
        parents=(-2,) * len(names),
        group_of=(-1,) * len(names),
        rules=tuple(rules),
    )


def find_with_rc2(clauses, names, declared, weigh) -> int:
    """Cheapest change of a list under clauses over names, by RC2 over all of them."""
    rc2 = pytest.importorskip("pysat.examples.rc2")
    formula = pytest.importorskip("pysat.formula")
    numbers = {name: number for number, name in enumerate(names, 1)}
    wcnf = formula.WCNF()
    for clause in clauses:
        wcnf.append([numbers[name] if sign else -numbers[name] for name, sign in clause])
    for name, number in numbers.items():
        wcnf.append([number if name in declared else -number], weight=weigh(name))
    with rc2.RC2(wcnf, solver="g4") as solver:
        solver.compute()
        return solver.cost


def weigh(name: str) -> int:
    return 1 + zlib.crc32(name.encode()) % 10


def load_dated(shared_data):
    path = shared_data / "feature-models" / "dates_finserv01_first6.json.gz"
    data = json.loads(gzip.decompress(path.read_bytes()))
    return data, merge_dated(shared_data, data["files"])


def test_months_of_dated_rules(shared_data) -> None:
    """Months in which each of the 24 lists holds, against proven answers."""
    data, rules = load_dated(shared_data)
    assert len(data["instances"]) == 24
    for instance in data["instances"]:
        answer = months(rules, tuple(instance["declared_on"]), structure=Structure.DECLARED)
        segments = [
            j
            for j in range(len(data["files"]))
            if any(window.holds(BuildMonth(j)) for window in answer.windows)
        ]
        assert segments == instance["valid_segments"]


def test_cheapest_repair_in_each_month(shared_data) -> None:
    """All 24 lists in all 6 months; every sixth list again by RC2 over uvllang's clauses."""
    data, rules = load_dated(shared_data)
    compiled = compile_rules(rules)
    costs = [weigh(name) for name in rules.names]
    texts = [(shared_data / "feature-models" / file).read_text("utf-8") for file in data["files"]]
    versions = [read_clauses(text) for text in texts]
    for number, instance in enumerate(data["instances"]):
        declared = [compiled.places[name] for name in instance["declared_on"]]
        for month, expected in enumerate(instance["min_repair_cost_per_segment"]):
            problem = Problem(
                declared=declared, fixed={}, costs=costs, month=MonthRange(segment=month)
            )
            search = RepairSearch(compiled, problem)
            assert next(search.list_solutions()).cost == expected
            search.close()
            if number % 6 == 0:
                known = {name for clause in versions[month] for name, _ in clause}
                missing = [((name, False),) for name in rules.names if name not in known]
                clauses = [*versions[month], *missing]
                on = set(instance["declared_on"])
                assert find_with_rc2(clauses, rules.names, on, weigh) == expected


@pytest.mark.parametrize("month_cost", [7, 40])
def test_month_against_options(shared_data, month_cost) -> None:
    """The front of all 24 lists, and the one repair that weighs month and options together."""
    data, rules = load_dated(shared_data)
    costs = tuple((name, weigh(name)) for name in rules.names)
    for number, instance in enumerate(data["instances"]):
        start = number % len(data["files"])
        answer = repair(
            rules,
            RepairRequest(
                declared=tuple(instance["declared_on"]),
                costs=costs,
                month=BuildMonth(start),
                month_cost=month_cost,
                structure=Structure.DECLARED,
            ),
        )
        by_month = instance["min_repair_cost_per_segment"]
        nearest = {}
        for month, cost in enumerate(by_month):
            moved = abs(month - start)
            nearest[moved] = min(cost, nearest.get(moved, cost))
        front = []
        for moved in sorted(nearest):
            if not front or nearest[moved] < front[-1][1]:
                front.append((moved, nearest[moved]))
        assert [(abs(point.month_moved), point.cost) for point in answer.front] == front
        together = (month_cost * abs(month - start) + cost for month, cost in enumerate(by_month))
        assert answer.repairs[0].cost == min(together)
