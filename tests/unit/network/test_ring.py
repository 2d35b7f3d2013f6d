"""Shapes of a ring, nodes added and bridged, breaks located."""

import pytest

from donorfit.errors import InputError
from donorfit.network import (
    RingBudget,
    bypass_node,
    compare_expected,
    insert_node,
    judge_ring,
    list_ring_order,
    locate_break,
)
from donorfit.network.ring_break import BreakKind, list_expected, locate_weak_hop


def test_the_order_begins_at_the_master_whatever_the_hops_order(ring):
    shuffled = ring(
        ("m", "a", 1, 0, 0), ("b", "c", 1, 0, 0), ("c", "m", 1, 0, 0), ("a", "b", 1, 0, 0)
    )
    assert list_ring_order(shuffled) == ("m", "a", "b", "c")


@pytest.mark.parametrize(
    ("hops", "why"),
    [
        ([("m", "a", 1, 0, 0), ("b", "m", 1, 0, 0)], "no hop leaves a"),
        ([("m", "a", 1, 0, 0), ("m", "b", 1, 0, 0), ("a", "m", 1, 0, 0)], "two hops leave m"),
        ([("m", "m", 1, 0, 0)], "2 to 64"),
        (
            [("m", "a", 1, 0, 0), ("a", "m", 1, 0, 0), ("b", "c", 1, 0, 0), ("c", "b", 1, 0, 0)],
            "do not close",
        ),
        ([("m", "a", 1, 0, 0), ("a", "b", 1, 0, 0), ("b", "a", 1, 0, 0)], "a is there twice"),
        ([("m", "a", float("nan"), 0, 0), ("a", "m", 1, 0, 0)], "nan m long"),
        ([("m", "a", float("inf"), 0, 0), ("a", "m", 1, 0, 0)], "inf m long"),
        ([("m", "a", 1, -1, 0), ("a", "m", 1, 0, 0)], "negative"),
        ([("m", "a", -1, 0, 0), ("a", "m", 1, 0, 0)], "-1 m long"),
    ],
)
def test_what_is_no_ring_is_refused(ring, hops, why):
    with pytest.raises(InputError) as caught:
        judge_ring(ring(*hops))
    assert why in caught.value.why


def test_adding_and_bridging_undo_each_other_but_for_the_connectors(ring):
    plain = ring(("m", "a", 2, 0, 0), ("a", "m", 4, 0, 1))
    more = insert_node(plain, "n", after="a", length_in_m=1, length_out_m=3)
    assert list_ring_order(more) == ("m", "a", "n")
    back = bypass_node(more, "n", connectors=0)
    assert list_ring_order(back) == ("m", "a")
    assert back.hops[-1].length_m == 4
    assert back.hops[-1].inline_connectors == 2


def test_refusals(ring):
    plain = ring(("m", "a", 2, 0, 0), ("a", "m", 4, 0, 0))
    for call in (
        lambda: insert_node(plain, "a", after="m", length_in_m=1, length_out_m=1),
        lambda: insert_node(plain, "n", after="x", length_in_m=1, length_out_m=1),
        lambda: bypass_node(plain, "x"),
        lambda: bypass_node(plain, "m"),
    ):
        with pytest.raises(InputError):
            call()


@pytest.mark.parametrize(
    ("heard", "kind", "before", "behind"),
    [
        ("abcd", BreakKind.NONE, "", ""),
        ("bcd", BreakKind.ONE, "a", "b"),
        ("cd", BreakKind.ONE, "b", "c"),
        ("", BreakKind.ONE, "d", "m"),
        ("ad", BreakKind.MORE, "c", "d"),
        ("abc", BreakKind.MORE, "d", "m"),
    ],
)
def test_where_the_light_is_lost(heard, kind, before, behind):
    found = locate_break(["m", "a", "b", "c", "d"], set(heard))
    assert (found.kind, found.before, found.behind) == (kind, before, behind)
    assert set(found.silent) == set("abcd") - set(heard)


def test_a_break_behind_the_master_leaves_all_but_none_silent():
    """Cut between master and first node: that node still sends, so every node is heard."""
    assert locate_break(["m", "a", "b"], {"a", "b"}).kind is BreakKind.NONE


def test_the_masters_list():
    found = compare_expected(["m", "a", "b"], ["m", "b", "n", "a"])
    assert (found.missing, found.unexpected, found.same_order) == ((), ("n",), False)
    assert compare_expected(["m", "a"], ["m"]).missing == ("a",)


def test_a_weak_hop_is_dark_only_with_less_light():
    order = ["m", "a", "b", "c", "d"]
    found = locate_weak_hop(order, set("abcd"), set("cd"))
    assert (found.before, found.behind) == ("b", "c")
    assert "weak" in found.reason
    assert locate_weak_hop(order, set("abcd"), set("abcd")) is None
    assert locate_weak_hop(order, set("cd"), set("cd")) is None


def test_what_the_master_has_to_be_told():
    assert list_expected(["m", "a", "b"], ["m", "a", "n", "b"]) == ("add n at place 2",)
    assert list_expected(["m", "a", "b"], ["m", "b"]) == ("take out a",)
    assert list_expected(["m", "b", "a"], ["m", "a", "b"])[0].startswith("put them into")


@pytest.mark.parametrize(
    "facts",
    [
        {"weakest_transmit_dbm": float("nan")},
        {"connector_db": -1.0},
        {"fibre_db_per_m": float("inf")},
        {"weakest_receive_dbm": 0.0},
    ],
)
def test_a_budget_that_is_none(ring, facts):
    plain = ring(("m", "a", 2, 0, 0), ("a", "m", 4, 0, 0))
    with pytest.raises(InputError):
        judge_ring(plain, RingBudget(**facts))
