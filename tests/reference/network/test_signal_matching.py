"""Signals found again by meaning, on stored descriptions written by others.

Source: vehicle.dbc and j1939.dbc of cantools and canmatrix; the change of names and places is made
here, so the right answer is known.
"""

import random
from dataclasses import replace

import pytest

from donorfit.edge.packs.network_files import read_network_file
from donorfit.network.gateway_rows import propose_rows
from donorfit.network.signal_matching import list_places, match_signals

pytestmark = pytest.mark.reference


def rearrange(network, seed):
    """The same signals in other messages under longer names, in another order of bits."""
    dice = random.Random(seed)
    signals = [signal for message in network.messages for signal in message.signals]
    dice.shuffle(signals)
    messages, place = [], 0
    for number, message in enumerate(network.messages):
        taken = signals[place : place + len(message.signals)]
        place += len(message.signals)
        messages.append(
            replace(
                message,
                name=f"X{number}",
                frame_id=number,
                signals=tuple(
                    replace(s, name=f"hostcar_{s.name}", first_bit=8 * at)
                    for at, s in enumerate(taken)
                ),
            )
        )
    return replace(network, name="host", messages=tuple(messages))


def test_moved_and_renamed_signals_are_found(shared_data):
    own = read_network_file(shared_data / "networks/cantools/dbc/vehicle.dbc").networks[0]
    names = [place.signal.name for place in list_places([own])]
    wanted = [place for place in list_places([own]) if names.count(place.signal.name) == 1]
    host = rearrange(own, 4)
    matches = match_signals(wanted, [host])
    right = sum(
        match.chosen is not None
        and match.chosen.place.signal.name == f"hostcar_{match.wanted.signal.name}"
        for match in matches
    )
    assert len(matches) == len(wanted) > 250
    assert right / len(matches) >= 0.97
    taken = [
        (m.chosen.place.message.name, m.chosen.place.signal.name)
        for m in matches
        if m.chosen is not None
    ]
    assert len(set(taken)) == len(taken)


def test_rows_of_moved_signals_say_what_they_become(shared_data):
    own = read_network_file(shared_data / "networks/cantools/dbc/vehicle.dbc").networks[0]
    host = rearrange(own, 4)
    wanted = list(list_places([own]))[:60]
    proposal = propose_rows(match_signals(wanted, [host]))
    assert len(proposal.rows) + len(proposal.refused) == len(wanted)
    assert len(proposal.rows) > 50
    for row in proposal.rows:
        assert all(source == target for source, target in row.vector)
        assert row.timeout_ms >= row.every_ms
