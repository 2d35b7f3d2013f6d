"""The pairing of cavities against OR-Tools' own assignment solver, on larger connectors."""

import random

import pytest
from ortools.graph.python import linear_sum_assignment

from donorfit.electrical.assignment import assign

pytestmark = pytest.mark.reference


@pytest.mark.parametrize("seed", range(20))
def test_the_cheapest_assignment(seed):
    """Up to 40 cavities on each side; a row may stay alone at a price, as a column of its own."""
    dice = random.Random(seed)
    rows, columns, alone = dice.randint(1, 40), dice.randint(1, 40), 50
    costs = [[dice.randint(0, 100) for _ in range(columns)] for _ in range(rows)]
    solver = linear_sum_assignment.SimpleLinearSumAssignment()
    for row in range(rows + columns):
        for column in range(columns + rows):
            if row < rows and column < columns:
                price = min(costs[row][column], 2 * alone)
            elif row < rows:
                price = alone if column - columns == row else 10_000
            else:
                price = 0
            solver.add_arc_with_cost(row, column, price)
    assert solver.solve() == solver.OPTIMAL
    answer = assign(costs, unpaired=alone)
    total = sum(
        alone if column is None else costs[row][column] for row, column in enumerate(answer)
    )
    assert total == solver.optimal_cost()
    used = [column for column in answer if column is not None]
    assert len(set(used)) == len(used)
