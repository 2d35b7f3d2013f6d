"""Every stored network description: read alike cantools, read with a stated repair, or refused.

Sources: the test files of cantools (MIT), canmatrix (BSD-2) and ldfparser (MIT), stored beside the
repository. Read counts of the unchanged library are published in the notes on these files: 85 of 89
DBC (before repair), 13 of 13 LDF.
"""

import logging
from collections import Counter
from pathlib import Path

import cantools
import pytest

from donorfit.edge.packs.network_files import FORMATS, read_network_file
from donorfit.errors import InputError

pytestmark = pytest.mark.reference

REFUSED = {
    "ARXML_min_max.arxml": 410,
    "test.arxml": 555,
    "system-bad-root-tag-4.2.arxml": 2,
    "system-dangling-reference-4.2.arxml": 16,
    "system-illegal-namespace-4.2.arxml": 2,
    "system-illegal-root-4.2.arxml": 2,
    "system-illegal-version-4.2.2.1.0.arxml": 2,
    "system-missing-denominator-4.2.arxml": 86,
    "system-missing-factor-4.2.arxml": 85,
    "issue_199_extended.dbc": 45,
    "issue_138.sym": 22,
    "jopp-5.0.sym": 1,
}
"""Files that are wrong in themselves, with the line that is named."""

REPAIRED_BEYOND_THE_LIBRARY = {
    "issue_199.dbc": 11,
    "incorrect-val.dbc": 2,
    "incorrect-sig_valtype.dbc": 2,
}
"""Files that the library refuses even when it is not strict, with the messages they hold."""


@pytest.fixture(scope="module", autouse=True)
def quiet_library() -> None:
    logging.getLogger("cantools").setLevel(logging.CRITICAL + 1)


def list_files(folder: Path) -> list[Path]:
    endings = {f".{each}" for each in FORMATS}
    files = [each for each in sorted(folder.rglob("*")) if each.suffix.lower() in endings]
    assert len(files) > 140
    return files


def test_every_file_is_read_or_refused_with_its_line(shared_data: Path) -> None:
    outcomes: Counter[str] = Counter()
    refused = {}
    for path in list_files(shared_data / "networks"):
        try:
            reading = read_network_file(path)
        except InputError as error:
            refused[path.name] = error.mistakes[0].line
            outcomes[f"{path.suffix.lower()} refused"] += 1
            continue
        assert reading.messages_loaded == reading.messages_in_text or reading.left_out, path
        outcomes[f"{path.suffix.lower()} read"] += 1
    assert refused == REFUSED
    assert outcomes == {
        ".arxml read": 10,
        ".arxml refused": 9,
        ".dbc read": 89,
        ".dbc refused": 1,
        ".kcd read": 9,
        ".ldf read": 13,
        ".sym read": 19,
        ".sym refused": 2,
    }


def test_values_are_those_of_cantools(shared_data: Path) -> None:
    compared = 0
    for path in list_files(shared_data / "networks"):
        if path.suffix.lower() == ".ldf":
            continue
        try:
            database = cantools.database.load_file(path, strict=False)
            reading = read_network_file(path)
        except (cantools.Error, InputError):
            continue
        if reading.reader != "cantools":
            continue
        ours = Counter(
            (m.frame_id, m.extended, m.name, m.length_bytes, m.cycle_ms, m.senders)
            for network in reading.networks
            for m in network.messages
        )
        theirs = Counter(
            (
                m.frame_id,
                m.is_extended_frame,
                m.name,
                m.length,
                m.cycle_time or None,
                tuple(m.senders),
            )
            for m in database.messages
        )
        assert ours == theirs, path
        mine = Counter(
            (m.name, s.name, s.first_bit, s.bit_length, s.signed, s.factor, s.offset, s.floating)
            for network in reading.networks
            for m in network.messages
            for s in m.signals
        )
        its = Counter(
            (m.name, s.name, s.start, s.length, s.is_signed, s.scale, s.offset, s.is_float)
            for m in database.messages
            for s in m.signals
        )
        assert mine == its, path
        compared += sum(mine.values())
    assert compared > 4_000


def test_repairs_beyond_the_library_are_stated(shared_data: Path) -> None:
    for name, messages in REPAIRED_BEYOND_THE_LIBRARY.items():
        path = shared_data / "networks" / "cantools" / "dbc" / name
        with pytest.raises(cantools.Error):
            cantools.database.load_file(path, strict=False)
        reading = read_network_file(path)
        assert reading.messages_loaded == reading.messages_in_text == messages
        assert reading.repairs
        assert all(repair.line for repair in reading.repairs)


def test_published_counts(shared_data: Path) -> None:
    """217 messages, 462 signals (vehicle.dbc); 357 messages, 2 390 signals (j1939.dbc)."""
    folder = shared_data / "networks"
    vehicle = read_network_file(folder / "cantools" / "dbc" / "vehicle.dbc")
    assert (vehicle.messages_loaded, vehicle.signals_loaded) == (217, 462)
    large = read_network_file(folder / "canmatrix" / "j1939.dbc")
    assert large.messages_loaded == 357
    assert large.signals_loaded == 2390
    assert large.repairs


def test_a_count_that_a_loader_dropped_would_show(monkeypatch: pytest.MonkeyPatch) -> None:
    """Needs no stored data: a loader that loses one message is caught."""
    from donorfit.edge.networks import through_cantools
    from donorfit.edge.packs import network_files

    text = b'VERSION ""\n\nBU_: a\n\nBO_ 1 One: 1 a\n\nBO_ 2 Two: 1 a\n'
    real = through_cantools._group_by_bus

    def lossy(database: object):
        networks = real(database)
        from dataclasses import replace

        return tuple(replace(each, messages=each.messages[:1]) for each in networks)

    monkeypatch.setattr(through_cantools, "_group_by_bus", lossy)
    reading = network_files.read_network_bytes(text, file="two.dbc")
    assert (reading.messages_in_text, reading.messages_loaded) == (2, 1)
    assert any("2 messages, 1" in each.what for each in reading.left_out)
