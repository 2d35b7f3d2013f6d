"""Cheapest repairs by solvers of other families, over all rules: clingo, CP-SAT, RC2's variants.

Each takes clauses over variables ``1 ...``, the literals that are asked, and soft literals with
their costs, and gives the costs of the cheapest repairs: the optimum, then again and again the
optimum that contains none of the earlier ones. Making the model counts: a person asks once.
"""

import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

import clingo
from ortools.sat.python import cp_model
from pysat.examples.rc2 import RC2, RC2Stratified
from pysat.formula import WCNF

Clauses = Sequence[Sequence[int]]
Soft = Sequence[tuple[int, int]]
Search = Callable[[Clauses, Sequence[int], Soft, int], list[int]]


def search_with_rc2(
    clauses: Clauses, asked: Sequence[int], soft: Soft, top: int, solver: str = "g4"
) -> list[int]:
    """RC2 with its usual flags."""
    with RC2(_make_wcnf(clauses, asked, soft), solver=solver) as rc2:
        return [rc2.cost for _, _ in zip(rc2.enumerate(block=-1), range(top), strict=False)]


def search_with_rc2_stratified(
    clauses: Clauses, asked: Sequence[int], soft: Soft, top: int
) -> list[int]:
    """RC2 that takes the dear wishes first."""
    with RC2Stratified(_make_wcnf(clauses, asked, soft), solver="g4") as rc2:
        return [rc2.cost for _, _ in zip(rc2.enumerate(block=-1), range(top), strict=False)]


def search_with_rc2_cadical(
    clauses: Clauses, asked: Sequence[int], soft: Soft, top: int
) -> list[int]:
    """RC2 over CaDiCaL 1.5.3."""
    return search_with_rc2(clauses, asked, soft, top, "cd15")


def _make_wcnf(clauses: Clauses, asked: Sequence[int], soft: Soft) -> WCNF:
    wcnf = WCNF()
    wcnf.extend(clauses)
    wcnf.extend([[literal] for literal in asked])
    wcnf.extend([[literal] for literal, _ in soft], weights=[cost for _, cost in soft])
    return wcnf


def search_with_clingo(clauses: Clauses, asked: Sequence[int], soft: Soft, top: int) -> list[int]:
    """Clingo with cores (``--opt-strategy=usc``)."""
    control = clingo.Control(["--opt-strategy=usc", "--warn=none"])
    last = max(abs(literal) for clause in clauses for literal in clause)
    with control.backend() as backend:
        atoms: list[int] = [0, *(backend.add_atom() for _ in range(last))]

        def turn(literal: int) -> int:
            return atoms[literal] if literal > 0 else -atoms[-literal]

        backend.add_rule(atoms[1:], choice=True)
        for clause in (*clauses, *([literal] for literal in asked)):
            backend.add_rule([], [-turn(literal) for literal in clause])
        backend.add_minimize(0, [(-turn(literal), cost) for literal, cost in soft])
    wishes = [(turn(literal), literal) for literal, _ in soft]
    costs: list[int] = []
    while len(costs) < top:
        flipped: list[int] = []
        with control.solve(yield_=True) as handle:
            best = None
            for model in handle:
                best = model.cost[0] if model.cost else 0
                flipped = [atom for atom, _ in wishes if not model.is_true(atom)]
        if best is None:
            break
        costs.append(best)
        with control.backend() as backend:
            backend.add_rule([], [-atom for atom in flipped])
    return costs


def search_with_cp_sat(clauses: Clauses, asked: Sequence[int], soft: Soft, top: int) -> list[int]:
    """CP-SAT, one worker, the list as it is as a hint."""
    model = cp_model.CpModel()
    last = max(abs(literal) for clause in clauses for literal in clause)
    variables = [model.new_bool_var("") for _ in range(last + 1)]

    def turn(literal: int) -> cp_model.LiteralT:
        return variables[literal] if literal > 0 else ~variables[-literal]

    for clause in (*clauses, *([literal] for literal in asked)):
        model.add_bool_or([turn(literal) for literal in clause])
    for literal, _ in soft:
        model.add_hint(variables[abs(literal)], literal > 0)
    model.minimize(sum(cost * turn(-literal) for literal, cost in soft))
    costs: list[int] = []
    while len(costs) < top:
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        if solver.solve(model) != cp_model.OPTIMAL:
            break
        costs.append(round(solver.objective_value))
        model.add_bool_or(
            [turn(literal) for literal, _ in soft if not solver.boolean_value(turn(literal))]
        )
    return costs


PEERS: tuple[tuple[str, Search], ...] = (
    ("RC2 Glucose 4", search_with_rc2),
    ("RC2 CaDiCaL 1.5.3", search_with_rc2_cadical),
    ("RC2 stratified", search_with_rc2_stratified),
    ("clingo usc", search_with_clingo),
    ("CP-SAT", search_with_cp_sat),
)

READ_WITH_UVLPARSER = """
import sys, time
from main import get_tree  # so the package names its one module
started = time.process_time()
get_tree(sys.argv[1])
print(1000 * (time.process_time() - started))
"""


def read_with_uvlparser(python: Path, rules: Path) -> float:
    """Milliseconds of processor time in which uvlparser makes its tree, imports not counted."""
    words = (str(python), "-P", "-c", READ_WITH_UVLPARSER, str(rules))
    told = subprocess.run(words, capture_output=True, text=True, check=True)
    return float(told.stdout.split()[-1])
