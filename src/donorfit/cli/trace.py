"""``donorfit trace``: a capture in words."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from donorfit.assemble import FACT_CAPTURE, FACT_PACK, open_store
from donorfit.cli.columns import clean, count
from donorfit.cli.number_types import WholeRange
from donorfit.diagnostics.doip_codes import TCP_DATA_PORT
from donorfit.diagnostics.uds_words import SERVICE_NAMES
from donorfit.edge.captures.packet_files import read_packets
from donorfit.edge.captures.trace import CaptureTrace, TraceEvent
from donorfit.edge.captures.trace_names import TraceNames, gather_trace_names
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.errors import InputError

SCHEMA = "donorfit/trace/1"
_SHOWN_BYTES = 16


@click.command("trace")
@click.argument("capture", metavar="[FILE]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--job",
    "job_path",
    type=click.Path(path_type=Path),
    help="Job whose pack gives the names, and whose last capture is read where FILE is missing.",
)
@click.option(
    "--pack",
    "pack_path",
    type=click.Path(path_type=Path),
    help="Pack that gives units, identifiers and CAN identifiers their names.",
)
@click.option("--unit", "units", multiple=True, help="Only this unit: name, or address in hex.")
@click.option("--service", "services", multiple=True, help="Only this UDS service, in hex.")
@click.option("--refused", is_flag=True, help="Only refusals and waits.")
@click.option("--frames", is_flag=True, help="Show the parts of long CAN messages too.")
@click.option("--bytes", "show_bytes", is_flag=True, help="Show the UDS bytes.")
@click.option(
    "--port",
    "ports",
    multiple=True,
    type=WholeRange(1, 65535),
    help=f"TCP or UDP port that carries DoIP.  [default: {TCP_DATA_PORT}]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def trace_command(
    capture: Path | None,
    job_path: Path | None,
    pack_path: Path | None,
    *,
    units: tuple[str, ...],
    services: tuple[str, ...],
    ports: tuple[int, ...],
    refused: bool,
    frames: bool,
    show_bytes: bool,
    as_json: bool,
) -> None:
    """Tell frame by frame what went over the link: who to whom, which service, what came of it.

    FILE is a pcapng or pcap file, from --capture or from any packet analyser, with DoIP or CAN in
    it. What could not be read is counted and told at the end.
    """
    path, names = _find_sources(capture, job_path, pack_path)
    wanted = _Wanted(
        units=frozenset(_parse_unit(text, names) for text in units),
        services=frozenset(_parse_service(text) for text in services),
        refused=refused,
        parts=frames,
    )
    trace = CaptureTrace(names, ports=ports or (TCP_DATA_PORT,))
    events = (each for each in trace.read(read_packets(path)) if wanted.takes(each))
    if as_json:
        shown = [_to_plain(each) for each in events]
        click.echo(json.dumps({"schema": SCHEMA, **_count(trace), "events": shown}, indent=1))
        return
    shown_events = 0
    for line in word_events(events, show_bytes=show_bytes):
        shown_events += 1
        click.echo(line)
    click.echo("\n".join(word_counts(trace, max(0, shown_events - 1))))


class _Wanted:
    """Which events a person wants to see."""

    def __init__(
        self, *, units: frozenset[int], services: frozenset[int], refused: bool, parts: bool
    ) -> None:
        self._units = units
        self._services = services
        self._refused = refused
        self._parts = parts

    def takes(self, event: TraceEvent) -> bool:
        """Whether an event is shown; what could not be read passes every filter but the unit's."""
        if event.is_part and not self._parts:
            return False
        if self._units and not self._units & set(event.units):
            return False
        if not event.is_readable:
            return True
        if self._services and event.service not in self._services:
            return False
        return event.is_refusal or not self._refused


def _find_sources(
    capture: Path | None, job_path: Path | None, pack_path: Path | None
) -> tuple[Path, TraceNames]:
    pack = pack_path
    if job_path is not None:
        with open_store(job_path, create=False) as store:
            known, last = store.read_fact(FACT_PACK), store.read_fact(FACT_CAPTURE)
        pack = pack or (Path(known) if known else None)
        capture = capture or (Path(last) if last else None)
    if capture is None:
        raise InputError(
            what="There is nothing to read.",
            where=str(job_path or ""),
            why="This job has no capture yet." if job_path else "No file is named.",
            next_step="Name a FILE, or a --job that ran with --capture FILE.",
        )
    return capture, gather_trace_names(read_pack(pack)) if pack else TraceNames()


def _parse_unit(text: str, names: TraceNames) -> int:
    address = names.find_address(text)
    if address is None:
        raise InputError(
            what=f"There is no unit {text!r}.",
            where="--unit",
            why=f"Known are: {', '.join(sorted(names.units.values())) or 'none without --pack'}.",
            next_step="Give a unit's name, or its address in hex such as 1010.",
        )
    return address


def _parse_service(text: str) -> int:
    try:
        return int(text, 16)
    except ValueError:
        raise InputError(
            what=f"{text!r} is no service.",
            where="--service",
            why="Services are numbers in hex, such as 22 or 2E.",
            next_step="Known are: "
            + ", ".join(f"{number:02X} {name}" for number, name in SERVICE_NAMES.items()),
        ) from None


def word_events(events: Iterator[TraceEvent], *, show_bytes: bool) -> Iterator[str]:
    """A line with the beginning's time, then one line an event."""
    first_s: float | None = None
    for event in events:
        if first_s is None:
            first_s = event.at_s
            moment = datetime.fromtimestamp(max(0.0, first_s), UTC)
            yield f"times are seconds after {moment.isoformat(sep=' ', timespec='microseconds')}"
        mark = "!" if not event.is_readable else "x" if event.is_refusal else " "
        who = f"{event.source} > {event.target}"
        line = f"{event.at_s - first_s:11.6f} {mark} {event.link:<12} {who:<28} {event.words}"
        if event.frames > 1:
            line += f" [{event.frames} frames]"
        if show_bytes and event.pdu:
            more = " ..." if len(event.pdu) > _SHOWN_BYTES else ""
            line += f"  | {event.pdu[:_SHOWN_BYTES].hex(' ').upper()}{more}"
        yield f"{line[:13]}{clean(line[13:]) if not line[13:].isprintable() else line[13:]}"


def word_counts(trace: CaptureTrace, shown: int) -> list[str]:
    """How much was read, and what was not."""
    lines = [f"{count(trace.packets, 'packet')}, {count(shown, 'line')} shown"]
    lines += [f"  {number} left out: {what}" for what, number in sorted(trace.left_out.items())]
    lines += [f"  ! {number} not read: {why}" for why, number in sorted(trace.unread.items())]
    return lines


def _count(trace: CaptureTrace) -> dict[str, Any]:
    return {
        "packets": trace.packets,
        "left_out": dict(sorted(trace.left_out.items())),
        "unread": dict(sorted(trace.unread.items())),
    }


def _to_plain(event: TraceEvent) -> dict[str, Any]:
    return {
        "packet": event.number,
        "at": round(event.at_s, 9),
        "link": event.link,
        "source": event.source,
        "target": event.target,
        "units": list(event.units),
        "service": event.service,
        "refusal": event.is_refusal,
        "words": event.words,
        "pdu": event.pdu.hex(),
        "frames": event.frames,
        "readable": event.is_readable,
    }
