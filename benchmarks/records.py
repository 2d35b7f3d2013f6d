"""Recorded traffic, read and decoded, as ratios against python-can with cantools.

Run ``python benchmarks/records.py [FRAMES]``; with ``FRAMES --write FOLDER`` it only writes the
records. Both sides do the same work in one run on the same file: from the file to the physical
values of every signal. The values are compared before anything is timed. Times are those of the
processor, and neither side uses a second one. MF4 is written with fewer frames, because its writer
is slow. Bounds: 80 times on text, 40 times on BLF and MF4, 25 bytes a frame. Exits with 1 where a
bound is missed.

Traffic: messages of 10 to 500 ms with a counter, slow values, flags, constants, and one byte in
eight that is random, as a check byte is.
"""

import logging
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

import can
import cantools
import numpy as np
from cantools.database.can import Database

from donorfit.edge.logs import read_log_file
from donorfit.edge.logs.compiled import find_loops
from donorfit.edge.packs.network_files import read_network_bytes
from donorfit.network.decode import decode_network
from donorfit.network.loops import Loops
from donorfit.vehicle.network import Network

SEED = 11
ROUNDS = 5
MESSAGES = 70
REFERENCE_FRAMES = 20_000
MOST_MF4_FRAMES = 100_000
CYCLES_MS = (10, 20, 20, 50, 100, 100, 200, 500)
BOUNDS = {"candump": 80, "asc": 80, "blf": 40, "mf4": 40}
MOST_BYTES = 25
READERS = {
    "log": can.CanutilsLogReader,
    "asc": can.ASCReader,
    "blf": can.BLFReader,
    "mf4": can.MF4Reader,
}


def write_description() -> str:
    """A DBC of 70 messages with mixed signals, 4 to 5 a message."""
    lines = ['VERSION ""', "", "BU_: a b", ""]
    for place in range(MESSAGES):
        lines += [
            f"BO_ {0x100 + place} M{place}: 8 a",
            ' SG_ Whole : 0|16@1+ (0.01,0) [0|655] "km/h" b',
            ' SG_ Signed : 16|12@1- (1,-40) [-2088|2007] "degC" b',
            ' SG_ Flag : 28|1@1+ (1,0) [0|1] "" b',
            ' SG_ Motorola : 39|20@0+ (0.5,0) [0|600000] "m" b',
        ]
        if place % 2:
            lines.append(' SG_ Last : 56|8@1+ (1,0) [0|255] "" b')
        lines.append("")
    return "\n".join(lines)


