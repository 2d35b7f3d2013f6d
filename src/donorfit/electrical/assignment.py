"""Exact assignment of rows to columns at the lowest total cost.

Source: the Hungarian method in its shortest-augmenting-path form (Kuhn 1955, Munkres 1957,
Jonker and Volgenant 1987), written from the published description; O(n^3).
"""

from collections.abc import Sequence


def assign(costs: Sequence[Sequence[int]], *, unpaired: int) -> list[int | None]:
    """Column of each row, None where leaving the row alone is cheaper.

    Args:
        costs: one row of costs a row, all of the same length, none negative.
        unpaired: cost of leaving a row alone; pairs at this cost or more are never made.
    """
    rows = len(costs)
    columns = len(costs[0]) if rows else 0
    width = columns + rows  # one column of its own for every row that stays alone
    padded = [[*row, *([unpaired] * rows)] for row in costs]
    row_of = [-1] * width
    row_price, column_price = [0] * rows, [0] * width
    for start in range(rows):
        _augment(padded, start, row_of, row_price, column_price)
    answer: list[int | None] = [None] * rows
    for column, row in enumerate(row_of[:columns]):
        if row >= 0 and costs[row][column] < unpaired:
            answer[row] = column
    return answer


def _augment(
    costs: list[list[int]],
    start: int,
    row_of: list[int],
    row_price: list[int],
    column_price: list[int],
) -> None:
    """Give one more row a column along the cheapest path through the rows placed so far."""
    width = len(row_of)
    distance: list[float] = [float("inf")] * width
    came_from = [-1] * width
    done: list[int] = []
    open_columns = set(range(width))
    row, column, reached = start, -1, 0.0
    while True:
        for each in open_columns:
            step = reached + costs[row][each] - row_price[row] - column_price[each]
            if step < distance[each]:
                distance[each], came_from[each] = step, column
        nearest = min(open_columns, key=lambda each: (distance[each], each))
        reached = distance[nearest]
        open_columns.remove(nearest)
        column = nearest
        if row_of[nearest] < 0:
            break
        done.append(nearest)
        row = row_of[nearest]
    row_price[start] += int(reached)
    for each in done:
        row_price[row_of[each]] += int(reached - distance[each])
        column_price[each] -= int(reached - distance[each])
    while column >= 0:
        before = came_from[column]
        row_of[column] = start if before < 0 else row_of[before]
        column = before
