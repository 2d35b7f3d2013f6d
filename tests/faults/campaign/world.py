"""The world of one schedule: the car, the link to it, the computer, and what strikes them when.

Requests that leave the program are numbered from 1 over the whole job, restarts included; a
schedule says which trouble strikes at which number. The car's time goes on while the program is
not running; the program's clock begins anew with each start.
"""

from __future__ import annotations

import hashlib
import itertools
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING

from byte_link import ByteLink
from thin_car import WRITES
from troubles import ON_LINK, Kind, Trouble

from donorfit.demo.keys import compute_key
from donorfit.diagnostics.conversation import Answered, Effect, Exchange
from donorfit.diagnostics.pdu import Reply
from donorfit.edge.clock import VirtualClock
from donorfit.edge.journal.lock_outs import LastingLockOuts
from donorfit.edge.links.faulty import FaultyLink, LinkFault
from donorfit.edge.links.memory import MemoryLink
from donorfit.errors import LinkError, SafetyError
from donorfit.job.carrier import Carrier
from donorfit.job.job import PREPARATION
from donorfit.job.ports import LinkLostError
from donorfit.job.store import StoredRecord, decode_stored
from donorfit.records.preparation import Preparation
from donorfit.simulator.advance import notice_supply
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import Disturbance, DisturbanceKind
from donorfit.simulator.state import Dip
from donorfit.vehicle.identity import Address, UnitId

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thin_car import Bed

OPTION_LIST = b"\x10\x01"
READ_VIN = b"\x22\xf1\x90"
OTHER_SERIAL = b"OTHER0001"
NOBODY = Address(0x1FFF)
LONGEST_P2_STAR_S = 4.5
KEEP_ALIVE = b"\x3e\x80"


class KilledError(BaseException):
    """The program ends here, without a word."""


class CancelledByPersonError(BaseException):
    """The person interrupts at once."""


@lru_cache(maxsize=64)
def read_preparation(stored: StoredRecord) -> Preparation:
    """A preparation out of the job file."""
    return decode_stored(stored, Preparation)


