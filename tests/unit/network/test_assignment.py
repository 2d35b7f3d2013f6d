"""The chosen pairs have the highest sum of scores: against trying everything, and a solver."""

import random
from itertools import product

import pytest

from donorfit.network.assignment import choose_pairs


def make_table(dice: random.Random, rows: int, columns: int, share: float):
    return [
        {c: round(dice.random(), 3) for c in range(columns) if dice.random() < share}
        for _ in range(rows)
    ]


def add_up(table, chosen) -> float:
    taken = [each for each in chosen if each is not None]
    assert len(set(taken)) == len(taken)
    return sum(table[row][column] for row, column in enumerate(chosen) if column is not None)


def try_everything(table, columns: int) -> float:
    best = 0.0
    for choice in product([None, *range(columns)], repeat=len(table)):
        taken = [each for each in choice if each is not None]
        if len(set(taken)) < len(taken):
            continue
        pairs = [(r, c) for r, c in enumerate(choice) if c is not None]
        if all(c in table[r] for r, c in pairs):
            best = max(best, sum(table[r][c] for r, c in pairs))
    return best


@pytest.mark.parametrize("seed", range(150))
def test_against_trying_everything(seed) -> None:
    dice = random.Random(seed)
    columns = dice.randint(1, 4)
    table = make_table(dice, dice.randint(1, 4), columns, 0.7)
    assert add_up(table, choose_pairs(table)) == pytest.approx(try_everything(table, columns))


@pytest.mark.parametrize("seed", range(5))
def test_against_a_solver(seed) -> None:
    """OR-Tools, an independent library, on whole tables of 60 by 60."""
    solver = pytest.importorskip("ortools.graph.python.linear_sum_assignment")
    table = make_table(random.Random(seed), 60, 60, 1.1)
    model = solver.SimpleLinearSumAssignment()
    for row, scores in enumerate(table):
        for column, score in scores.items():
            model.add_arc_with_cost(row, column, 1000 - round(1000 * score))
    assert model.solve() == model.OPTIMAL
    best = 60 - model.optimal_cost() / 1000
    assert add_up(table, choose_pairs(table)) == pytest.approx(best)


def test_greed_would_lose() -> None:
    table = [{"a": 0.9, "b": 0.8}, {"a": 0.85}]
    assert choose_pairs(table) == ["b", "a"]
    assert choose_pairs([{}, {"a": 0.5}]) == [None, "a"]
    assert choose_pairs([]) == []
