"""Open product-line rules with published figures and proven answers.

Sources: SoftVarE-Group/feature-model-benchmark (statistics of core and dead options),
flamapy/bdd_metamodel (JHipster has 26,256 products, MobilePhone 14); the repair and date answers
were proven by two independent solvers. See the origin notes beside the data.
"""

import csv
import gzip
import json
import random
import zlib

import pytest

from donorfit.equipment import RepairRequest, Structure, check, facts, read_uvl, repair
from donorfit.equipment.compiled import compile_rules
from donorfit.equipment.repair_search import Problem, RepairSearch
from donorfit.equipment.warm import Warm
from donorfit.equipment.whole_list import get_whole_list_check
from donorfit.vehicle.rules import GroupKind

pytestmark = pytest.mark.reference

SMALL = ("berkeleydb", "printer", "routefinding", "decisionmaking")
FINSERV = ("2017-05-22", "2017-09-28", "2017-10-20", "2017-11-20", "2017-12-22", "2018-01-23")

# A published model, stated as a fact: ten options, 14 products (flamapy/bdd_metamodel). Written
# from its published feature diagram; spelling of the file is ours.
PHONE = """
features
    Phone
        mandatory
            Calls
            Screen
                alternative
                    Basic
                    Colour
                    Fine
        optional
            Satellite
            Media
                or
                    Camera
                    Music
constraints
    Satellite => !Basic
    Camera => Fine
"""


def load(shared_data, file):
    text = (shared_data / "feature-models" / file).read_text(encoding="utf-8")
    return read_uvl(text, file=file)


def unpack(shared_data, file):
    return json.loads(gzip.decompress((shared_data / "feature-models" / file).read_bytes()))


def count_products(rules) -> int:
    """Count all possible lists by blocking each one that was found."""
    warm = Warm(compile_rules(rules))
    count = 0
    while warm.holds([]):
        count += 1
        warm.solver.add([-literal for literal in warm.solver.get_model()[: len(rules)]])
    return count


def weigh(name: str) -> int:
    return 1 + zlib.crc32(name.encode()) % 10


def test_phone_has_14_products() -> None:
    assert count_products(read_uvl(PHONE, file="phone.uvl")) == 14


@pytest.mark.parametrize(("file", "products"), [("MobilePhone.uvl", 14), ("JHipster.uvl", 26_256)])
def test_published_product_counts(shared_data, file, products) -> None:
    assert count_products(load(shared_data, file)) == products


def test_automotive01_reads_like_its_dimacs(shared_data) -> None:
    """The same rules published in two formats have the same variables and the same lists."""
    from donorfit.equipment.read_dimacs import read_dimacs

    text = (shared_data / "feature-models" / "automotive01.dimacs").read_text(encoding="utf-8")
    flat = read_dimacs(text, file="automotive01.dimacs")
    tree = load(shared_data, "automotive01.uvl")
    assert set(flat.names) == set(tree.names)
    answers = [facts(rules, redundant=False) for rules in (flat, tree)]
    assert set(answers[0].core) == set(answers[1].core)
    assert set(answers[0].dead) == set(answers[1].dead)


def list_published(shared_data):
    path = shared_data / "feature-models" / "published_statistics.csv"
    rows = list(csv.DictReader(path.open(encoding="utf-8"), delimiter=";"))
    names = {"automotive2": "automotive02_v", "FinancialServices01": "finserv01_"}
    for row in rows:
        version = row["Version"].removeprefix("2_")
        yield names.get(row["Name"], row["Name"]) + version + ".uvl", row


def test_published_core_and_dead_options(shared_data) -> None:
    found = {}
    for file, row in list_published(shared_data):
        rules = load(shared_data, file)
        assert len(rules) == float(row["NumberOfFeatures"])
        assert len(rules.rules) == float(row["Number_Constraints"])
        answer = facts(rules, redundant=False)
        found[file] = (len(answer.core), len(answer.dead))
        assert found[file] == (int(row["Number_CORE"]), int(row["Number_Dead"])), file
    assert len(found) == 13


@pytest.mark.parametrize("name", ["automotive01", "automotive02_v4"])
def test_ten_cheapest_repairs(shared_data, name) -> None:
    data = unpack(shared_data, f"repair_{name}.json.gz")
    rules = load(shared_data, data["model"])
    compiled = compile_rules(rules)
    whole = get_whole_list_check(compiled)
    costs = [weigh(each) for each in rules.names]
    for instance in data["instances"]:
        declared = [compiled.places[each] for each in instance["declared_on"]]
        goal = {compiled.places[each]: True for each in instance["goal_on"]}
        search = RepairSearch(compiled, Problem(declared=declared, fixed=goal, costs=costs))
        found = []
        for solution, _ in zip(search.list_solutions(), instance["top_costs"], strict=False):
            found.append(solution.cost)
            after = set(declared) ^ set(solution.flips) | set(goal)
            assert not whole.find_broken(whole.make_bits(sorted(after)), 0)
        assert found == instance["top_costs"], instance["id"]
        search.close()


