"""Read recorded bus traffic: candump, ASC, BLF and MF4 as columns, others through python-can."""

import gc
import gzip
import logging
import sys
import warnings
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from donorfit.edge.logs.blf_objects import read_blf
from donorfit.edge.logs.blf_places import BlfError
from donorfit.edge.logs.mf4_groups import read_mf4
from donorfit.errors import InputError, Mistake
from donorfit.network.asc_text import ASC, ASC_DECIMAL, OtherBaseError
from donorfit.network.candump_text import CANDUMP
from donorfit.network.frames import FrameTable, LeftOut, LogReading
from donorfit.network.loops import Loops
from donorfit.network.text_records import TextReader
from donorfit.records.counted import count

LOG_FORMATS = ("log", "txt", "asc", "blf", "mf4", "trc", "csv", "db")
LARGEST_LOG_BYTES = 8 * 1024**3
_TEXT_ENDINGS = ("trc", "csv")
_BUFFER_BYTES = 1 << 18
MOST_SLOW_FRAMES = 50_000_000


def read_log_file(path: Path, loops: Loops | None = None) -> LogReading:
    """Read a record from disk; its ending says the format, ``.gz`` behind it that it is packed.

    Args:
        path: the record.
        loops: compiled loops for text; without them arrays do the same in more time.

    Raises:
        InputError: the file cannot be opened or used, or none of its lines is a frame.
    """
    ending = find_ending(path)
    try:
        reading = _read(path, ending, loops)
    except (OSError, EOFError, zlib.error) as error:
        what = f"it cannot be read: {getattr(error, 'strerror', None) or error}"
        raise _refuse(path, what, "check the path and the file") from None
    if not len(reading.frames.ids):
        kinds = ", ".join(f"{each.number} {each.kind}" for each in reading.left_out) or "nothing"
        raise _refuse(
            path, f"no frame in {count(reading.lines, 'line')} ({kinds})", "check the format"
        )
    return reading


def find_ending(path: Path) -> str:
    """The ending that says the format, without that of a packed file.

    Raises:
        InputError: it is none of those that are read.
    """
    name = path.with_suffix("") if is_packed(path) else path
    ending = name.suffix[1:].lower()
    if ending not in LOG_FORMATS:
        what = f"ending {ending or '(none)'!r} is none of {', '.join(LOG_FORMATS)}"
        raise _refuse(path, what, "give a record in one of these formats")
    return ending


def _read(path: Path, ending: str, loops: Loops | None) -> LogReading:
    size = path.stat().st_size
    if size > LARGEST_LOG_BYTES:
        raise _refuse(path, f"it has {size} bytes", "cut the record in parts")
    if ending in {"log", "txt"}:
        return _read_pieces(path, size, TextReader(CANDUMP, loops))
    if ending == "asc":
        try:
            return _read_pieces(path, size, TextReader(ASC, loops))
        except OtherBaseError:
            return _read_pieces(path, size, TextReader(ASC_DECIMAL))
    if ending == "blf":
        with open_file(path) as file:
            try:
                return read_blf(file, 0 if is_packed(path) else size, loops)
            except BlfError as error:
                raise _refuse(path, str(error), "record again, or give another format") from None
    if ending == "mf4" and not is_packed(path):
        return _read_mf4(path)
    return _read_slowly(path)


def open_file(path: Path) -> Any:
    """The file's bytes, unpacked where it is packed as a whole."""
    return gzip.open(path) if is_packed(path) else path.open("rb", buffering=_BUFFER_BYTES)


def is_packed(path: Path) -> bool:
    """Whether the file is packed as a whole."""
    return path.suffix.lower() == ".gz"


def _read_mf4(path: Path) -> LogReading:
    hook = sys.unraisablehook
    sys.unraisablehook = _be_quiet  # asammdf trips again when what it gave up on is cleared away
    try:
        return _read_mf4_plainly(path)
    except InputError:
        gc.collect()  # only then: it takes longer than reading a short record
        raise
    finally:
        sys.unraisablehook = hook


