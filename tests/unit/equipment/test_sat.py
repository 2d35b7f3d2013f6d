"""The solver behind the reasoning."""

import pytest

from donorfit.equipment.sat import has_glucose, make_solver


@pytest.mark.skipif(not has_glucose(), reason="python-sat is not installed")
def test_glucose_is_told_each_assumption_once(monkeypatch) -> None:
    """Twice the same one makes Glucose 4.1 write beyond an array: seen under valgrind."""
    solver = make_solver([(1, 2), (-1, 3)])
    told: list[list[int]] = []
    inner = solver._solver
    solve, limited = inner.solve, inner.solve_limited
    monkeypatch.setattr(
        inner, "solve", lambda assumptions: told.append(assumptions) or solve(assumptions)
    )
    monkeypatch.setattr(
        inner,
        "solve_limited",
        lambda assumptions: told.append(assumptions) or limited(assumptions),
    )
    assert solver.solve([1, 1, -2, 1, -2])
    assert not solver.solve((1, -3, 1, -3))
    solver.stop_when(lambda: False)
    assert solver.solve({-1: 5, 2: 1})
    assert not solver.solve([1, 1, -1])
    assert told == [[1, -2], [1, -3], [-1, 2], [1, -1]]
    solver.close()
