"""Our own solver gives the same answers as Glucose, and cores that are true."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from donorfit.equipment.plain_solver import PlainSolver, _luby

literals = st.integers(1, 8).flatmap(lambda v: st.sampled_from((v, -v)))
clauses = st.lists(st.lists(literals, min_size=1, max_size=4), max_size=40)
rounds = st.lists(st.tuples(clauses, st.lists(literals, max_size=4)), min_size=1, max_size=4)


def test_luby_sequence() -> None:
    # Luby, Sinclair and Zuckerman, 1993.
    assert [_luby(i) for i in range(1, 16)] == [1, 1, 2, 1, 1, 2, 4, 1, 1, 2, 1, 1, 2, 4, 8]


@given(rounds)
@settings(max_examples=400, deadline=None)
def test_same_answers_as_glucose(steps) -> None:
    glucose_class = pytest.importorskip("pysat.solvers").Glucose4
    plain, glucose, everything = PlainSolver(), glucose_class(), []
    for more, assumptions in steps:
        for clause in more:
            plain.add(clause)
            glucose.add_clause(clause)
            everything.append(clause)
        answer = plain.solve(assumptions)
        assert answer == glucose.solve(assumptions=assumptions)
        if answer:
            model = set(plain.get_model())
            known = {abs(x) for c in everything for x in c}
            assert all(any(x in model for x in c) for c in everything)
            assert all(a in model or abs(a) not in known for a in assumptions)
        else:
            core = plain.get_core()
            assert set(core) <= set(assumptions)
            assert not glucose.solve(assumptions=core)
    glucose.delete()