class World:
    """Car, computer and schedule.

    Attributes:
        number: requests that have left so far.
        struck: troubles that have struck, with their number.
        changes: changing requests that the car carried out, as (unit, request).
        spoilt: places of the car's memory that hold neither old nor new because of a trouble.
        lost_backups: changes that were carried out while a backup was missing.
        in_bytes: whether the link is the program's own DoIP link, over bytes.
    """

    in_bytes = False

    def __init__(self, bed: Bed, schedule: Mapping[int, Trouble]) -> None:
        self.bed = bed
        self.store = bed.make_store()
        self.store.on_write = self._meet_write
        self.store.now = self.tell_date
        self.number = 0
        self.struck: list[tuple[int, Trouble]] = []
        self.changes: list[tuple[str, bytes]] = []
        self.spoilt: set[tuple[str, int]] = set()
        self.lost_backups: list[str] = []
        self.dead = False
        self.stop_asked = False
        self._car = SimulatedCar(bed.scenario)
        self._schedule = dict(schedule)
        self._base_s = 10.0
        self._slept_s = 0.0
        self._wall_s = 1_700_000_000.0
        self._busy: dict[Address, int] = {}
        self._asleep: dict[Address, float] = {}
        self._swapped: dict[Address, float] = {}
        self._refuses_until_s = 0.0
        self._wrong_keys = 0
        self._kill_at_write: Trouble | None = None
        self._ids = {unit.address: unit.id for unit in bed.scenario.units}
        self._link: MemoryLink | None = None
        self.first_memory = self.read_memory()

    def resume_from(self, other: World) -> None:
        """Car and job file as they are in another world, with all requests numbered anew."""
        self.store = other.store.copy()
        self.store.on_write = self._meet_write
        self.store.now = self.tell_date
        self._car._state = other._car._advance(None)
        self._base_s = other._base_s

    # --- the car ------------------------------------------------------------------------------

    def read_memory(self) -> dict[tuple[str, int], bytes]:
        """All that the car's units hold: records by unit and identifier, software under 0."""
        held = {}
        for unit in self.bed.scenario.units:
            memory = self._car.memory(unit.id)
            held |= {(unit.id, place): content for place, content in memory.records}
            software = memory.software if memory.application else "none"
            held[unit.id, 0] = software.encode()
        return held

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """The car's side of a request; see :class:`donorfit.job.ports.CarModel`."""
        now_s += self._base_s + self._slept_s
        unit = self._ids.get(target)
        if unit is None or self._asleep.get(target, 0.0) > now_s:
            return ()
        trouble = self._take_trouble()
        if trouble is not None:
            return self._meet(trouble, target, pdu, now_s)
        if self._busy.get(target, 0):
            self._busy[target] -= 1
            return self._refuse(target, pdu, 0x21)
        return self._carry_out(target, pdu, now_s)

    def _carry_out(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        if pdu == b"\x22\xf1\x8c" and self._swapped.get(target, 0.0) > now_s:
            return (Reply(after_s=0.001, source=target, pdu=b"\x62\xf1\x8c" + OTHER_SERIAL),)
        return self._note(target, pdu, self._car.handle(target, pdu, now_s))

    def _note(self, target: Address, pdu: bytes, replies: tuple[Reply, ...]) -> tuple[Reply, ...]:
        """Remember what was carried out, and look for the backups at that moment."""
        done = any(reply.pdu[:1] == bytes((pdu[0] + 0x40,)) for reply in replies)
        if done and pdu[0] in {0x2E, 0x34, 0x11, 0x14}:
            self.changes.append((self._ids[target], pdu))
            if pdu[0] in {0x2E, 0x34}:
                self._look_for_backups(self._ids[target], pdu)
        return replies

    def _look_for_backups(self, unit: str, pdu: bytes) -> None:
        """The first preparation holds every old value; the newest one what is written now."""
        preparations = [
            read_preparation(each)
            for each in self.store.list_records()
            if each.kind == PREPARATION
        ]
        first = {
            (each.unit, each.identifier): each
            for preparation in preparations
            if preparation.plan_digest == self.bed.plan_digest
            for each in preparation.backups
        }
        for step in self.bed.plan.steps:
            if step.kind not in WRITES:
                continue
            key = (step.unit, step.identifier)
            backup = first.get(key)
            whole = backup is not None and self.store.read_backup(backup.sha256) == backup.data
            if not whole or backup.data != self.first_memory[key]:
                self.lost_backups.append(f"{unit} {pdu[:3].hex()}: {step.what}")
        key = (unit, int.from_bytes(pdu[1:3]))
        newest = preparations[-1].backups if preparations else ()
        if pdu[0] == 0x2E and all((each.unit, each.identifier) != key for each in newest):
            self.lost_backups.append(f"{unit} {pdu[:3].hex()}: not in the newest preparation")

    def _refuse(self, target: Address, pdu: bytes, code: int) -> tuple[Reply, ...]:
        return (Reply(after_s=0.002, source=target, pdu=bytes((0x7F, pdu[0], code))),)

    def _restart_all(self, now_s: float) -> None:
        self._car.cycle_ignition(now_s)

    def _take_trouble(self) -> Trouble | None:
        """The trouble of this number, once, where it is the car's to meet."""
        trouble = self._schedule.get(self.number)
        if trouble is None or trouble.kind.value in ON_LINK or trouble.kind in _PROGRAMS_OWN:
            return None
        del self._schedule[self.number]
        self.struck.append((self.number, trouble))
        return trouble

    def _meet(  # noqa: C901, PLR0912 - one case a kind
        self, trouble: Trouble, target: Address, pdu: bytes, now_s: float
    ) -> tuple[Reply, ...]:
        match trouble.kind:
            case Kind.BUSY:
                self._busy[target] = trouble.times - 1
                return self._refuse(target, pdu, 0x21)
            case Kind.PENDING:
                return self._delay_by_pendings(target, pdu, now_s, trouble)
            case Kind.PENDING_THEN_SILENCE:
                if trouble.times:
                    self._carry_out(target, pdu, now_s)
                return self._refuse(target, pdu, 0x78)
            case Kind.REFUSE:
                return self._refuse(target, pdu, trouble.code)
            case Kind.FALL_BACK:
                place = self.bed.scenario.find_unit(UnitId(self._ids[target]))
                self._car._advance(now_s)
                self._car._put(place, self._car._state.units[place].fall_back())
            case Kind.FOREIGN_FRAMES:
                others = [each for each in self._ids if each != target][:1]
                frames = tuple(
                    Reply(after_s=0.0, source=each, pdu=b"\x6e\x10\x01")
                    for each in (NOBODY, *others)
                )
                return (*frames, *self._carry_out(target, pdu, now_s))
            case Kind.GATEWAY_REBOOT | Kind.POWER_CUT:
                self._restart_all(now_s)
                self._cut_link("the gateway starts anew", trouble.seconds)
                return ()
            case Kind.UNPLUGGED:
                self._cut_link("the adapter is unplugged", trouble.seconds)
                return ()
            case Kind.RESET_BEFORE | Kind.RESET_AFTER | Kind.STORE_DIFFERENTLY:
                return self._disturb(trouble, target, pdu, now_s)
            case Kind.ASLEEP:
                self._asleep[target] = now_s + trouble.seconds
                return ()
            case Kind.SWAPPED:
                self._swapped[target] = now_s + trouble.seconds
            case Kind.SUPPLY_DIP:
                car = self._car._advance(now_s)
                dip = Dip(volts=trouble.code / 10, until_s=now_s + trouble.seconds)
                self._car._state = notice_supply(self.bed.scenario, replace(car, dip=dip))
        return self._carry_out(target, pdu, now_s)

    def _delay_by_pendings(
        self, target: Address, pdu: bytes, now_s: float, trouble: Trouble
    ) -> tuple[Reply, ...]:
        step_s = min(trouble.seconds, LONGEST_P2_STAR_S)
        late_s = step_s * (trouble.times - 1) + 0.01
        pendings = tuple(
            Reply(after_s=0.01 + step_s * n, source=target, pdu=bytes((0x7F, pdu[0], 0x78)))
            for n in range(trouble.times)
        )
        replies = self._carry_out(target, pdu, now_s)
        moved = tuple(replace(each, after_s=each.after_s + late_s) for each in replies)
        return tuple(sorted((*pendings, *moved), key=lambda each: each.after_s))

    def _disturb(
        self, trouble: Trouble, target: Address, pdu: bytes, now_s: float
    ) -> tuple[Reply, ...]:
        unit = self._ids[target]
        place = self.bed.scenario.find_unit(UnitId(unit))
        self._car._advance(now_s)
        if trouble.kind is Kind.STORE_DIFFERENTLY:
            at = len(pdu) - 4
            # A list that is spoilt would not be a list any more; only plain records are.
            if pdu[0] != 0x2E or at < 1 or pdu[1:3] == OPTION_LIST:
                return self._carry_out(target, pdu, now_s)
            disturbance = Disturbance(
                unit=UnitId(unit),
                service=0x2E,
                kind=DisturbanceKind.STORE_DIFFERENTLY,
                byte=at,
                value=pdu[-1] ^ 0x5A,
            )
            self.spoilt.add((unit, int.from_bytes(pdu[1:3])))
            return self._note(target, pdu, self._car._disturb(place, pdu, now_s, disturbance))
        executed = trouble.kind is Kind.RESET_AFTER
        if executed:
            self._carry_out(target, pdu, now_s)
        disturbance = Disturbance(
            unit=UnitId(unit), service=pdu[0], kind=DisturbanceKind.RESET, executed=False
        )
        return self._car._disturb(place, pdu, now_s, disturbance)

    # --- the link -----------------------------------------------------------------------------

    def _cut_link(self, why: str, refuse_s: float) -> None:
        self._refuses_until_s = VirtualClock().now() + refuse_s
        if self._link is not None:
            self._link.cut(why)

    def open_link(self, clock: VirtualClock) -> FaultyLink | ByteLink:
        """A new link to the car, as far as its gateway takes one."""
        if self._refuses_until_s > clock.now():
            raise LinkError(what="nobody answers", where="the car")
        self._link = MemoryLink(self, clock)
        link = FaultyLink(self._link, clock, self._choose)
        return ByteLink(link, clock) if self.in_bytes else link

    def _choose(self, target: Address, pdu: bytes) -> LinkFault | None:
        """Number the request; the fault of the link that strikes it, or the end of the program."""
        del target
        if self.dead and pdu == KEEP_ALIVE:
            raise LinkLostError(peer="the car", reason="the program has ended")
        if self.dead:
            raise KilledError
        self.number += 1
        if pdu == KEEP_ALIVE and self.number in self._schedule:
            # It is sent in the background, where nothing that ends the program would be seen.
            at = next(n for n in itertools.count(self.number + 1) if n not in self._schedule)
            self._schedule[at] = self._schedule.pop(self.number)
        trouble = self._schedule.get(self.number)
        if trouble is None:
            return None
        kind = ON_LINK.get(trouble.kind.value)
        if kind is None:
            if trouble.kind in _PROGRAMS_OWN:
                self._strike_program(trouble)
            return None
        del self._schedule[self.number]
        self.struck.append((self.number, trouble))
        return LinkFault(kind=kind, seconds=trouble.seconds, data=trouble.data)

    # --- the computer -------------------------------------------------------------------------

    def _strike_program(self, trouble: Trouble) -> None:
        del self._schedule[self.number]
        self.struck.append((self.number, trouble))
        match trouble.kind:
            case Kind.KILL_BEFORE | Kind.TORN:
                self._die(trouble)
            case Kind.KILL_AFTER | Kind.KILL_AT_JOURNAL:
                self._kill_at_write = trouble
            case Kind.DISK_FULL:
                self.store.full_writes = trouble.times
            case Kind.WALL_CLOCK:
                self._wall_s += trouble.seconds
            case Kind.SUSPEND:
                self._slept_s += trouble.seconds
            case Kind.STOP:
                self.stop_asked = True
            case Kind.WRONG_KEY:
                self._wrong_keys += 1
            case Kind.CANCEL:
                raise CancelledByPersonError

    def _die(self, trouble: Trouble) -> None:
        self.dead = True
        if trouble.kind is Kind.TORN:
            self.store.lose_power()
        raise KilledError

    def _meet_write(self) -> None:
        if self.dead:
            raise KilledError
        if self._kill_at_write is not None:
            trouble, self._kill_at_write = self._kill_at_write, None
            self._die(trouble)

    def start_program(self) -> None:
        """The program is started again; nothing but journal and car are left of before."""
        self.dead = self.stop_asked = False
        self._kill_at_write = None
        self.store.full_writes = 0

    def end_program(self, ran_s: float, pause_s: float) -> None:
        """The program has ended; the car's time and the wall's go on."""
        self._base_s += ran_s + pause_s
        self._wall_s += ran_s + pause_s
        self._refuses_until_s = max(0.0, self._refuses_until_s - ran_s - pause_s)
        self._link = None
        # What units were still at work on is done by now, and is their memory for whoever looks.
        self._car._advance(self._base_s + self._slept_s)

    def tell_car_time(self) -> float:
        """The car's time while no program runs."""
        return self._base_s

    def tell_wall_time(self) -> float:
        """Seconds of the wall clock, which may have jumped."""
        return self._wall_s + VirtualClock().now()

    def tell_date(self) -> str:
        """Wall time for records, to the second."""
        return datetime.fromtimestamp(self._wall_s, UTC).isoformat(timespec="seconds")

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        """The person's key source, which may be wrong once."""
        if self._wrong_keys:
            self._wrong_keys -= 1
            return hashlib.sha256(seed).digest()[:4]
        return compute_key(unit, level, seed)

    @property
    def over(self) -> bool:
        """Whether every trouble has struck."""
        return not self._schedule

    def drop_rest(self) -> int:
        """Forget what never struck, since the job ended before its number; say how many."""
        left = len(self._schedule)
        self._schedule.clear()
        return left


_PROGRAMS_OWN = frozenset(
    (
        Kind.KILL_BEFORE,
        Kind.KILL_AFTER,
        Kind.KILL_AT_JOURNAL,
        Kind.TORN,
        Kind.DISK_FULL,
        Kind.WALL_CLOCK,
        Kind.SUSPEND,
        Kind.STOP,
        Kind.CANCEL,
        Kind.WRONG_KEY,
    )
)


class WorldConnection:
    """Opens the world's link and makes sure that it is the same car, as the program's own does."""

    def __init__(self, world: World, clock: VirtualClock) -> None:
        self._world = world
        self._clock = clock
        self._lock_outs = LastingLockOuts(world.store, world.tell_wall_time)

    async def connect(self) -> Carrier:
        link = self._world.open_link(self._clock)
        await link.open(self._clock.now() + 6.0)
        carrier = Carrier(link, self._clock, self._world, lock_outs=self._lock_outs)
        try:
            await self._check_same_car(carrier)
        except BaseException:
            await carrier.close()
            raise
        return carrier

    async def _check_same_car(self, carrier: Carrier) -> None:
        keeper = self._world.bed.pack.list_keepers()[0]
        outcome = await carrier.carry(
            Exchange(
                unit=keeper.id,
                address=keeper.address,
                pdu=READ_VIN,
                effect=Effect.READING,
                what="read VIN",
            )
        )
        if isinstance(outcome, Answered):
            if outcome.pdu[3:].decode() != self._world.bed.plan.vin:
                raise SafetyError(what="another car answers")
        elif carrier.lost is not None:
            raise LinkError(what="the connection was lost again at once", why=carrier.lost)


__all__ = ["CancelledByPersonError", "KilledError", "World", "WorldConnection"]
