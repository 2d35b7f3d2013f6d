"""Explanations of stored broken lists: replayed, minimal, short, without inner names.

Minimality is proved with the clauses of uvllang, an independent reader, where these are at hand:
without any one fact the rest is possible. Targets of length: median 4 steps, 95 of 100 within 6.
"""

import gzip
import json
import statistics

import pytest

from donorfit.equipment import Structure, read_uvl, replay, why
from donorfit.equipment.compiled import compile_rules

pytestmark = pytest.mark.reference
uvllang = pytest.importorskip("uvllang")
solvers = pytest.importorskip("pysat.solvers")


def list_clashes(shared_data, name, count):
    data = json.loads(
        gzip.decompress((shared_data / "feature-models" / f"repair_{name}.json.gz").read_bytes())
    )
    path = shared_data / "feature-models" / data["model"]
    rules = read_uvl(path.read_text(encoding="utf-8"), file=path.name)
    found = [
        clash
        for one in data["instances"][:count]
        for clash in why(
            rules, one["declared_on"], on=one["goal_on"], structure=Structure.DECLARED
        ).clashes
    ]
    found += [
        clash
        for one in data["instances"][:count]
        for goal in one["goal_on"]
        for other in one["declared_on"][:: max(1, len(one["declared_on"]) // 25)]
        for clash in why(rules, on=[goal], about=other).clashes
    ]
    return path, rules, found


@pytest.mark.parametrize(("name", "count"), [("automotive01", 24), ("automotive02_v4", 6)])
def test_explanations(shared_data, name, count) -> None:
    path, rules, clashes = list_clashes(shared_data, name, count)
    assert len(clashes) > 20
    compiled = compile_rules(rules)
    cnf = uvllang.UVL(from_file=str(path)).to_cnf(verbose_info=False)
    numbers = {}
    for comment in cnf.comments:
        _, number, option = comment.split(" ", 2)
        numbers[option.strip('"')] = int(number)
    with solvers.Glucose4(bootstrap_with=cnf.clauses) as solver:
        for clash in clashes:
            assert clash.minimal
            assert replay(rules, [clash]).sound, replay(rules, [clash])
            literals = [numbers[f.option] * (1 if f.on else -1) for f in clash.facts]
            assert not solver.solve(assumptions=literals)
            for literal in literals if len(clash.rules) > 1 else ():
                assert solver.solve(assumptions=[each for each in literals if each != literal])
            for step in clash.steps:
                assert all(rule.line or rule.id == "root" for rule in step.rules)
                said = (*step.premises, *step.conclusion.split(" & "))
                names = [each.removeprefix("!") for each in said if each]
                assert all(each in compiled.places for each in names)
    lengths = sorted(len(clash.steps) for clash in clashes)
    assert statistics.median(lengths) <= 4
    assert lengths[int(0.95 * len(lengths))] <= 6
