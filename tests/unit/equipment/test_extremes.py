"""Rule bases at the edge: nothing possible, very deep, very large, before the family existed."""

import json
import subprocess
import sys

import pytest

from donorfit.equipment import (
    RepairRequest,
    Structure,
    check,
    facts,
    implied,
    months,
    read_uvl,
    repair,
    replay,
    why,
)
from donorfit.equipment.read_dimacs import read_dimacs
from donorfit.errors import InputError
from donorfit.vehicle.identity import BuildMonth

NOTHING = """features
    A
        mandatory
            B
        optional
            C
constraints
    B => C
    !C
"""
FAMILY = """features
    A
        mandatory
            Net
                alternative
                    Old {valid_from '2019-03', valid_before '2021-07'}
                    New {valid_from '2021-07'}
        optional
            Integer build_month
"""


def test_no_list_is_possible() -> None:
    """Every answer says so, and why."""
    rules = read_uvl(NOTHING, file="a.uvl")
    request = RepairRequest(declared=("A", "B"))
    clashes = [
        facts(rules).clash,
        repair(rules, request).clash,
        implied(rules, ["C"]).clash,
        *why(rules, ["A", "B"]).clashes,
    ]
    assert not check(rules, ["A", "B"]).possible
    assert months(rules, ["A", "B"]).windows == ()
    for clash in clashes:
        assert {rule.id for rule in clash.rules} >= {"r8", "r9"} or clash.facts
    assert replay(rules, clashes).sound
    assert clashes[0].facts == ()


def test_an_empty_rule_base_is_refused() -> None:
    for text in ("", "features\n", "constraints\n A\n", "// nothing\n"):
        with pytest.raises(InputError, match="no option"):
            read_uvl(text, file="a.uvl")
    with pytest.raises(InputError):
        read_dimacs("", file="a.dimacs")
    flat = read_dimacs("p cnf 0 0\n", file="a.dimacs")
    for ask in (lambda: check(flat, []), lambda: facts(flat), lambda: implied(flat, [])):
        with pytest.raises(InputError, match="holds no option"):
            ask()


def test_a_month_before_the_family_existed() -> None:
    rules, early = read_uvl(FAMILY, file="a.uvl"), BuildMonth.parse("1950-01")
    declared = ("A", "Net", "Old")
    found = months(rules, declared, early)
    assert (str(found.nearest), found.earlier) == ("2019-03", None)
    assert not check(rules, declared, early).possible
    answer = repair(rules, RepairRequest(declared=declared, month=early))
    assert str(answer.repairs[0].month) == "2019-03"
    fixed = repair(rules, RepairRequest(declared=declared, month=early, month_fixed=True))
    assert not fixed.possible
    assert replay(rules, [fixed.clash]).sound
    assert [str(fact) for fact in fixed.clash.facts] == ["the declared build month is 1950-01"]


def test_a_tree_of_three_thousand_levels() -> None:
    lines = ["features"]
    for level in range(3_000):
        lines.append(" " * (2 * level + 1) + f"o{level}")
        lines.append(" " * (2 * level + 2) + "optional")
    lines.append(" " * 6_001 + "leaf")
    rules = read_uvl("\n".join(lines), file="deep.uvl")
    assert len(implied(rules, ["leaf"]).on) == 3_000
    answer = repair(rules, RepairRequest(declared=("o0",), on=("leaf",)))
    assert len(answer.repairs[0].add) == 3_000
    told = why(rules, ["o0"], on=["leaf"], structure=Structure.DECLARED)
    assert replay(rules, told.clashes).sound


def test_the_same_rules_as_dimacs_and_as_uvl() -> None:
    """Lists, cheapest repairs and forced options agree, option by option."""
    tree = read_uvl(
        "features\n A\n  or\n   B\n   C\n  alternative\n   D\n   E\n"
        "constraints\n B => D\n C => !B | E\n",
        file="a.uvl",
    )
    flat = read_dimacs(
        "c 1 A\nc 2 B\nc 3 C\nc 4 D\nc 5 E\np cnf 5 10\n1 0\n-2 1 0\n-3 1 0\n-4 1 0\n-5 1 0\n"
        "-1 2 3 0\n-1 4 5 0\n-4 -5 0\n-2 4 0\n-3 -2 5 0\n",
        file="a.dimacs",
    )
    costs = (("A", 3.0), ("B", 2.0), ("C", 5.0), ("D", 4.0), ("E", 1.0))
    for on in range(32):
        declared = tuple(name for bit, name in enumerate("ABCDE") if on >> bit & 1)
        answers = []
        for rules in (tree, flat):
            request = RepairRequest(
                declared=declared, costs=costs, top=20, structure=Structure.DECLARED
            )
            found = repair(rules, request).repairs
            answers.append(
                (
                    check(rules, declared, structure=Structure.DECLARED).possible,
                    [each.cost for each in found],
                    {(frozenset(each.add), frozenset(each.remove)) for each in found},
                )
            )
        assert answers[0] == answers[1]
    for option in "ABCDE":
        left, right = implied(tree, [option]), implied(flat, [option])
        assert (set(left.on), set(left.off)) == (set(right.on), set(right.off))


MILLION = r"""
import resource, sys, time
from donorfit.equipment import RepairRequest, check, implied, read_uvl, repair
lines = ["features", "\tcar"]
for block in range(1000):
    lines += ["\t\toptional", f"\t\t\tb{block}", "\t\t\t\toptional"]
    lines += [f"\t\t\t\t\to{block}_{place}" for place in range(999)]
lines.append("constraints")
lines += [f"\to{block}_1 => o{block + 1}_2 & !o{block + 1}_3" for block in range(999)]
text = "\n".join(lines)
marks = [time.process_time()]
rules = read_uvl(text, file="million.uvl")
marks.append(time.process_time())
declared = ("car", "b0", "b1", "o1_3")
found = check(rules, declared)
marks.append(time.process_time())
answer = repair(rules, RepairRequest(declared=declared, on=("o0_1",)))
marks.append(time.process_time())
first = answer.repairs[0]
print(len(rules), found.possible, sorted(first.add), sorted(first.remove), answer.proved)
print([round(b - a, 1) for a, b in zip(marks, marks[1:])], file=sys.stderr)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, "MB", file=sys.stderr)
"""


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_million_options() -> None:
    """Read, checked and repaired in one process; docs/options.md tells time and memory."""
    pytest.importorskip("resource")
    run = subprocess.run(
        [sys.executable, "-c", MILLION], capture_output=True, text=True, timeout=800, check=False
    )
    print(run.stderr)
    assert run.returncode == 0, run.stderr
    added, removed = "['o0_1', 'o1_2']", "['o1_3']"
    assert run.stdout.strip() == f"1000001 True {added} {removed} True"


def test_a_request_for_options_by_the_hundred_thousand() -> None:
    """A long request is read without squaring its length, and every unknown name is counted."""
    from donorfit.equipment.request_file import read_request

    names = [f"o{number}" for number in range(200_000)]
    request = read_request(json.dumps({"declared": names}), file="r.json")
    rules = read_uvl("features\n A\n  optional\n   B\n", file="a.uvl")
    with pytest.raises(InputError, match="options not known"):
        check(rules, request.declared)
