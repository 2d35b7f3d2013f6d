"""Gateway rows written as DBC and read back by cantools, every test vector played through it.

Source: vehicle.dbc of cantools' own tests; names, places and scales of the host are changed here.
"""

import random
from dataclasses import replace
from pathlib import Path

import cantools
import pytest
from click.testing import CliRunner

from donorfit.cli.network import network_group
from donorfit.edge.networks.gateway_dbc import SENDER, list_dbc_files, write_gateway_dbc
from donorfit.edge.packs.network_files import read_network_file
from donorfit.network.gateway_rows import propose_rows
from donorfit.network.signal_matching import list_places, match_signals

pytestmark = pytest.mark.reference


def make_host(network, seed: int):
    """The same car under other names, with other factors and places."""
    dice = random.Random(seed)
    messages = []
    for number, message in enumerate(network.messages):
        signals, place = [], 0
        for signal in message.signals:
            length = min(64 - place, max(2, signal.bit_length))
            if length < 2 or signal.floating:
                continue
            signals.append(
                replace(
                    signal,
                    name=f"other_{signal.name}",
                    first_bit=place,
                    bit_length=length,
                    big_endian=False,
                    factor=signal.factor * dice.choice((0.5, 1, 2)),
                )
            )
            place += length
        messages.append(
            replace(
                message,
                name=f"H{number}",
                frame_id=0x100 + number,
                extended=False,
                length_bytes=8,
                signals=tuple(signals),
            )
        )
    return replace(network, name="host", messages=tuple(messages))


def test_every_vector_is_what_cantools_reads_back(shared_data: Path) -> None:
    own = read_network_file(shared_data / "networks/cantools/dbc/vehicle.dbc").networks[0]
    host = make_host(own, 5)
    places = list(list_places([own]))[:200]
    rows = propose_rows(match_signals(places, [host])).rows
    (text,) = write_gateway_dbc(rows, places).values()
    target = cantools.database.load_string(text, "dbc", strict=True)
    sources = {(m.name, s.name): s for m in host.messages for s in m.signals}
    played = 0
    for row in rows:
        message = target.get_message_by_name(row.target_message)
        signal = message.get_signal_by_name(row.target_signal)
        assert message.senders == [SENDER]
        assert message.cycle_time == row.every_ms or message.cycle_time is None
        source = sources[row.source_message, row.source_signal]
        for raw, expected in row.vector:
            value = (raw * source.factor + source.offset) * row.factor + row.offset
            wire = (value - signal.offset) / signal.scale
            assert round(wire) == expected
            data = message.encode(
                {s.name: expected if s.name == row.target_signal else 0 for s in message.signals},
                scaling=False,
            )
            assert message.decode(data, scaling=False)[row.target_signal] == expected
            played += 1
    assert len(rows) > 150
    assert played > 400


def test_from_the_command_line(tmp_path: Path, shared_data: Path) -> None:
    own = shared_data / "networks/cantools/dbc/motohawk.dbc"
    host = tmp_path / "host.dbc"
    host.write_text(own.read_text().replace("496", "500").replace("ExampleMessage", "Other"))
    out = tmp_path / "rows.dbc"
    call = ["match", str(own), str(host), "--dbc", str(out)]
    result = CliRunner().invoke(network_group, call)
    assert result.exit_code == 0, result.output
    assert "wrote" in result.output
    back = cantools.database.load_file(out)
    assert [each.name for each in back.messages] == ["ExampleMessage"]
    # A file that is there already is never written over.
    assert CliRunner().invoke(network_group, call).exception is not None


def test_several_networks_make_several_files(tmp_path: Path) -> None:
    files = list_dbc_files({"a": "1", "b": "2"}, tmp_path / "rows.dbc")
    assert [path.name for path, _ in files] == ["rows-a.dbc", "rows-b.dbc"]
