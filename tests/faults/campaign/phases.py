"""Which requests of applying are alike, so that pairs of faults need not strike at each of them.

Two requests are of one phase where the program asks the same kind of thing with the same in mind:
it looks before a write, writes, reads back, and so on, whatever unit and record it is about. A
keep-alive is of no phase: it is sent beside the work, and what is to strike there strikes at the
next request anyway.
"""

from __future__ import annotations

import itertools
import random
from functools import cache
from typing import TYPE_CHECKING
from unittest.mock import patch

from campaign import Schedule
from thin_car import make_thin_bed
from troubles import Kind, Trouble, draw
from world import KEEP_ALIVE, World

if TYPE_CHECKING:
    from collections.abc import Iterator

IDENTITY = frozenset((0xF190, 0xF18C))
SOFTWARE = frozenset((0xF189, 0xF191))
SUPPLY = 0xD010
_BY_SERVICE = {
    0x3E: "supply",
    0x10: "session",
    0x27: "security access",
    0x2E: "write",
    0x11: "reset",
    0x34: "download begins",
    0x36: "block",
    0x37: "download is checked",
    0x31: "download is checked",
    0x14: "fault codes",
}


@cache
def find_phases() -> dict[str, tuple[int, ...]]:
    """Numbers of the requests of each phase, in an apply that is not disturbed.

    Requests are numbered from the beginning of applying.
    """
    sent: list[tuple[int, bytes]] = []
    own = World._choose

    def note(world, target, pdu):
        fault = own(world, target, pdu)
        sent.append((world.number, pdu))
        return fault

    schedule = Schedule(make_thin_bed(), {}, gives_up=False)
    schedule._prepare()
    before = schedule.world.number
    with patch.object(World, "_choose", note):
        schedule._apply(make_thin_bed().plan)
    phases: dict[str, list[int]] = {}
    done: set[int] = set()
    for number, pdu in sent:
        if pdu == KEEP_ALIVE:
            continue
        phases.setdefault(_name(pdu, done), []).append(number - before)
        done.add(pdu[0])
        if pdu[0] in {0x2E, 0x22}:
            # A reading of what was written just now reads it back; another one looks.
            done -= {0x10000 | int.from_bytes(pdu[1:3])}
            if pdu[0] == 0x2E:
                done.add(0x10000 | int.from_bytes(pdu[1:3]))
    return {name: tuple(numbers) for name, numbers in phases.items()}


def _name(pdu: bytes, done: set[int]) -> str:
    identifier = int.from_bytes(pdu[1:3])
    if pdu[0] != 0x22:
        return _BY_SERVICE[pdu[0]]
    if identifier == SUPPLY:
        return "supply"
    if identifier in SOFTWARE:
        return "software version"
    if identifier in IDENTITY:
        return "back after a reset" if 0x11 in done else "identity"
    return "read back" if 0x10000 | identifier in done else "look before a write"


def list_places() -> Iterator[tuple[int, int]]:
    """One pair of requests for every two phases of which one comes before the other.

    The earliest request of the first phase that has one of the second after it, and the first
    such one. The two phases may be one.
    """
    phases = find_phases().values()
    for first, second in itertools.product(phases, phases):
        early = first[0]
        late = next((number for number in second if number > early), None)
        if late is not None:
            yield early, late


def count_phase_pairs() -> int:
    """How many schedules :func:`list_phase_pairs` makes."""
    return sum(1 for _ in list_places()) * len(Kind) ** 2


def list_phase_pairs(seed: int = 6) -> Iterator[dict[int, Trouble]]:
    """Every ordered pair of kinds of fault at every ordered pair of phases."""
    dice = random.Random(seed)
    for early, late in list_places():
        for one, other in itertools.product(Kind, Kind):
            yield {early: draw(one, dice), late: draw(other, dice)}
