"""Best choice of pairs from a sparse table of scores: each row and each column at most once.

The pairs have the highest sum of scores of all choices. Successive shortest augmenting paths with
potentials on the bipartite graph, each row also joined to "nothing" at score 0; source: the
Hungarian method in the form of Edmonds and Karp (1972).
"""

import heapq
from collections.abc import Hashable, Mapping, Sequence
from typing import TypeVar

Column = TypeVar("Column", bound=Hashable)


def choose_pairs(scores: Sequence[Mapping[Column, float]]) -> list[Column | None]:
    """Column chosen for each row, None where none is better than nothing.

    Args:
        scores: for each row the score of each column that it may take, 0 or more.
    """
    names = list(dict.fromkeys(column for row in scores for column in row))
    places = {name: place for place, name in enumerate(names)}
    highest = max((score for row in scores for score in row.values()), default=0.0)
    # Column len(names) + row is that row's own "nothing".
    edges = [
        [
            *((places[name], highest - score) for name, score in row.items()),
            (len(names) + number, highest),
        ]
        for number, row in enumerate(scores)
    ]
    owners = [-1] * (len(names) + len(scores))
    rows, columns = [0.0] * len(scores), [0.0] * len(owners)
    for row in range(len(scores)):
        _augment(row, edges, owners, rows, columns)
    chosen: list[Column | None] = [None] * len(scores)
    for place, owner in enumerate(owners[: len(names)]):
        if owner >= 0:
            chosen[owner] = names[place]
    return chosen


def _augment(
    start: int,
    edges: list[list[tuple[int, float]]],
    owners: list[int],
    rows: list[float],
    columns: list[float],
) -> None:
    """Give ``start`` a column by the cheapest way of moving others."""
    distances, came_from, done, column = _search(start, edges, owners, rows, columns)
    reached = distances[column]
    rows[start] += reached
    for each in done:
        gain = reached - distances[each]
        columns[each] -= gain
        if each != column:
            rows[owners[each]] += gain
    while True:
        row = came_from[column]
        held = (c for c, _ in edges[row] if owners[c] == row and c != column)
        owners[column], column = row, next(held, -1)
        if row == start:
            return


def _search(
    start: int,
    edges: list[list[tuple[int, float]]],
    owners: list[int],
    rows: list[float],
    columns: list[float],
) -> tuple[dict[int, float], dict[int, int], set[int], int]:
    """Nearest free column (Dijkstra on reduced costs), with the way to it."""
    distances: dict[int, float] = {}
    came_from: dict[int, int] = {}
    done: set[int] = set()
    waiting: list[tuple[float, int]] = []
    reached, row = 0.0, start
    while True:
        for column, cost in edges[row]:
            distance = reached + max(0.0, cost - rows[row] - columns[column])
            if column not in done and distance < distances.get(column, float("inf")):
                distances[column], came_from[column] = distance, row
                heapq.heappush(waiting, (distance, column))
        reached, column = heapq.heappop(waiting)
        while column in done:
            reached, column = heapq.heappop(waiting)
        done.add(column)
        if owners[column] < 0:
            return distances, came_from, done, column
        row = owners[column]
