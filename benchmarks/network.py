"""Reading and decoding records of traffic, as ratios against python-can with cantools.

Run ``python benchmarks/network.py [FRAMES]``. Both sides do the same work in the same run on the
same file: text to physical values of every signal. The values are compared before anything is
timed. Ratios vary with the machine's load; the median of the rounds is printed.
"""

import logging
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import can
import cantools
import numpy as np
from cantools.database import Database

from donorfit.edge.logs import read_log_file
from donorfit.edge.packs.network_files import read_network_bytes
from donorfit.network.decode import decode_network
from donorfit.network.protection import find_protection
from donorfit.vehicle.network import Network

SEED = 11
ROUNDS = 3
MESSAGES = 70
REFERENCE_FRAMES = 20_000


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


def write_records(folder: Path, frames: int) -> dict[str, Path]:
    """The same traffic as candump text and as ASC text."""
    rng = np.random.default_rng(SEED)
    ids = rng.integers(0, MESSAGES, frames) + 0x100
    data = rng.integers(0, 256, (frames, 8), dtype=np.uint8)
    hexes = [row.tobytes().hex().upper() for row in data]
    paths = {"candump": folder / "drive.log", "asc": folder / "drive.asc"}
    with paths["candump"].open("w") as out:
        for place, (number, text) in enumerate(zip(ids, hexes, strict=True)):
            out.write(f"({1_500_000_000 + place * 1e-4:.6f}) can0 {number:03X}#{text}\n")
    with paths["asc"].open("w") as out:
        out.write("date Fri Jul 10 06:17:32.200 am 2015\nbase hex  timestamps absolute\n")
        out.write("internal events logged\n")
        for place, (number, text) in enumerate(zip(ids, hexes, strict=True)):
            spaced = " ".join(text[at : at + 2] for at in range(0, 16, 2))
            out.write(f"{place * 1e-4:9.6f} 1  {number:<15X} Rx   d 8 {spaced}\n")
    return paths


def time_once(work: Callable[[], object]) -> float:
    """Seconds of one call."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def read_plainly(path: Path, database: Database, most: int) -> list[dict]:
    """The plain way: python-can reads, cantools decodes, message by message."""
    reader = can.CanutilsLogReader(path) if path.suffix == ".log" else can.ASCReader(path)
    values = []
    for message in reader:
        values.append(
            database.decode_message(message.arbitration_id, message.data, decode_choices=False)
        )
        if len(values) == most:
            break
    return values


def check_equal(path: Path, network: Network, database: Database) -> int:
    """Count values that both ways agree on; stop at the first difference."""
    theirs = read_plainly(path, database, 3000)
    ours: list[dict] = [{} for _ in theirs]
    for each in decode_network(read_log_file(path).frames, network):
        for row, value in zip(each.rows.tolist(), each.values.tolist(), strict=True):
            if row < len(ours):
                ours[row][each.signal] = value
    if ours != theirs:
        sys.exit(f"values of {path.name} differ from the reference: nothing is timed")
    return sum(map(len, theirs))


def measure(path: Path, network: Network, database: Database, frames: int) -> tuple[float, float]:
    """Median ratios: whole way, and decoding alone against cantools' decoding alone."""
    whole, decoding = [], []
    for _ in range(ROUNDS):
        plain = time_once(lambda: read_plainly(path, database, REFERENCE_FRAMES))
        own = time_once(lambda: list(decode_network(read_log_file(path).frames, network)))
        whole.append((plain / REFERENCE_FRAMES) / (own / frames))
        columns = read_log_file(path).frames
        rows = [
            (int(number), bytes(row))
            for number, row in zip(columns.ids[:REFERENCE_FRAMES], columns.payload, strict=False)
        ]
        plain = time_once(
            lambda rows=rows: [
                database.decode_message(number, data, decode_choices=False)
                for number, data in rows
            ]
        )
        own = time_once(lambda columns=columns: list(decode_network(columns, network)))
        decoding.append((plain / len(rows)) / (own / frames))
    return median(whole), median(decoding)


def main() -> None:
    """Print the table."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 500_000
    logging.disable(logging.CRITICAL)
    text = write_description()
    database = cantools.database.load_string(text, "dbc")
    network = read_network_bytes(text.encode(), file="bench.dbc").networks[0]
    print(f"{frames} frames, {MESSAGES} messages, seed {SEED}, median of {ROUNDS} rounds")
    print(f"{'record':<10}{'values compared':>16}{'read + decode':>15}{'decode alone':>14}")
    with tempfile.TemporaryDirectory() as folder:
        for name, path in write_records(Path(folder), frames).items():
            equal = check_equal(path, network, database)
            whole, decoding = measure(path, network, database, frames)
            print(f"{name:<10}{equal:>16}{whole:>14.0f}x{decoding:>13.0f}x")
    rows = np.random.default_rng(SEED).integers(0, 256, (50, 8)).astype(np.uint8)
    seconds = median(time_once(lambda: find_protection(rows)) for _ in range(20))
    slow = median(
        time_once(lambda: [database.decode_message(0x100, bytes(row)) for row in rows])
        for _ in range(20)
    )
    print(
        f"finding what protects 50 frames costs {seconds / slow:.1f}x decoding them with cantools"
    )


if __name__ == "__main__":
    main()
