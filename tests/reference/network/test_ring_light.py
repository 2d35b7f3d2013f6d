"""Optical ring against worked figures.

Fibre: IEC 60793-2-40 A4a, 0.40 dB/m at most; 0.22 dB/m typical (data sheet). Window 14 dB and
connector 1.5 dB from memory; the sums are worked by hand.
"""

import pytest

from donorfit.network import (
    RingBudget,
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


def test_a_kink_of_six_decibels(four):
    """A 6 dB kink on a hop of 2 m with one connector and a bend: 14 - 0.8 - 1.5 - 6 = 5.7 dB."""
    from dataclasses import replace

    hops = [
        replace(each, extra_db=6.0, sharp_bends=0) if each.source == "2" else each
        for each in four.hops
    ]
    assert margins(judge_ring(replace(four, hops=tuple(hops)))) == [10.5, 12.8, 5.7, 10.9]


def test_powers_in_microwatts():
    """-10 dBm 100 uW, -1.5 dBm 708 uW, -24 dBm 3.98 uW, -2 dBm 631 uW: the definition of dBm."""
    budget = RingBudget()
    powers = [
        1000 * 10 ** (each / 10)
        for each in (
            budget.weakest_transmit_dbm,
            budget.strongest_transmit_dbm,
            budget.weakest_receive_dbm,
            budget.strongest_receive_dbm,
        )
    ]
    assert powers == pytest.approx([100, 708, 3.98, 631], rel=0.002)


def test_a_published_link_budget_shows_the_sum_to_be_optimistic():
    """Trap: a 125 Mbit/s link sheet leaves at least 11 dB after 1 m and 3 dB after 20 m, 0.42 dB a
    metre: more than the cable's own 0.22 dB/m. So the worst figure, 0.40, is used for margins."""
    slope = (11 - 3) / 19
    assert slope == pytest.approx(0.42, abs=0.005)
    assert abs(RingBudget().fibre_db_per_m - slope) < abs(
        RingBudget().least_fibre_db_per_m - slope
    )


def test_break_between_two_and_three():
    """Example in words of an industrial ring's break location: of M,1,2,3,4 the nodes 3 and 4 are
    heard, so the break is before the second module ahead of the receiver."""
    found = locate_break(["M", "1", "2", "3", "4"], {"3", "4"})
    assert (found.before, found.behind, len(found.heard_to_master)) == ("2", "3", 2)
