"""Pairing of cavities, and what a straight plug would do."""

import pytest

from donorfit.electrical import match_pins, order_wires
from donorfit.electrical.assignment import assign
from donorfit.records.finding import Severity

PLUG = (
    (1, "supply", "", 20.0),
    (2, "ground", "", 20.0),
    (3, "can high", "body", 0.0),
    (4, "can low", "body", 0.0),
)


def test_the_same_plug_is_straight(connector):
    match = match_pins(connector("h", *PLUG), connector("m", *PLUG))
    assert match.straight
    assert all(wire.same_place for wire in match.wires)
    assert (match.missing, match.spare, match.dangers) == ((), (), ())


def test_pairs_follow_the_function_and_the_network(connector):
    host = connector("h", *PLUG, (5, "can high", "comfort", 0.0), (6, "can low", "comfort", 0.0))
    module = connector("m", (1, "can low", "comfort", 0.0), (2, "can high", "comfort", 0.0))
    match = match_pins(host, module)
    assert [(wire.host.number, wire.module.number) for wire in match.wires] == [(6, 1), (5, 2)]
    assert [cavity.number for cavity in match.spare] == [1, 2, 3, 4]


def test_a_cavity_is_never_used_twice(connector):
    host = connector("h", (1, "ground", "", 0.0))
    module = connector("m", *((number, "ground", "", 0.0) for number in range(1, 5)))
    match = match_pins(host, module)
    assert len(match.wires) == 1
    assert [cavity.number for cavity in match.missing] == [2, 3, 4]


def test_the_stronger_wire_goes_to_the_stronger_need(connector):
    host = connector("h", (1, "supply", "", 5.0), (2, "supply", "", 30.0))
    module = connector("m", (1, "supply", "", 20.0), (2, "supply", "", 2.0))
    match = match_pins(host, module)
    assert [(wire.host.number, wire.module.number) for wire in match.wires] == [(2, 1), (1, 2)]
    assert not any(wire.note for wire in match.wires)


def test_a_wire_that_is_too_thin_is_said(connector):
    match = match_pins(
        connector("h", (1, "supply", "", 5.0)), connector("m", (1, "supply", "", 20.0))
    )
    assert "5 A" in match.wires[0].note


def test_another_network_is_no_partner(connector):
    match = match_pins(
        connector("h", (1, "can high", "body", 0.0)), connector("m", (1, "can high", "drive", 0.0))
    )
    assert match.wires == ()
    assert [danger.severity for danger in match.dangers] == [Severity.WARNING]


@pytest.mark.parametrize(
    ("host", "module", "severity"),
    [
        ("supply", "can high", Severity.BLOCKING),
        ("supply", "input", Severity.BLOCKING),
        ("supply", "ground", Severity.BLOCKING),
        ("switched supply", "output", Severity.BLOCKING),
        ("output", "input", Severity.BLOCKING),
        ("ground", "supply", Severity.BLOCKING),
        ("ground", "can low", Severity.BLOCKING),
        ("can low", "ground", Severity.BLOCKING),
        ("can high", "output", Severity.BLOCKING),
        ("can high", "can low", Severity.WARNING),
        ("supply", "switched supply", Severity.WARNING),
        ("optical in", "optical out", Severity.WARNING),
        ("can high", "supply", Severity.WARNING),
        ("unused", "supply", None),
        ("supply", "unused", None),
        ("supply", "supply", None),
    ],
)
def test_what_meets_what(connector, host, module, severity):
    match = match_pins(connector("h", (1, host, "", 0.0)), connector("m", (1, module, "", 0.0)))
    assert [danger.severity for danger in match.dangers] == ([severity] if severity else [])


def test_a_plug_that_does_not_fit_is_no_danger(connector):
    host = connector("h", (1, "supply", "", 0.0), shape="a")
    module = connector("m", (1, "ground", "", 0.0), shape="b")
    match = match_pins(host, module)
    assert (match.plugs_in, match.dangers) == (False, ())


