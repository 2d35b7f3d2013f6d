"""One unit's end of the link: what arrived, who waits for it, and the talk that goes on."""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TypeVar

from donorfit.diagnostics.talk import (
    AskKey,
    AskLockOut,
    Elapsed,
    Event,
    Failed,
    Gone,
    Heard,
    Key,
    Left,
    Listen,
    LookAtSupply,
    NoteKind,
    Rest,
    SetLockOut,
    SlowStep,
    Stream,
    Streamed,
    Supply,
    Taken,
    Talk,
    Tell,
    Told,
    Transmit,
)
from donorfit.diagnostics.transfer_rate import TransferRate
from donorfit.diagnostics.unit_state import UnitState
from donorfit.errors import LinkError
from donorfit.job.alarm import Alarm
from donorfit.job.ports import (
    LATE_BUT_HERE_S,
    Clock,
    KeySource,
    LinkLostError,
    LockOuts,
    PduLink,
    SendRefusedError,
    StreamingLink,
)
from donorfit.records.counted import count
from donorfit.vehicle.identity import Address, UnitId

T = TypeVar("T")

INBOX_MESSAGES = 256
LONGEST_ARRIVAL_S = 300.0
"""A message that is still arriving after this is waited for no longer: one unit may begin them for
ever. The longest of ISO 15765-2, 4095 bytes at its slowest pace of 127 ms a frame, takes 75 s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierNote:
    """What happens on the way, for people.

    Attributes:
        unit: which unit it is about.
        kind: what it is.
        text: in words.
        at_s: when, by the monotonic clock.
        done: bytes done, where it is a download.
        total: bytes in all, where it is a download.
        bytes_per_s: how fast it goes; 0 where that is not known.
    """

    unit: UnitId
    kind: NoteKind
    text: str
    at_s: float
    done: int = 0
    total: int = 0
    bytes_per_s: float = 0.0

    @property
    def left_s(self) -> float:
        """Seconds that a download will take yet; 0 where that is not known."""
        return (self.total - self.done) / self.bytes_per_s if self.bytes_per_s else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What all lines of one carrier share; ``look_at_supply`` asks another unit than this one."""

    link: PduLink
    clock: Clock
    keys: KeySource
    lock_outs: LockOuts
    on_note: Callable[[CarrierNote], None]
    look_at_supply: Callable[[LookAtSupply], Awaitable[Supply]]


def _explain(error: LinkError) -> Failed:
    """What an error of the link means for the request that it was given."""
    match error:
        case SendRefusedError():
            return Failed(why=error.reason, may_have_left=False, gone=False)
        case LinkLostError():
            return Failed(why=error.reason, may_have_left=True, gone=True)
        case _:
            return Failed(why=error.why or error.what, may_have_left=True, gone=False)


