"""Software that replaces software: the cheapest way, only up or only down, for this hardware."""

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from software_graphs import HARDWARE, list_ways, make_block, make_blocks, price, version

from donorfit.ordering import find_ways_back, find_ways_up


def up(blocks, start, least, **more):
    way = find_ways_up(blocks, HARDWARE, version(start), **more).find_cheapest(version(least))
    return None if way is None else [str(each.version) for each in way]


def back(blocks, start, goal):
    way = find_ways_back(blocks, HARDWARE, version(start)).trace(version(goal))
    return None if way is None else [str(each.version) for each in way]


def test_two_blocks_where_one_may_not_go_over_what_is_there():
    blocks = [make_block("2.3", "2.1"), make_block("2.1", "2.0")]
    assert up(blocks, "2.0", "2.3") == ["2.1", "2.3"]
    assert up(blocks, "2.0", "2.1") == ["2.1"]
    assert up(blocks, "1.9", "2.3") is None
    assert up(blocks, "2.0", "2.4") is None


def test_a_link_that_does_not_fit_the_hardware_breaks_the_way():
    blocks = [make_block("2.3", "2.1"), make_block("2.1", "2.0", hardware=("H2",))]
    assert up(blocks, "2.0", "2.3") is None
    assert up(blocks, "2.1", "2.3") == ["2.3"]


def test_the_fewest_seconds_count_then_bytes_then_blocks_then_the_oldest():
    long, short = make_block(4, 1, seconds=30.0), make_block(2, 1, seconds=10.0)
    rest = make_block(4, 2, seconds=10.0)
    assert up([long, short, rest], 1, 4) == ["2", "4"]
    assert up([long, short, rest], 1, 4, restart_seconds=10.0) == ["4"]
    assert up([make_block(4, 1, size_bytes=9), make_block(5, 1, size_bytes=8)], 1, 4) == ["5"]
    nothing = [make_block(number, number - 1, seconds=0, size_bytes=0) for number in (2, 3)]
    whole = make_block(3, 1, seconds=0, size_bytes=0)
    assert up([*nothing, whole], 1, 3) == ["3"]
    assert up([make_block(5, 1), make_block(4, 1)], 1, 4) == ["4"]


def test_tenths_of_seconds_add_up_exactly():
    three = [make_block(number, number - 1, seconds=0.1) for number in (2, 3, 4)]
    one = make_block(4, 1, seconds=0.3, size_bytes=300)
    assert up([*three, one], 1, 4) == ["4"]  # 0.1 + 0.1 + 0.1 is more than 0.3 as floats


def test_no_way_goes_down_and_up_again():
    blocks = [make_block(1, 2), make_block(4, 1)]
    assert up(blocks, 2, 3) is None
    blocks = [make_block(5, 4), make_block(2, 5)]
    assert back(blocks, 4, 2) is None


def test_the_way_back_is_one_of_its_own():
    blocks = [make_block("2.3", "2.1"), make_block("2.1", "2.0", "2.3"), make_block("2.0", "2.1")]
    assert back(blocks, "2.3", "2.0") == ["2.1", "2.0"]
    assert back([*blocks, make_block("2.0", "2.3", "2.1")], "2.3", "2.0") == ["2.0"]
    assert back(blocks[:2], "2.3", "2.0") is None
    assert back(blocks, "2.0", "2.0") == []


def test_a_block_over_any_version_goes_over_the_one_that_is_there():
    blocks = [make_block(3), make_block(2, 1), make_block(4, 3)]
    assert up(blocks, 1, 4) == ["3", "4"]
    assert up(blocks, 7, 8) is None


def test_what_is_reached_is_told_from_the_lowest_on():
    blocks = [make_block(3, 2), make_block(2, 1), make_block(9, 8)]
    ways = find_ways_up(blocks, HARDWARE, version(1))
    assert ways.reached == (version(2), version(3))
    assert ways.trace(version(9)) is None


def test_the_same_way_whatever_the_order_of_the_blocks():
    dice = random.Random(5)
    for _ in range(200):
        blocks = make_blocks(dice)
        way = find_ways_up(blocks, HARDWARE, version(1)).find_cheapest(version(5))
        dice.shuffle(blocks)
        assert find_ways_up(blocks, HARDWARE, version(1)).find_cheapest(version(5)) == way


@pytest.mark.parametrize("down", [False, True])
def test_none_of_all_ways_is_cheaper(down):
    """Every way is tried, by its definition, on 400 sets of blocks made up by dice."""
    dice = random.Random(2026 + down)
    found = in_a_row = 0
    for _ in range(400):
        blocks = make_blocks(dice)
        start = version(7 if down else 1)
        find = find_ways_back if down else find_ways_up
        ways = find(blocks, HARDWARE, start, restart_seconds=0.3)
        best: dict = {}
        for way in list_ways(blocks, start, down=down):
            if way:
                cost = price(way, 0.3)
                best[way[-1].version] = min(cost, best.get(way[-1].version, cost))
        assert {each: ways.arrivals[each].cost for each in ways.reached} == best
        for each in ways.reached:
            way = ways.trace(each)
            assert way in set(list_ways(blocks, start, down=down))
            assert price(way, 0.3) == best[each]
            found += 1
            in_a_row += len(way) > 1
    assert found > 400
    assert in_a_row > 100


def test_a_great_many_ways_are_not_walked_one_by_one():
    """A ladder of 2,000 versions, ten blocks over each: more ways than could ever be tried."""
    blocks = [
        make_block(number + step, number, seconds=step, file=f"{number}_{step}.bin")
        for number in range(1, 2001)
        for step in range(1, 11)
    ]
    way = find_ways_up(blocks, HARDWARE, version(1)).find_cheapest(version(2001))
    assert way is not None
    assert price(way) == (2_000_000, 20_000, 200)
    assert [str(each.version) for each in way[:2]] == ["11", "21"]
