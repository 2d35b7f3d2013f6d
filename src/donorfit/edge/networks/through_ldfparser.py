"""Read LIN descriptions (LDF) through ldfparser.

A LIN frame is sent when its schedule table says so. Its cycle is taken as the longest one over
the tables that hold it: the whole table's length over the times the frame stands in it.
"""

import math
import re
from typing import Any

from donorfit.edge.networks.lin_clusters import convert_cluster
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.network import Message, Network, NetworkKind, Signal


def load_through_ldfparser(text: str, *, file: str) -> tuple[tuple[Network, ...], list[Mistake]]:
    """Load an LDF; return its network and what was left out.

    Raises:
        InputError: the file is wrong, with its line; or the reader is not installed.
    """
    try:
        import ldfparser  # noqa: PLC0415 - slow to import and optional
    except ImportError:
        what = "the reader of LIN descriptions (ldfparser) is not installed"
        raise _refuse(file, 0, what, "install the package ldfparser") from None
    try:
        cluster = _parse(ldfparser, text)
    except Exception as error:  # noqa: BLE001 - whatever the library trips over is bad input
        inner = getattr(error, "orig_exc", None) or error
        line = getattr(inner, "line", 0) or _find_named(text, str(inner))
        what = str(inner).splitlines()[0] if str(inner) else type(inner).__name__
        raise _refuse(
            file, line if isinstance(line, int) else 0, what, "mend this place"
        ) from None
    cycles = _list_cycles(cluster)
    messages = tuple(_convert_frame(frame, cycles) for frame in cluster.get_unconditional_frames())
    network = Network(
        name=getattr(cluster, "channel", None) or "",
        kind=NetworkKind.LIN,
        bit_rate=int(cluster.baudrate or 0),
        messages=messages,
        lin=convert_cluster(cluster),
    )
    return (network,), list(_list_left_out(cluster, file))


def _find_named(text: str, complaint: str) -> int:
    """Line of the frame or signal that a complaint names first; 0 where it names none."""
    named = re.match(r"(?:scalar signal |array signal )?(\w+):", complaint)
    place = re.search(rf"^[^\n]*\b{named[1]}\s*:", text, re.MULTILINE) if named else None
    return text.count("\n", 0, place.start()) + 1 if place else 0


def _parse(ldfparser: Any, text: str) -> Any:
    import tempfile  # noqa: PLC0415
    from pathlib import Path  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "network.ldf")
        path.write_text(text, encoding="utf-8")
        return ldfparser.parse_ldf(str(path), encoding="utf-8")


def _refuse(file: str, line: int, what: str, next_step: str) -> InputError:
    return InputError(
        what=f"{file} is not a LIN description (ldf) that can be used",
        mistakes=(Mistake(file=file, line=line, what=what, next_step=next_step),),
    )


def _list_left_out(cluster: Any, file: str) -> list[Mistake]:
    kinds = (
        ("event triggered", cluster.get_event_triggered_frames()),
        ("sporadic", cluster.get_sporadic_frames()),
        ("diagnostic", cluster.get_diagnostic_frames()),
    )
    return [
        Mistake(
            file=file,
            line=0,
            what=f"{kind} frame {frame.name} is not a message with signals of its own",
            next_step="nothing, unless a need names it",
        )
        for kind, frames in kinds
        for frame in frames
    ]


def _list_cycles(cluster: Any) -> dict[str, int]:
    cycles: dict[str, int] = {}
    for table in cluster.get_schedule_tables():
        length_s = sum(entry.delay for entry in table.schedule)
        names = [_name_frame(entry) for entry in table.schedule]
        for name in {each for each in names if each}:
            cycle = math.ceil(round(length_s * 1000 / names.count(name), 6))
            cycles[name] = max(cycles.get(name, 0), cycle)
    return cycles


def _name_frame(entry: Any) -> str:
    frame = getattr(entry, "frame", None)
    return str(frame.name) if frame is not None else ""


def _convert_frame(frame: Any, cycles: dict[str, int]) -> Message:
    signals = tuple(signal for _, signal in frame.signal_map)
    listeners = {node.name for signal in signals for node in signal.subscribers}
    return Message(
        name=frame.name,
        frame_id=frame.frame_id,
        extended=False,
        length_bytes=frame.length,
        cycle_ms=cycles.get(frame.name) or None,
        senders=(frame.publisher.name,) if frame.publisher else (),
        receivers=tuple(sorted(listeners)),
        signals=tuple(
            _convert_signal(first_bit, signal) for first_bit, signal in frame.signal_map
        ),
    )


def _convert_signal(first_bit: int, signal: Any) -> Signal:
    converters = signal.encoding_type.get_converters() if signal.encoding_type else []
    physical = next((each for each in converters if hasattr(each, "scale")), None)
    choices = {
        each.phy_value: each.info or ""
        for each in converters
        if hasattr(each, "info") and hasattr(each, "phy_value")
    }
    factor = float(physical.scale) if physical else 1.0
    offset = float(physical.offset) if physical else 0.0
    return Signal(
        name=signal.name,
        first_bit=first_bit,
        bit_length=signal.width,
        big_endian=False,
        signed=False,
        factor=factor,
        offset=offset,
        unit=(physical.unit or "") if physical else "",
        minimum=physical.phy_min * factor + offset if physical else None,
        maximum=physical.phy_max * factor + offset if physical else None,
        choices=tuple(sorted(choices.items())),
    )