def make_traffic(frames: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times in seconds, identifiers and payloads."""
    rng = np.random.default_rng(SEED)
    cycles_s = np.array([CYCLES_MS[place % len(CYCLES_MS)] for place in range(MESSAGES)]) / 1000
    length_s = frames / (1 / cycles_s).sum() * 1.01 + 1
    parts = [np.arange(rng.random() * gap, length_s, gap) for gap in cycles_s]
    times = np.concatenate(parts) + rng.normal(0, 2e-4, sum(map(len, parts))).clip(-1e-3, 1e-3)
    numbers = np.repeat(np.arange(MESSAGES), [len(part) for part in parts])
    counts = np.concatenate([np.arange(len(part)) for part in parts])
    order = np.argsort(times, kind="stable")[:frames]
    times, numbers, counts = times[order], numbers[order], counts[order]
    slow = ((np.sin(times / 30 + numbers) + 1) * 30_000).astype(np.int64)
    data = np.zeros((frames, 8), np.uint8)
    data[:, 0], data[:, 1] = slow & 0xFF, slow >> 8
    data[:, 2] = numbers
    data[:, 3] = (counts // 50 % 2) << 4
    data[:, 4] = numbers * 3
    data[:, 5] = slow >> 9
    data[:, 6] = counts % 15
    data[:, 7] = rng.integers(0, 256, frames)
    return 1_500_000_000 + np.round(times - times[0], 6), numbers + 0x100, data


def write_records(folder: Path, frames: int) -> dict[str, Path]:
    """The same traffic in four forms."""
    times, ids, data = make_traffic(frames)
    paths = {name: folder / f"drive.{ending}" for name, ending in
             (("candump", "log"), ("asc", "asc"), ("blf", "blf"), ("mf4", "mf4"))}  # fmt: skip
    write_text(paths, times, ids, data)
    for name in ("blf", "mf4"):
        most = min(frames, MOST_MF4_FRAMES) if name == "mf4" else frames
        writer = can.BLFWriter(paths[name]) if name == "blf" else can.MF4Writer(paths[name])
        with writer:
            for message in list_messages(times[:most], ids, data):
                writer.on_message_received(message)
    return paths


def write_text(
    paths: dict[str, Path], times: np.ndarray, ids: np.ndarray, data: np.ndarray
) -> None:
    """Candump and ASC text."""
    with paths["candump"].open("w") as candump, paths["asc"].open("w") as asc:
        asc.write("date Fri Jul 10 06:17:32.200 am 2015\nbase hex  timestamps absolute\n")
        asc.write("internal events logged\n")
        for time_s, number, row in zip(times.tolist(), ids.tolist(), data, strict=True):
            text = row.tobytes()
            candump.write(f"({time_s:.6f}) can0 {number:03X}#{text.hex().upper()}\n")
            spaced = text.hex(" ").upper()
            asc.write(f"{time_s - 1_500_000_000:9.6f} 1  {number:<15X} Rx   d 8 {spaced}\n")


def list_messages(times: np.ndarray, ids: np.ndarray, data: np.ndarray) -> Iterator[can.Message]:
    """Message objects for python-can's writers."""
    for time_s, number, row in zip(times.tolist(), ids.tolist(), data, strict=False):
        yield can.Message(
            timestamp=time_s,
            arbitration_id=number,
            data=row.tobytes(),
            is_extended_id=False,
            channel=0,
        )


def time_once(work: Callable[[], object]) -> float:
    """Seconds of the processor for one call."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def read_plainly(path: Path, database: Database, most: int) -> list[Any]:
    """The plain way: python-can reads, cantools decodes, message by message."""
    values = []
    for message in READERS[path.suffix[1:]](path):
        values.append(
            database.decode_message(message.arbitration_id, message.data, decode_choices=False)
        )
        if len(values) == most:
            break
    return values


def check_equal(path: Path, network: Network, database: Database, loops: Loops | None) -> int:
    """Count values that both ways agree on; stop at the first difference."""
    theirs = read_plainly(path, database, 3000)
    ours: list[dict[str, object]] = [{} for _ in theirs]
    for each in decode_network(read_log_file(path, loops).frames, network, loops):
        first = np.searchsorted(each.rows, len(ours))
        for row, value in zip(
            each.rows[:first].tolist(), each.values[:first].tolist(), strict=True
        ):
            ours[row][each.signal] = value
    if ours != theirs:
        sys.exit(f"values of {path.name} differ from the reference: nothing is timed")
    return sum(map(len, theirs))


def read_and_decode(path: Path, network: Network, loops: Loops | None) -> int:
    """All values of all signals, one signal at a time; how many there are."""
    frames = read_log_file(path, loops).frames
    return sum(len(each.values) for each in decode_network(frames, network, loops))


def measure(
    path: Path, network: Network, database: Database, loops: Loops | None
) -> tuple[float, float, float]:
    """Median ratio of the whole way, frames a second, and bytes a frame."""
    frames = read_log_file(path, loops).frames
    count = len(frames.ids)
    most = min(REFERENCE_FRAMES, count)
    ratios, speeds = [], []
    for _ in range(ROUNDS):
        plain = time_once(lambda: read_plainly(path, database, most))
        own = time_once(lambda: read_and_decode(path, network, loops))
        ratios.append((plain / most) / (own / count))
        speeds.append(count / own)
    return median(ratios), median(speeds), frames.count_bytes() / count


def main() -> int:
    """Print the table."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 500_000
    logging.disable(logging.CRITICAL)
    if "--write" in sys.argv:
        target = Path(sys.argv[sys.argv.index("--write") + 1])
        target.mkdir(parents=True, exist_ok=True)
        write_records(target, frames)
        return 0
    text = write_description()
    database = cantools.database.load_string(text, "dbc")
    assert isinstance(database, Database)  # noqa: S101 - a DBC file is no diagnostic description
    network = read_network_bytes(text.encode(), file="bench.dbc").networks[0]
    loops = find_loops()
    print(f"{frames} frames, {MESSAGES} messages, seed {SEED}, median of {ROUNDS} rounds")
    print(f"{'record':<10}{'loops':<7}{'values compared':>16}{'ratio':>8}{'bound':>8}"
          f"{'frames/s':>14}{'bytes/frame':>13}")  # fmt: skip
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        for name, path in write_records(Path(folder), frames).items():
            for chosen in (loops, None) if loops else (None,):
                equal = check_equal(path, network, database, chosen)
                ratio, speed, size = measure(path, network, database, chosen)
                # What is promised is promised with the loops.
                bound = BOUNDS[name] if chosen or not loops else 0
                fails = ratio < bound or size > MOST_BYTES
                missed += fails
                print(f"{name:<10}{'yes' if chosen else 'no':<7}{equal:>16}{ratio:>7.0f}x"
                      f"{f'{bound}x' if bound else '-':>8}{speed:>14,.0f}{size:>13.1f}"
                      f"{'  MISSED' if fails else ''}")  # fmt: skip
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
