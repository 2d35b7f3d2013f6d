"""Optical ring against worked figures.

Fibre: IEC 60793-2-40 A4a, 0.40 dB/m at most; 0.22 dB/m typical (data sheet). Window 14 dB and
connector 1.5 dB from memory; the sums are worked by hand.
"""

import pytest

from donorfit.network import (
    bypass_node,
    insert_node,
    judge_ring,
    locate_break,
)

pytestmark = pytest.mark.reference


def margins(report):
    return [round(each.margin_db, 1) for each in report.hops]


@pytest.fixture
def four(ring):
    return ring(("M", "1", 5, 1, 0), ("1", "2", 3, 0, 0), ("2", "3", 2, 1, 1), ("3", "M", 4, 1, 0))


def test_margins_of_each_hop(four):
    assert margins(judge_ring(four)) == [10.5, 12.8, 11.2, 10.9]


def test_one_more_active_node_leaves_the_others_alone(four):
    more = insert_node(four, "N", after="1", length_in_m=4.5, length_out_m=4.0)
    assert margins(judge_ring(more)) == [10.5, 10.7, 10.9, 11.2, 10.9]
    assert judge_ring(more).lowest_margin_db == pytest.approx(10.5)


def test_a_passive_bridge_adds_its_hops(four):
    """4.5 m and 4.0 m with a connector each, bridged by a third: 8.5 m and 3 connectors: 6.1."""
    more = insert_node(four, "N", after="1", length_in_m=4.5, length_out_m=4.0)
    assert margins(judge_ring(bypass_node(more, "N")))[1] == 6.1


def test_a_very_short_hop_may_be_too_bright(ring):
    """-1.5 dBm less 0.5 m * 0.22 dB/m is -1.61 dBm, above -2 dBm."""
    report = judge_ring(ring(("M", "1", 0.5, 0, 0), ("1", "M", 5, 1, 0)))
    assert report.hops[0].overload_db == pytest.approx(0.39)
    assert [each.verdict for each in report.hops] == ["too bright", "holds"]


def test_break_between_two_and_three():
    """Example in words of an industrial ring's break location: of M,1,2,3,4 the nodes 3 and 4 are
    heard, so the break is before the second module ahead of the receiver."""
    found = locate_break(["M", "1", "2", "3", "4"], {"3", "4"})
    assert (found.before, found.behind, len(found.heard_to_master)) == ("2", "3", 2)