def _be_quiet(_: object) -> None:
    """Say nothing: the file is refused already."""


def _read_mf4_plainly(path: Path) -> LogReading:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return read_mf4(path)
    except ImportError as error:
        what, next_step = f"a reader is not installed: {error}", "install it"
    except Exception as error:  # noqa: BLE001 - whatever the library trips over is bad input
        what = f"{type(error).__name__}: {error}"
        next_step = "record again, or give another format"
    raise _refuse(path, what, next_step)  # outside: the error would hold what is half read


def _read_pieces(path: Path, size: int, reader: TextReader) -> LogReading:
    packed = is_packed(path)
    first, taken = True, 0
    with open_file(path) as file:
        while True:
            note = ""
            with reader.room() as room:
                try:
                    count = file.readinto1(room)
                except EOFError:
                    count, note = 0, "the packed file ends in the middle; what is before is read"
            if not count:
                reading = reader.finish()
                return reading._replace(notes=(*reading.notes, *([note] if note else [])))
            reader.take(count)
            taken += count
            if taken > LARGEST_LOG_BYTES:
                raise _refuse(path, f"it unpacks to more than {taken} bytes", "cut it in parts")
            if first and not packed:
                reader.expect(taken / size if size else 1.0)
            first = False


def _read_slowly(path: Path) -> LogReading:
    """Read through python-can, message by message."""
    import can  # noqa: PLC0415 - slow to import

    # What it cannot read, it tells its log; here it is counted below, and printed once.
    logging.getLogger("can").addHandler(logging.NullHandler())
    rows: list[Any] = []
    counts: dict[str, list[int]] = {}
    number = 0
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for number, message in enumerate(can.LogReader(path), start=1):
                kind = _name_kind(message)
                if kind:
                    counts.setdefault(kind, []).append(number)
                elif len(rows) < MOST_SLOW_FRAMES:
                    rows.append(message)
                else:
                    counts.setdefault("beyond the bound", []).append(number)
    except ImportError as error:
        raise _refuse(path, f"a reader is not installed: {error}", "install it") from None
    except Exception as error:  # noqa: BLE001 - whatever the library trips over is bad input
        what = f"after {count(number, 'message')}: {type(error).__name__}: {error}"
        raise _refuse(path, what, "record again, or give another format") from None
    left_out = [LeftOut(kind, len(found), found[0]) for kind, found in counts.items()]
    skipped = _count_lines(path) - number if rows and find_ending(path) in _TEXT_ENDINGS else 0
    if skipped > 0:
        left_out.append(LeftOut("header, comment or event that python-can skips", skipped, 1))
    return LogReading(_make_frames(rows), number + max(skipped, 0), tuple(left_out))


def _count_lines(path: Path) -> int:
    with open_file(path) as file:
        return sum(1 for line in file if line.strip())


def _name_kind(message: Any) -> str:
    if message.is_error_frame:
        return "error frame"
    return "remote frame" if message.is_remote_frame else ""


def _make_frames(messages: list[Any]) -> Any:
    table = FrameTable(len(messages))
    if messages:
        width = max(8, *(len(each.data) for each in messages))
        payload = np.zeros((len(messages), width), np.uint8)
        for place, each in enumerate(messages):
            payload[place, : len(each.data)] = np.frombuffer(bytes(each.data), np.uint8)
        table.fill(
            np.arange(len(messages)),
            times_s=[each.timestamp for each in messages],
            ids=[each.arbitration_id for each in messages],
            extended=[each.is_extended_id for each in messages],
            lengths=[len(each.data) for each in messages],
            payload=payload,
            channels=[table.find_channel(str(each.channel)) for each in messages],
        )
    return table.close()


def _refuse(path: Path, what: str, next_step: str) -> InputError:
    return InputError(
        what=f"{path} cannot be read as a record of bus traffic",
        mistakes=(Mistake(file=str(path), line=0, what=what, next_step=next_step),),
    )