class Line:
    """One unit: its state, its inbox, and a lock, since a unit has one request at a time."""

    def __init__(
        self, unit: UnitId, address: Address, state: UnitState, around: Surroundings
    ) -> None:
        self.unit = unit
        self.address = address
        self.state = state
        self.lock = asyncio.Lock()
        self.last_sent_s = 0.0
        self.lost: str | None = None
        self._around = around
        self._inbox: deque[Heard] = deque()
        self._overflow = 0
        self._arriving_since_s: float | None = None
        self._arriving_until_s = 0.0
        self._waiter: asyncio.Future[None] | None = None
        self._alarm = Alarm(around.clock, self._wake)
        self._rate = TransferRate()

    def take(self, pdu: bytes) -> None:
        """A message of the unit arrived."""
        if len(self._inbox) >= INBOX_MESSAGES:
            self._inbox.popleft()
            self._overflow += 1
        # What came in pieces answered when its first piece came.
        at_s, self._arriving_since_s = self._arriving_since_s, None
        self._inbox.append(Heard(pdu, self._around.clock.now() if at_s is None else at_s))
        self._arriving_until_s = 0.0
        if self._waiter is not None:
            self._wake()

    def expect_more(self, patience_s: float) -> None:
        """A long message has begun to arrive: it answered in time, however long it takes."""
        now_s = self._around.clock.now()
        if self._arriving_since_s is None or now_s > self._arriving_until_s:
            self._arriving_since_s = now_s
        longest_s = self._arriving_since_s + LONGEST_ARRIVAL_S
        self._arriving_until_s = min(now_s + patience_s, longest_s)

    def lose(self, why: str) -> None:
        """The link is lost."""
        self.lost = why
        self.state.forget_session()
        self._wake()

    def close(self) -> None:
        """End what waits."""
        self._alarm.close()

    async def hold(self, talk: Talk[T]) -> T:
        """Drive a talk to its result; the caller holds the lock."""
        self._drop_what_nobody_asked_for()
        event: Event | None = None
        try:
            while True:
                # The first send to a generator has to be None.
                step = talk.send(event)  # type: ignore[arg-type]
                match step:
                    case Transmit(pdu=pdu):
                        event = await self._transmit(pdu)
                    case Listen(until_s=until_s):
                        event = await self._listen(until_s)
                    case Stream():
                        event = await self._stream(step)
                    case _:
                        event = await self._do(step)
        except StopIteration as stop:
            result: T = stop.value
            return result
        except BaseException:
            # Broken off by the person: nobody knows what the unit made of it.
            talk.close()
            self.state.dirty = True
            self.state.forget_session()
            raise
        finally:
            self._alarm.clear()

    async def send_unheard(self, pdu: bytes) -> None:
        """Send a request that forbids its answer, such as a keep-alive; a failure shows later."""
        await self._transmit(pdu)

    async def _do(self, step: SlowStep) -> Event:
        around = self._around
        match step:
            case Tell():
                self.tell(step)
                return Told()
            case Rest(seconds=seconds):
                return await self._rest(around.clock.now() + seconds)
            case AskKey(level=level, seed=seed):
                return Key(key=self._find_key(level, seed))
            case LookAtSupply():
                return await around.look_at_supply(step)
            case AskLockOut(level=level):
                return Left(seconds=around.lock_outs.get_seconds_left(self.unit, level))
            case SetLockOut(level=level, seconds=seconds):
                around.lock_outs.set_seconds(self.unit, level, seconds)
                return Told()

    async def _stream(self, step: Stream) -> Streamed:
        link, clock = self._around.link, self._around.clock
        until_s = clock.now() + step.seconds
        if self.lost is not None or self._inbox:
            return Streamed(answered=0, last=None)
        if not isinstance(link, StreamingLink):
            return await self._stream_slowly(step, until_s)
        self.last_sent_s = clock.now()
        try:
            streak = await link.stream(self.address, step.exchanges, step.wait_s, until_s)
        except LinkLostError:
            # Nothing was sent; the next request says so in its own words.
            return Streamed(answered=0, last=None)
        self.last_sent_s = streak.sent_at_s
        last = streak.last
        if isinstance(last, LinkError):
            return Streamed(answered=streak.answered, last=_explain(last))
        return Streamed(answered=streak.answered, last=last)

    async def _stream_slowly(self, step: Stream, until_s: float) -> Streamed:
        """The same over a link that has no way of its own for it."""
        answered = 0
        for exchange in step.exchanges:
            if answered and self._around.clock.now() >= until_s:
                break
            taken = await self._transmit(exchange.request)
            if isinstance(taken, Failed):
                return Streamed(answered=answered, last=taken)
            heard = await self._listen(taken.at_s + step.wait_s)
            if not isinstance(heard, Heard):
                return Streamed(answered=answered, last=taken)
            if not heard.pdu.startswith(exchange.answer):
                self._inbox.appendleft(heard)
                return Streamed(answered=answered, last=taken)
            answered += 1
        return Streamed(answered=answered, last=None)

    async def _listen(self, until_s: float) -> Heard | Elapsed | Gone:
        event = self._look(until_s)
        while event is None:
            await self._sleep_until(max(until_s, self._arriving_until_s))
            event = self._look(until_s)
        return event

    async def _transmit(self, pdu: bytes) -> Taken | Failed:
        link, clock = self._around.link, self._around.clock
        if self.lost is not None:
            return Failed(why=self.lost, may_have_left=False, gone=True)
        info = link.info
        if len(pdu) > info.max_pdu_bytes:
            why = f"{len(pdu)} bytes are more than the link takes ({info.max_pdu_bytes})"
            return Failed(why=why, may_have_left=False, gone=False)
        self.last_sent_s = clock.now()
        try:
            await link.send(self.address, pdu, self.last_sent_s + info.accept_s)
        except LinkError as error:
            return _explain(error)
        return Taken(at_s=clock.now())

    def _look(self, until_s: float) -> Heard | Elapsed | Gone | None:
        """What listening comes to as things stand; None where there is time to wait yet."""
        wait_s = max(until_s, self._arriving_until_s)
        if self._inbox and self._inbox[0].at_s <= wait_s + LATE_BUT_HERE_S:
            return self._inbox.popleft()
        if self.lost is not None:
            return Gone(why=self.lost)
        if self._inbox or self._around.clock.now() >= wait_s:
            return Elapsed()
        return None

    async def _rest(self, until_s: float) -> Elapsed | Gone:
        while self.lost is None and self._around.clock.now() < until_s:
            await self._sleep_until(until_s)
        self._drop_what_nobody_asked_for()
        return Elapsed() if self.lost is None else Gone(why=self.lost)

    async def _sleep_until(self, until_s: float) -> None:
        self._waiter = asyncio.get_running_loop().create_future()
        self._alarm.set(until_s)
        try:
            await self._waiter
        finally:
            self._waiter = None
            self._alarm.clear()

    def _wake(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    def _find_key(self, level: int, seed: bytes) -> bytes | None:
        try:
            return self._around.keys.compute_key(self.unit, level, seed)
        except Exception as error:  # noqa: BLE001 - the user's own plug-in may raise anything
            text = f"the key source failed: {type(error).__name__}: {error}"
            self.tell(Tell(kind=NoteKind.SECURITY, text=text))
            return None

    def _drop_what_nobody_asked_for(self) -> None:
        dropped = len(self._inbox) + self._overflow
        if not dropped:
            return
        self._inbox.clear()
        self._overflow = 0
        self.state.dirty = True
        self.tell(
            Tell(kind=NoteKind.STRAY, text=f"{count(dropped, 'message')} that nobody asked for")
        )

    def tell(self, note: Tell) -> None:
        """Pass a note on to people."""
        at_s = self._around.clock.now()
        rate = 0.0
        if note.kind is NoteKind.PROGRESS:
            rate = self._rate.take(note.done, at_s)
        elif note.kind is NoteKind.SUPPLY:
            self._rate.pause()
        self._around.on_note(
            CarrierNote(
                unit=self.unit,
                kind=note.kind,
                text=note.text,
                at_s=at_s,
                done=note.done,
                total=note.total,
                bytes_per_s=rate,
            )
        )
