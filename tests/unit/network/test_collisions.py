"""Identifiers that two messages share."""

from donorfit.network import CollisionKind, find_collisions


def test_kinds(message, network, signal):
    plain = message("A", 1, senders=("a",), signals=(signal("X"),))
    there = network(plain)
    cases = (
        (message("B", 1, senders=("b",), signals=(signal("X"),)), CollisionKind.TWO_SENDERS),
        (message("B", 1, senders=("a",), signals=(signal("Y"),)), CollisionKind.OTHER_LAYOUT),
        (
            message("B", 1, senders=(), signals=(signal("X", first_bit=3),)),
            CollisionKind.OTHER_LAYOUT,
        ),
        (message("B", 1, senders=("a",), length_bytes=4), CollisionKind.OTHER_LAYOUT),
        (message("A", 1, senders=("a",), signals=(signal("X"),)), CollisionKind.SAME_MESSAGE),
    )
    for added, kind in cases:
        (found,) = find_collisions(there, [added])
        assert found.kind is kind, added
        assert (found.first, found.second, found.frame_id) == ("A", added.name, 1)
        assert found.why


def test_an_extended_number_is_another_number(message, network):
    assert find_collisions(network(message("A", 1)), [message("B", 1, extended=True)]) == ()


def test_collisions_inside_one_description(message, network):
    found = find_collisions(network(message("A", 1), message("B", 2), message("C", 1)))
    assert [(each.first, each.second) for each in found] == [("A", "C")]
