"""Matching by meaning and the rows that follow, in small."""

from dataclasses import replace

import pytest

from donorfit.network.gateway_rows import propose_rows
from donorfit.network.signal_matching import list_places, match_signals
from donorfit.network.signal_words import compare_words, find_unit_factor, split_name


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("VehicleSpeed_km", ("vehicle", "speed", "km")),
        ("GPSSpeed2D", ("gps", "speed", "2", "d")),
        ("turn-left", ("turn", "left")),
        ("", ()),
    ],
)
def test_words_of_a_name(name, words):
    assert split_name(name) == words


@pytest.mark.parametrize(
    ("first", "second", "share"),
    [
        ("speed", "speed", 1.0),
        ("temp", "temperature", 0.85),
        ("spd", "speed", 0.7),
        ("engine", "eng", 0.85),
        ("door", "speed", 0.0),
        ("sp", "speed", 0.0),
        ("12", "1234", 0.0),
        ("rate", "speed", 0.0),
    ],
)
def test_abbreviations(first, second, share):
    assert compare_words(first, second) == compare_words(second, first) == share


def test_units():
    assert find_unit_factor("km/h", "m/s") == pytest.approx(3.6)
    assert find_unit_factor("V", "mV") == pytest.approx(0.001)
    assert find_unit_factor("V", "A") is None
    assert find_unit_factor("furlong", "furlong") == 1


def make_pair(signal, message, network, **source):
    own = network(
        message(
            "Motion",
            0x10,
            20,
            signals=(signal("VehicleSpeed", unit="km/h", factor=0.1, bit_length=12),),
        ),
        name="can_own",
    )
    usual = {"unit": "m/s", "factor": 0.05, "bit_length": 12}
    host = network(
        message(
            "Drive",
            0x20,
            50,
            signals=(signal("speed_of_vehicle", **(usual | source)), signal("door")),
        ),
        name="can_host",
    )
    return own, host


def test_a_row_turns_units_and_carries_its_test(signal, message, network):
    own, host = make_pair(signal, message, network)
    (match,) = match_signals(list(list_places([own])), [host])
    assert match.chosen.place.signal.name == "speed_of_vehicle"
    (row,) = propose_rows([match]).rows
    assert row.factor == pytest.approx(3.6)
    assert (row.every_ms, row.timeout_ms, row.default_raw) == (20, 150, 0xFFF)
    assert (0, 0) in row.vector
    for source, target in row.vector:
        assert target * 0.1 == pytest.approx(source * 0.05 * 3.6, abs=0.05)
    assert any("every 50 ms" in note for note in row.notes)


@pytest.mark.parametrize(
    ("facts", "raw", "said"),
    [
        ({"bit_length": 1}, 0, "all ones means on"),
        ({"bit_length": 2, "choices": ((0, "off"), (3, "reverse"))}, 0, "means reverse"),
        ({"bit_length": 2, "choices": ((0, "off"), (2, "not available"), (3, "on"))}, 2, ""),
        ({"bit_length": 8, "signed": True}, 0, "means -1"),
        ({"bit_length": 8, "minimum": 0, "maximum": 255}, 0xFF, "within the limits"),
        ({"bit_length": 8, "minimum": 0, "maximum": 250}, 0xFF, ""),
    ],
)
def test_a_silent_source_never_says_on(signal, message, network, facts, raw, said):  # noqa: PLR0917
    """All ones of one bit is no "not available": it would tell that a door stands open."""
    own = network(message("Own", 1, 20, signals=(signal("door_open", **facts),)), name="own")
    host = network(message("Host", 2, 20, signals=(signal("door_open", **facts),)), name="host")
    (row,) = propose_rows(match_signals(list(list_places([own])), [host])).rows
    assert row.default_raw == raw
    doubts = [note for note in row.notes if "silent source" in note]
    assert len(doubts) == bool(said)
    assert all(said in note for note in doubts)


def test_what_becomes_no_row_is_said(signal, message, network):
    own, host = make_pair(signal, message, network, unit="bar")
    matches = match_signals(list(list_places([own])), [host])
    assert "cannot be turned" in propose_rows(matches).refused[0][1]
    own, host = make_pair(signal, message, network)
    matches = match_signals(list(list_places([own])), [host])
    closed = propose_rows(matches, closed_networks={"can_own"})
    assert (closed.rows, len(closed.refused)) == ((), 1)
    same = propose_rows(match_signals(list(list_places([own])), [own]))
    assert same.refused[0][1] == "it arrives already"
    alone = propose_rows(match_signals(list(list_places([own])), []))
    assert "nothing alike" in alone.refused[0][1]


def test_a_circle_is_not_closed(signal, message, network):
    first = network(message("A", 1, signals=(signal("alpha"),)), name="n1")
    second = network(message("B", 2, signals=(signal("alpha"),)), name="n2")
    there = match_signals(list(list_places([first])), [second])
    back = match_signals(list(list_places([second])), [first])
    proposal = propose_rows([*there, *back])
    assert len(proposal.rows) == 1
    assert "from itself" in proposal.refused[0][1]


@pytest.mark.parametrize(
    "facts",
    [
        {"receivers": ("Brake_Unit",)},
        {"senders": ("RestraintModule",)},
        {"name": "SteeringAngle"},
        {"secured": True},
        {"receivers": ("axle7",)},
    ],
)
def test_nothing_is_sent_into_a_system_for_safety(signal, message, network, facts):
    own, host = make_pair(signal, message, network)
    (target,) = own.messages
    own = replace(own, messages=(replace(target, **facts),))
    matches = match_signals(list(list_places([own])), [host])
    proposal = propose_rows(matches, closed_units={"AXLE7"})
    assert (proposal.rows, len(proposal.refused)) == ((), 1)
    why = proposal.refused[0][1]
    assert "safety" in why or "key" in why


def test_a_lamp_named_after_the_brake_is_a_lamp(signal, message, network):
    own = network(
        message("Lamps", 0x10, signals=(signal("brake_light"),), receivers=("trailer",)),
        name="can_own",
    )
    host = network(message("Rear", 0x20, signals=(signal("BrakeLight"),)), name="can_host")
    assert len(propose_rows(match_signals(list(list_places([own])), [host])).rows) == 1


def test_a_protected_target_says_what_has_to_be_made(signal, message, network):
    own, host = make_pair(signal, message, network)
    (target,) = own.messages
    own = replace(own, messages=(replace(target, end_to_end="AUTOSAR E2E Profile2"),))
    (row,) = propose_rows(match_signals(list(list_places([own])), [host])).rows
    assert any("Profile2" in note for note in row.notes)
