"""Carries asks to the car over one link: one request at a time a unit, units side by side.

What to send, wait for and repeat is decided by the talks in ``diagnostics``, which know neither
clock nor link. Here are only the link, the clock and the tasks.
"""

import asyncio
from collections.abc import Callable

from donorfit.diagnostics.carrying import Carried, carry_exchange
from donorfit.diagnostics.conversation import Download, Exchange, NotSent
from donorfit.diagnostics.download import carry_download
from donorfit.diagnostics.pdu import Arriving, LinkLost, Pdu
from donorfit.diagnostics.policy import DEFAULT, Policy
from donorfit.diagnostics.supply_look import look_at_supply
from donorfit.diagnostics.talk import LookAtSupply, NoteKind, Supply, Tell
from donorfit.diagnostics.uds import encode_tester_present
from donorfit.diagnostics.unit_state import UnitState
from donorfit.errors import MisuseError
from donorfit.job.alarm import Alarm
from donorfit.job.line import CarrierNote, Line, Surroundings
from donorfit.job.ports import Clock, KeySource, LockOuts, PduLink
from donorfit.job.supply_look import SupplyLook
from donorfit.vehicle.identity import Address, UnitId

_KEEP_ALIVE = encode_tester_present(suppress=True)


class LockOutsOfThisRun:
    """Lock-outs that are forgotten when the program ends; the job file has a lasting one."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._until_s: dict[tuple[UnitId, int], float] = {}

    def get_seconds_left(self, unit: UnitId, level: int) -> float:
        """Seconds yet; 0 where the unit may be asked."""
        return max(0.0, self._until_s.get((unit, level), 0.0) - self._clock.now())

    def set_seconds(self, unit: UnitId, level: int, seconds: float) -> None:
        """Leave the unit alone for this time from now on."""
        self._until_s[unit, level] = self._clock.now() + seconds


def ignore_note(_note: CarrierNote) -> None:
    """Tell nobody."""


class Carrier:
    """Carries exchanges and downloads to their outcomes.

    Attributes:
        lost: why the link is lost; None while it is there.
        unclaimed: messages from addresses that were never asked anything.
    """

    def __init__(
        self,
        link: PduLink,
        clock: Clock,
        keys: KeySource,
        *,
        policy: Policy = DEFAULT,
        lock_outs: LockOuts | None = None,
        on_note: Callable[[CarrierNote], None] = ignore_note,
    ) -> None:
        self.lost: str | None = None
        self.unclaimed = 0
        self._around = Surroundings(
            link=link,
            clock=clock,
            keys=keys,
            lock_outs=lock_outs or LockOutsOfThisRun(clock),
            on_note=on_note,
            look_at_supply=self._look_at_supply,
        )
        self._supply = SupplyLook(clock)
        self._policy = policy
        limit = min(policy.parallel_units, link.info.parallel_units)
        self._places = asyncio.Semaphore(limit)
        self._lines: dict[Address, Line] = {}
        self._keep_alives: dict[Address, Alarm] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._detach = link.attach(None, self._take)

    async def carry(self, ask: Exchange | Download) -> Carried:
        """Carry one ask to its outcome.

        Nothing that the car does raises. A changing request is sent twice only where the unit
        said that it did not begin it.

        Raises:
            MisuseError: the ask has no bytes.
        """
        if not (ask.pdu if isinstance(ask, Exchange) else ask.data):
            raise MisuseError(what=f"nothing to send: {ask.what}", where=ask.unit)
        line = self._lines.get(ask.address) or self._open_line(ask.unit, ask.address)
        async with line.lock, self._places:
            if self.lost is not None:
                return NotSent(why=self.lost)
            if isinstance(ask, Download):
                talk = carry_download(line.state, ask, self._around.link.info.max_pdu_bytes)
            else:
                talk = carry_exchange(line.state, ask)
            try:
                return await line.hold(talk)
            finally:
                self._set_keep_alive(line)

    async def close(self) -> None:
        """Let go of the link and close it; what is in flight ends as lost. Twice is harmless."""
        self._lose("the program closed the connection")
        self._detach()
        for alarm in self._keep_alives.values():
            alarm.close()
        for line in self._lines.values():
            line.close()
        tasks = tuple(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._around.link.close()

    async def _look_at_supply(self, step: LookAtSupply) -> Supply:
        """Read the supply in the unit that measures it, while another unit's download waits.

        The download holds a place among the units side by side and sends nothing meanwhile, so
        that this needs no place of its own.
        """
        watch = step.watch
        known = self._supply.find(watch, step.not_older_s)
        if known is not None:
            return known
        line = self._lines.get(watch.address) or self._open_line(watch.unit, watch.address)
        if line.lock.locked():
            return Supply(volts=None, why=f"{watch.unit} is busy")
        async with line.lock:
            try:
                return self._supply.keep(watch, await line.hold(look_at_supply(line.state, watch)))
            finally:
                self._set_keep_alive(line)

    def _open_line(self, unit: UnitId, address: Address) -> Line:
        state = UnitState(self._policy, self._around.link.info.transit_s)
        line = Line(unit, address, state, self._around)
        line.lost = self.lost
        self._lines[address] = line
        self._keep_alives[address] = Alarm(
            self._around.clock, lambda: self._start_keep_alive(line)
        )
        return line

    def _take(self, message: Pdu | Arriving | LinkLost) -> None:
        if isinstance(message, LinkLost):
            self._lose(message.reason)
            return
        line = self._lines.get(message.source)
        if isinstance(message, Pdu):
            if line is not None:
                line.take(message.data)
            else:
                self.unclaimed += 1
        elif line is not None:
            line.expect_more(message.patience_s)

    def _lose(self, reason: str) -> None:
        if self.lost is not None:
            return
        self.lost = reason
        for line in self._lines.values():
            if line.lock.locked():
                line.tell(Tell(kind=NoteKind.LINK_LOST, text=reason))
            line.lose(reason)

    def _set_keep_alive(self, line: Line) -> None:
        if self.lost is None and line.state.needs_keep_alive:
            alarm = self._keep_alives[line.address]
            alarm.set(line.last_sent_s + self._policy.keep_alive_s)

    def _start_keep_alive(self, line: Line) -> None:
        task = asyncio.create_task(self._keep_alive(line))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _keep_alive(self, line: Line) -> None:
        # A request under way keeps the session alive by itself; its end sets the alarm again.
        if line.lock.locked():
            return
        async with line.lock:
            due_s = line.last_sent_s + self._policy.keep_alive_s
            if self._around.clock.now() >= due_s and line.state.needs_keep_alive:
                await line.send_unheard(_KEEP_ALIVE)
        self._set_keep_alive(line)
