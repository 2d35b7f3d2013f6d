"""Identifiers that two messages share."""

import pytest

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


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"factor": 0.5}, "scale 0.5 instead of 1"),
        ({"signed": True}, "sign signed instead of unsigned"),
        ({"unit": "V"}, "unit V instead of none"),
        ({"bit_length": 4}, "length in bits 4 instead of 8"),
    ],
)
def test_one_place_that_is_read_otherwise_is_other_content(message, network, signal, facts, said):
    plain = message("A", 1, signals=(signal("X"),))
    (found,) = find_collisions(network(plain), [message("A", 1, signals=(signal("X", **facts),))])
    assert found.kind is CollisionKind.OTHER_LAYOUT
    assert said in found.why


def test_signals_that_only_one_of_both_has_are_named_and_counted(message, network, signal):
    many = tuple(signal(f"S{place}") for place in range(9))
    (found,) = find_collisions(
        network(message("A", 1, signals=many)), [message("A", 1, signals=many[:1])]
    )
    assert "only one has S1, S2, S3, S4 and 4 more" in found.why


def test_an_extended_number_is_another_number(message, network):
    assert find_collisions(network(message("A", 1)), [message("B", 1, extended=True)]) == ()


def test_collisions_inside_one_description(message, network):
    found = find_collisions(network(message("A", 1), message("B", 2), message("C", 1)))
    assert [(each.first, each.second) for each in found] == [("A", "C")]
