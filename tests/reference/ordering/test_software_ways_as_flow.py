"""The cheapest row of blocks is the cheapest flow of one unit of OR-tools 9 through the same graph.

A shortest path is a flow of one unit at the lowest cost (Ahuja, Magnanti, Orlin, "Network Flows",
1993, section 1.2). OR-tools is in the development environment only; the graph is built here from
the meaning of the words, not with the code under test.
"""

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "unit" / "ordering"))
pytest.importorskip("ortools", reason="OR-tools is not installed")
from ortools.graph.python import min_cost_flow
from software_graphs import HARDWARE, make_blocks, version

from donorfit.ordering import find_ways_back, find_ways_up

pytestmark = pytest.mark.reference
BYTES, BLOCKS = 10**6, 10**3


def price_by_flow(blocks, start, goals, *, down):
    """Milliseconds, bytes and blocks in one number; None where nothing flows."""
    flow = min_cost_flow.SimpleMinCostFlow()
    versions = sorted({start, *goals, *(each.version for each in blocks)})
    place = {each: number for number, each in enumerate(versions)}
    sink = len(versions)
    for block in blocks:
        for before in versions:
            fits = HARDWARE in block.hardware and block.may_replace(before)
            if fits and (block.version < before if down else block.version > before):
                cost = (round(block.seconds * 1000) * BYTES + block.size_bytes) * BLOCKS + 1
                flow.add_arc_with_capacity_and_unit_cost(
                    place[before], place[block.version], 1, cost
                )
    for goal in goals:
        flow.add_arc_with_capacity_and_unit_cost(place[goal], sink, 1, 0)
    flow.set_node_supply(place[start], 1)
    flow.set_node_supply(sink, -1)
    status = flow.solve()
    return flow.optimal_cost() if status == flow.OPTIMAL else None


def price(way):
    seconds = sum(round(each.seconds * 1000) for each in way)
    return (seconds * BYTES + sum(each.size_bytes for each in way)) * BLOCKS + len(way)


@pytest.mark.parametrize(("versions", "blocks", "sets"), [(7, 10, 400), (40, 150, 40)])
def test_ways_up_cost_what_the_flow_costs(versions, blocks, sets):
    dice = random.Random(versions)
    found = none = 0
    for _ in range(sets):
        made = make_blocks(dice, versions=versions, blocks=blocks)
        start, least = version(1), version(dice.randrange(2, versions + 1))
        goals = {each.version for each in made if each.version >= least} or {least}
        way = find_ways_up(made, HARDWARE, start).find_cheapest(least)
        expected = price_by_flow(made, start, goals, down=False)
        assert (None if way is None else price(way)) == expected
        found += way is not None
        none += way is None
    assert found
    assert none or versions > 7


@pytest.mark.parametrize(("versions", "blocks", "sets"), [(7, 10, 400), (40, 150, 40)])
def test_ways_back_cost_what_the_flow_costs(versions, blocks, sets):
    dice = random.Random(1000 + versions)
    found = 0
    for _ in range(sets):
        made = make_blocks(dice, versions=versions, blocks=blocks)
        start, goal = version(versions), version(dice.randrange(1, versions))
        way = find_ways_back(made, HARDWARE, start).trace(goal)
        expected = price_by_flow(made, start, {goal}, down=True)
        assert (None if way is None else price(way)) == expected
        found += way is not None
    assert found