def test_doubled_numbers_are_said(connector):
    host = connector("h", (1, "supply", "", 0.0), (1, "ground", "", 0.0))
    match = match_pins(host, connector("m"))
    assert [danger.id for danger in match.dangers] == ["cavity-twice"]


def test_wires_are_ordered_with_size_and_fuse(connector):
    host = connector("h", *PLUG[1:])
    match = match_pins(host, connector("m", *PLUG, (5, "optical in", "", 0.0)))
    orders = {order.module_cavity: order for order in order_wires(match)}
    assert set(orders) == {"m:1", "m:2", "m:3", "m:4", "m:5"}
    assert orders["m:1"].host_cavity == ""
    assert orders["m:1"].fuse_a == 30
    assert orders["m:1"].cross_section_mm2 == 6.0
    assert orders["m:2"].fuse_a == 0
    assert "twist" in orders["m:3"].note
    assert orders["m:5"].cross_section_mm2 == 0


@pytest.mark.parametrize(
    ("host_a", "module_a", "size", "said"),
    [
        (15.0, 10.0, 2.0, "as strong as the host's own wire, 15 A"),
        (10.0, 10.0, 1.5, ""),
        (60.0, 10.0, 1.5, "the host's fuse must be at most 12.75 A"),
        (0.0, 10.0, 1.5, "look up the host's fuse: at most 12.75 A"),
    ],
)
def test_an_adapter_wire_is_protected_by_the_hosts_fuse(connector, host_a, module_a, size, said):
    """A fuse of the host that its own wire stands would burn a thinner adapter wire."""
    match = match_pins(
        connector("h", (1, "supply", "", host_a)), connector("m", (2, "supply", "", module_a))
    )
    (order,) = order_wires(match)
    assert (order.cross_section_mm2, order.fuse_a) == (size, 0)
    assert said in order.note
    assert bool(order.note) == bool(said)


def test_a_host_wire_that_is_too_weak_gets_a_run_of_its_own(connector):
    match = match_pins(
        connector("h", (1, "supply", "", 5.0), (2, "ground", "", 20.0)),
        connector("m", (1, "supply", "", 14.0), (2, "ground", "", 14.0)),
    )
    feed, _ = order_wires(match, run_length_m=2)
    assert (feed.host_cavity, feed.fuse_a, feed.length_m) == ("", 20, 2)
    assert "made for 5 A" in feed.note
    assert not match.straight
    assert [danger.severity for danger in match.dangers] == [Severity.WARNING]


def test_one_side_that_does_not_say_which_signal_is_no_straight_plug(connector):
    host, module = connector("h", (1, "input", "", 0.0)), connector("m", (1, "input", "door", 0.0))
    match = match_pins(host, module)
    assert not match.straight
    assert "does not say" in match.dangers[0].why


def test_a_ground_is_as_strong_as_the_fuse_of_its_feed_asks(connector):
    match = match_pins(
        connector("h"), connector("m", (1, "supply", "", 8.0), (2, "ground", "", 8.0))
    )
    feed, ground = order_wires(match, run_length_m=0.5)
    assert feed.fuse_a == 15
    assert ground.cross_section_mm2 == feed.cross_section_mm2
    assert ground.fuse_a == 0


def test_a_feed_whose_current_nobody_says(connector):
    (feed,) = order_wires(match_pins(connector("h"), connector("m", (1, "supply", "", 0.0))))
    assert "look it up" in feed.note


def test_the_assignment_is_cheapest():
    costs = [[4, 1, 3], [2, 0, 5], [3, 2, 2]]
    assert assign(costs, unpaired=100) == [1, 0, 2]
    assert assign([[1], [0]], unpaired=5) == [None, 0]
    assert assign([[5]], unpaired=5) == [None]
    assert assign([], unpaired=1) == []
    assert assign([[], []], unpaired=1) == [None, None]
