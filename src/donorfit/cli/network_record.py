"""What one record of traffic shows, gathered and printed."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import click
import numpy as np

from donorfit.cli.answers import print_rows, print_text
from donorfit.cli.columns import count
from donorfit.edge.logs import read_log_file
from donorfit.edge.logs.compiled import are_kept, find_loops, is_worth
from donorfit.network.answers import ProtectionSeen, RecordSeen
from donorfit.network.awake import AwakePeriod, Rhythm, count_steps_back, find_awake, list_rhythms
from donorfit.network.frames import Frames, LeftOut
from donorfit.network.log_coverage import RecordedState
from donorfit.network.loops import Loops
from donorfit.network.measured_load import MeasuredLoad, measure_load
from donorfit.network.protection import find_protection

MOST_FRAMES_LOOKED_AT = 20_000
MOST_PERIODS_SHOWN = 10


class RecordLook(NamedTuple):
    """What a record shows; ``plain`` is the same for JSON."""

    frames: int
    lines: int
    left_out: tuple[LeftOut, ...]
    channels: tuple[str, ...]
    state: RecordedState
    notes: tuple[str, ...]
    loads: tuple[MeasuredLoad, ...]
    load_wanted: bool
    protection: tuple[tuple[Rhythm, Any], ...]
    plain: RecordSeen


def start_loops(log: Path) -> Loops | None:
    """Compiled loops where they are worth it for this file; says so when they are made first."""
    size = log.stat().st_size if log.exists() else 0
    if is_worth(size) and are_kept() is False:
        click.echo("Compiling the loops for large records; this happens once.", err=True)
    return find_loops(size)


def look_at(
    log: Path, asleep_after_s: float, bit_rate: int | None, *, protection: bool
) -> RecordLook:
    """Read a record and gather what it shows; its frames are not kept.

    Raises:
        InputError: see :func:`donorfit.edge.logs.read_log_file`.
    """
    loops = start_loops(log)
    reading = read_log_file(log, loops)
    frames = reading.frames
    periods = find_awake(frames, asleep_after_s)
    rhythms = list_rhythms(frames, periods, loops)
    notes = (*reading.notes, *_list_notes(frames))
    loads = tuple(_list_loads(frames, bit_rate)) if bit_rate else ()
    found = tuple(_find_protection(frames, rhythms)) if protection else ()
    plain = RecordSeen(
        record=str(log),
        frames=len(frames.ids),
        lines=reading.lines,
        left_out=reading.left_out,
        notes=notes,
        channels=frames.channel_names,
        awake=periods,
        identifiers=rhythms,
        load=loads,
        protection=tuple(
            ProtectionSeen(
                channel=each.channel,
                frame_id=each.frame_id,
                found=what,
                can_be_made=what.can_be_made,
            )
            for each, what in found
        ),
    )
    state = RecordedState(name=log.name, periods=periods, rhythms=rhythms)
    return RecordLook(
        frames=len(frames.ids),
        lines=reading.lines,
        left_out=reading.left_out,
        channels=frames.channel_names,
        state=state,
        notes=notes,
        loads=loads,
        load_wanted=bool(bit_rate),
        protection=found,
        plain=plain,
    )


def _list_notes(frames: Frames) -> Iterator[str]:
    steps, first = count_steps_back(frames)
    if steps:
        yield f"time steps back {count(steps, 'time')}, first at frame {first}"
    untimed = int(np.isnan(frames.times_s).sum())
    if untimed:
        yield f"{count(untimed, 'frame')} without a time"


def _list_loads(frames: Frames, bit_rate: int) -> Iterator[MeasuredLoad]:
    for place in range(len(frames.channel_names)):
        load = measure_load(frames, bit_rate, place)
        if load is not None:
            yield load


def _find_protection(frames: Frames, rhythms: tuple[Rhythm, ...]) -> Iterator[tuple[Rhythm, Any]]:
    for each in rhythms:
        channel = frames.channel_names.index(each.channel)
        same = (frames.ids == each.frame_id) & (frames.extended == each.extended)
        rows = np.flatnonzero(same & (frames.channels == channel))
        lengths = frames.lengths[rows]
        usual = int(np.bincount(lengths).argmax())
        chosen = rows[lengths == usual][:MOST_FRAMES_LOOKED_AT]
        yield each, find_protection(frames.take_payload(chosen)[:, :usual])


def print_look(look: RecordLook, *, several: bool) -> None:
    """Print what a record shows; its name first where there are several."""
    rhythms, channels = look.state.rhythms, len(look.channels) > 1
    if several:
        click.echo(f"{look.state.name}:")
    found = len({(each.frame_id, each.extended) for each in rhythms})
    click.echo(
        f"{count(look.frames, 'frame')} with {count(found, 'identifier')} "
        f"in {count(look.lines, 'line')}"
    )
    print_left_out(look.left_out)
    for note in look.notes:
        print_text(note, first="  ")
    _print_awake(look.state.periods)
    print_rows(
        (*(("channel",) if channels else ()), *_HEAD),
        [_write_rhythm(each, channel=channels) for each in rhythms],
        right=tuple(place + channels for place in (1, 2, 3)),
    )
    _print_loads(look)
    rows = [
        (
            each.channel,
            f"{each.frame_id:#x}",
            "yes" if what.can_be_made else "no",
            what.reason,
        )
        for each, what in look.protection
    ]
    print_rows(("channel", "identifier", "gateway could make it", "protection"), rows)


_HEAD = ("identifier", "frames", "median ms", "99 % ms", "longest ms")


def _write_rhythm(each: Rhythm, *, channel: bool) -> tuple[str, ...]:
    times = (each.median_ms, each.p99_ms, each.longest_ms)
    return (
        *((each.channel,) if channel else ()),
        f"{each.frame_id:#x}" + (" ext" if each.extended else ""),
        str(each.count),
        *("" if value is None else f"{value:.1f}" for value in times),
    )


def print_left_out(left_out: tuple[LeftOut, ...]) -> None:
    """Print what held no data frame, by kind."""
    for each in left_out:
        lines = count(each.number, "line")
        click.echo(f"  {lines} without a data frame: {each.kind}, first in line {each.first_line}")


def _print_awake(periods: tuple[AwakePeriod, ...]) -> None:
    """One line a channel: how often and how long it was awake."""
    for channel in dict.fromkeys(each.channel for each in periods):
        own = [each for each in periods if each.channel == channel]
        lengths = [each.seconds for each in own if each.seconds is not None]
        shown = ", ".join(f"{each:.1f} s" for each in lengths[:MOST_PERIODS_SHOWN])
        more = ", ..." if len(lengths) > MOST_PERIODS_SHOWN else ""
        what = f": {shown}{more}" if lengths else "; without times"
        print_text(f"{channel or 'bus'} awake in {count(len(own), 'period')}{what}", first="  ")


def _print_loads(look: RecordLook) -> None:
    if look.load_wanted and not look.loads:
        click.echo("The load cannot be measured: the record has no usable times.")
    for load in look.loads:
        name = f" on {load.channel}" if len(look.channels) > 1 else ""
        print_text(
            f"Load{name} over {load.seconds:.1f} s: {load.plain:.1%} without stuff bits, at most "
            f"{load.worst:.1%}; busiest tenth of a second {load.peak_plain:.1%}"
            + (f"; {load.not_counted} CAN FD frames are not counted" if load.not_counted else "")
        )
