"""Blocks that follow each other on a DoIP connection, each sent as the answer before it arrives.

What a gateway says to a block that is taken is known to the byte: its acknowledgement and the
unit's answer. Where just these arrive, the next block leaves from within their arrival and no task
is woken up. Everything else ends the streak and goes the way that every message goes.
"""

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from donorfit.diagnostics.doip import Frame, encode_diagnostic_message, encode_frame
from donorfit.diagnostics.doip_codes import PayloadType
from donorfit.diagnostics.talk import Foreseen, Taken
from donorfit.edge.links.doip_unconfirmed import NOT_ACKNOWLEDGED
from donorfit.errors import LinkError
from donorfit.job.alarm import Alarm
from donorfit.job.ports import (
    LATE_BUT_HERE_S,
    Clock,
    LinkLostError,
    SendUnconfirmedError,
    Streak,
)
from donorfit.vehicle.identity import Address


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What one streak is to do; see :class:`donorfit.job.ports.StreamingLink`."""

    target: Address
    exchanges: Iterator[Foreseen]
    wait_s: float
    accept_s: float
    until_s: float


class RunningStreak:
    """One streak under way; told what arrives, by its connection.

    Args:
        course: what it is to do.
        tester: our own address.
        version: protocol version that is spoken.
        write: sends a frame.
        leave: called as it ends, at once: what follows in the same piece is not for it.

    Attributes:
        course: what it is to do.
        expected: what arrives next, in one piece, where all goes plainly.
        waits: whether a request is under way.
        acknowledged: whether it was acknowledged.
        sent_at_s: when it was sent.
        over: the result, once the streak has ended.
    """

    __slots__ = (
        "_acknowledgement",
        "_answer",
        "_answered",
        "_before_answer",
        "_exchanges",
        "_leave",
        "_sender",
        "_taken_s",
        "_until_s",
        "_version",
        "_write",
        "acknowledged",
        "course",
        "expected",
        "over",
        "sent_at_s",
        "waits",
    )

    def __init__(
        self,
        course: Course,
        tester: Address,
        version: int,
        write: Callable[[bytes], None],
        leave: "Callable[[RunningStreak], None]",
    ) -> None:
        self.course = course
        self.expected = b""
        self.waits = False
        self.acknowledged = False
        self.sent_at_s = 0.0
        self.over: asyncio.Future[Streak] = asyncio.get_running_loop().create_future()
        self._exchanges, self._until_s = course.exchanges, course.until_s
        self._write, self._leave = write, leave
        self._sender, self._version = tester, version
        self._answer = b""
        self._answered = 0
        self._taken_s = 0.0
        pair = course.target.to_bytes(2, "big") + tester.to_bytes(2, "big")
        kind = PayloadType.DIAGNOSTIC_POSITIVE_ACKNOWLEDGE
        self._acknowledgement = encode_frame(Frame(version, kind, pair + b"\x00"))
        self._before_answer = b""

    @property
    def due_s(self) -> float:
        """When the next thing has to have come."""
        if self.acknowledged:
            return self._taken_s + self.course.wait_s
        return self.sent_at_s + self.course.accept_s

    @property
    def unacknowledged(self) -> bool:
        """Whether the link has yet to take the request under way."""
        return self.waits and not self.acknowledged

    def begin(self, now_s: float) -> None:
        """Send the first request; nothing is sent where there is none."""
        exchange = next(self._exchanges, None)
        if exchange is None:
            self.end(None)
        else:
            self._send(exchange, now_s)

    def go_on(self, now_s: float) -> None:
        """Send the next request, or end; nothing where it has ended meanwhile."""
        if self.over.done():
            return
        exchange = next(self._exchanges, None) if now_s < self._until_s else None
        if exchange is None:
            self.end(None)
        else:
            self._send(exchange, now_s)

    def _send(self, exchange: Foreseen, now_s: float) -> None:
        request, answer = exchange
        if len(answer) != len(self._answer):
            frame = encode_diagnostic_message(
                self._version, self.course.target, self._sender, answer
            )
            self._before_answer = self._acknowledgement + frame[: -len(answer)]
        self._answer = answer
        self.expected = self._before_answer + answer
        self.waits, self.acknowledged = True, False
        self.sent_at_s = now_s
        self._write(
            encode_diagnostic_message(self._version, self._sender, self.course.target, request)
        )

    def acknowledge(self, now_s: float) -> bool:
        """Take an acknowledgement; False where it is not for the request under way."""
        if not self.unacknowledged:
            return False
        self.acknowledged = True
        self._taken_s = now_s
        self.expected = self.expected[len(self._acknowledgement) :]
        return True

    def is_in_time(self, now_s: float) -> bool:
        """Whether an answer that is looked at now still counts."""
        return not self.acknowledged or now_s <= self.due_s + LATE_BUT_HERE_S

    def take_answer(self, pdu: bytes, now_s: float) -> bool:
        """Take the answer that lets the next request follow; False where this is none."""
        if not (self.waits and self.is_in_time(now_s) and pdu.startswith(self._answer)):
            return False
        self.count_answer()
        return True

    def count_answer(self) -> None:
        """The request under way is answered as foreseen."""
        self.waits = False
        self._answered += 1

    def hand_over(self, now_s: float) -> None:
        """End with the request under way as it stands; a message for it proves that it arrived."""
        if self.waits:
            self.end(Taken(self._taken_s if self.acknowledged else now_s))
        else:
            self.end(None)

    def end(self, last: Taken | LinkError | None) -> None:
        """Nothing more is sent, and nothing that arrives is for it."""
        self._leave(self)
        if not self.over.done():
            self.over.set_result(Streak(self._answered, last, self.sent_at_s))


class Streaks:
    """The streaks of one connection, one a unit.

    Args:
        peer: the gateway, for people.
        clock: monotonic time.
        fall_silent: as for :class:`donorfit.edge.links.doip_unconfirmed.Unconfirmed`.

    Attributes:
        running: the streak of each unit that has one.
        sole: the streak where there is just one; its next bytes can be compared as they come.
    """

    def __init__(self, peer: str, clock: Clock, fall_silent: Callable[[float], bool]) -> None:
        self.sole: RunningStreak | None = None
        self._peer = peer
        self._clock = clock
        self._fall_silent = fall_silent
        self.running: dict[Address, RunningStreak] = {}
        self._alarm = Alarm(clock, self._look)

    def list_unacknowledged(self) -> list[Address]:
        """Units whose request is not acknowledged yet."""
        return [target for target, each in self.running.items() if each.unacknowledged]

    async def run(
        self, course: Course, tester: Address, version: int, write: Callable[[bytes], None]
    ) -> Streak:
        """Carry a streak to its end; one that is awaited no more sends nothing more."""
        streak = RunningStreak(course, tester, version, write, self._leave)
        self.running[course.target] = streak
        self._choose_sole()
        try:
            streak.begin(self._clock.now())
            self._set_alarm()
            return await streak.over
        finally:
            streak.end(None)

    def _leave(self, streak: RunningStreak) -> None:
        if self.running.get(streak.course.target) is streak:
            del self.running[streak.course.target]
            self._choose_sole()

    def refuse(self, target: Address, error: LinkError) -> bool:
        """The link did not take its request; False where none waits to be taken."""
        streak = self.running.get(target)
        if streak is None or not streak.unacknowledged:
            return False
        streak.end(error)
        return True

    def lose(self, reason: str) -> None:
        """The connection is gone; what was taken is left to whoever asked."""
        self._alarm.close()
        for streak in tuple(self.running.values()):
            if streak.unacknowledged:
                streak.end(LinkLostError(peer=self._peer, reason=reason))
            else:
                streak.hand_over(0.0)

    def _choose_sole(self) -> None:
        self.sole = next(iter(self.running.values())) if len(self.running) == 1 else None

    def _set_alarm(self) -> None:
        # A time that is due moves with every block, so that this asks again from time to time
        # instead of being set with each.
        now_s = self._clock.now()
        times = [min(each.due_s, now_s + each.course.wait_s) for each in self.running.values()]
        if times:
            self._alarm.set(max(now_s, min(times)))

    def _look(self) -> None:
        now_s = self._clock.now()
        for streak in tuple(self.running.values()):
            if streak.due_s > now_s:
                continue
            if streak.acknowledged:
                streak.hand_over(now_s)
            elif self._fall_silent(streak.sent_at_s):
                return
            else:
                target = streak.course.target
                error = SendUnconfirmedError(
                    peer=self._peer, target=target, reason=NOT_ACKNOWLEDGED
                )
                self.refuse(target, error)
        self._set_alarm()