def test_repair_answer_as_a_person_asks(shared_data) -> None:
    """The same through the request: costs overridden, goal asked, list checked afterwards."""
    data = unpack(shared_data, "repair_automotive01.json.gz")
    rules = load(shared_data, data["model"])
    for instance in data["instances"][:6]:
        answer = repair(
            rules,
            RepairRequest(
                declared=tuple(instance["declared_on"]),
                on=tuple(instance["goal_on"]),
                costs=tuple((name, weigh(name)) for name in rules.names),
                top=10,
            ),
        )
        assert answer.proved
        assert [each.cost for each in answer.repairs] == instance["top_costs"]
        for each in answer.repairs:
            after = {*instance["declared_on"], *each.add} - {*each.remove}
            assert check(rules, after, structure=Structure.DECLARED).possible
            assert all(entry.reason for entry in each.entries)
            assert all(entry.rules or entry.cost == 0 for entry in each.entries)


def break_list(rules, seed: int) -> tuple[list[int], dict[int, bool]]:
    """A possible list with random phases; one option is forced on and five others are lost."""
    rng = random.Random(seed)
    warm = Warm(compile_rules(rules))
    warm.solver.set_phases([rng.choice((v, -v)) for v in range(1, len(rules) + 1)])
    warm.holds([])
    model = warm.solver.get_model()
    on = [o for o in range(len(rules)) if model[o] > 0]
    off = [o for o in range(len(rules)) if model[o] < 0]
    goal = next(o for o in rng.sample(off, len(off)) if warm.holds([o + 1]))
    lost = set(rng.sample(on, 5))
    return [o for o in on if o not in lost], {goal: True}


def test_small_files_have_no_warnings(shared_data) -> None:
    for name in SMALL:
        assert not load(shared_data, f"{name}.uvl").warnings


@pytest.mark.parametrize("date", FINSERV)
def test_load_everything_gives_the_same_costs(shared_data, date) -> None:
    """The lazy search against the same search with every rule loaded at once."""
    rules = load(shared_data, f"finserv01_{date}.uvl")
    compiled = compile_rules(rules)
    costs = [weigh(each) for each in rules.names]
    declared, goal = break_list(rules, seed=7)
    found = []
    for load_all in (False, True):
        problem = Problem(declared=declared, fixed=goal, costs=costs, load_all=load_all)
        search = RepairSearch(compiled, problem)
        found.append([s.cost for s, _ in zip(search.list_solutions(), range(3), strict=False)])
        search.close()
    assert found[0] == found[1]
    assert found[0]


def test_published_falsely_optional_options_and_redundant_rules(shared_data) -> None:
    """The publisher also counts dead options below a dead parent; we list those as dead only."""
    for file, row in list_published(shared_data):
        rules = load(shared_data, file)
        answer = facts(rules)
        places = compile_rules(rules).places
        dead = {places[name] for name in answer.dead}
        below = [
            option
            for option in dead
            if rules.parents[option] in dead
            and rules.group_kinds[rules.group_of[option]] is not GroupKind.MANDATORY
            and len(rules.group_members[rules.group_of[option]])
            > rules.group_lows[rules.group_of[option]]
        ]
        published = int(row["NumberOfFalseOptionalFeatures"])
        assert len(answer.falsely_optional) + len(below) == published, file
        assert len(answer.redundant) == int(row["NumberOfRedundantConstraints"]), file


def test_hundreds_of_clicks_are_answered_as_if_each_were_the_first(shared_data) -> None:
    """What one question taught the kept solvers never shows in the answer to another."""
    rules = load(shared_data, "berkeleydb.uvl")
    kept, rng = Warm(compile_rules(rules)), random.Random(3)
    chosen: list[int] = []
    impossible = 0
    for _ in range(300):
        if len(chosen) > 6 or rng.random() < 0.1:
            chosen = []
        click = rng.choice((1, -1)) * (1 + rng.randrange(len(rules)))
        chosen = [literal for literal in chosen if abs(literal) != abs(click)] + [click]
        quick, whole = kept.follow_known(chosen), kept.find_forced(chosen)
        fresh = Warm(compile_rules(rules))
        expected = fresh.find_forced(chosen)
        assert (whole is None) == (expected is None) == (not fresh.holds(chosen))
        if whole is None:
            impossible += 1
            chosen = []
            continue
        assert set(whole) == set(expected)
        assert quick is not None
        assert {x for x in quick if abs(x) <= len(rules)} <= set(whole)
    assert 10 < impossible < 200
