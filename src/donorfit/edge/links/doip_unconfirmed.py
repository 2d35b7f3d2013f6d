"""Requests on a DoIP connection whose acknowledgement is still to come."""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from donorfit.errors import LinkError
from donorfit.job.alarm import Alarm
from donorfit.job.ports import Clock, LinkLostError, SendUnconfirmedError
from donorfit.vehicle.identity import Address

NOT_ACKNOWLEDGED = "the gateway did not acknowledge the request"
_NEVER_S = float("inf")


class Sending(NamedTuple):
    """A request that is not acknowledged yet."""

    began_s: float
    deadline_s: float
    confirmation: asyncio.Future[None]


class Unconfirmed:
    """What was sent to each unit and is not acknowledged yet, oldest first.

    Args:
        peer: the gateway, for people.
        clock: monotonic time.
        fall_silent: asked when an acknowledgement stays out, with the time its request was sent;
            says whether the whole gateway has fallen silent, and ends the connection then.
    """

    def __init__(self, peer: str, clock: Clock, fall_silent: Callable[[float], bool]) -> None:
        self._peer = peer
        self._clock = clock
        self._fall_silent = fall_silent
        self._waiting: dict[Address, deque[Sending]] = {}
        self._alarm = Alarm(clock, self._give_up)
        self._watched_s = _NEVER_S

    def add(self, target: Address, sending: Sending) -> None:
        """It has just been sent."""
        waiting = self._waiting.get(target)
        if waiting is None:
            waiting = self._waiting[target] = deque()
        waiting.append(sending)
        if sending.deadline_s < self._watched_s:
            self._watched_s = sending.deadline_s
            self._alarm.set(sending.deadline_s)

    def remove(self, target: Address, sending: Sending) -> None:
        """Nobody waits for it any more."""
        waiting = self._waiting[target]
        if sending in waiting:
            waiting.remove(sending)

    def confirm(self, target: Address) -> bool:
        """The oldest request to this unit arrived; False where there is none."""
        waiting = self._waiting.get(target)
        while waiting:
            _, _, confirmation = waiting.popleft()
            if not confirmation.done():
                confirmation.set_result(None)
                return True
        return False

    def refuse(self, target: Address, error: LinkError) -> bool:
        """The oldest request to this unit was not passed on; False where there is none."""
        waiting = self._waiting.get(target)
        if not waiting:
            return False
        confirmation = waiting.popleft().confirmation
        if not confirmation.done():
            confirmation.set_exception(error)
        return True

    def list_targets(self) -> list[Address]:
        """The units that are waited for, each as often as it has requests out."""
        return [target for target, waiting in self._waiting.items() for _ in waiting]

    def lose(self, reason: str) -> None:
        """The connection is gone."""
        self._alarm.close()
        for waiting in self._waiting.values():
            for sending in waiting:
                if not sending.confirmation.done():
                    error = LinkLostError(peer=self._peer, reason=reason)
                    sending.confirmation.set_exception(error)

    def _give_up(self) -> None:
        now_s = self._clock.now()
        for target, waiting in self._waiting.items():
            for sending in tuple(waiting):
                if sending.deadline_s > now_s or sending.confirmation.done():
                    continue
                if self._fall_silent(sending.began_s):
                    return
                error = SendUnconfirmedError(
                    peer=self._peer, target=target, reason=NOT_ACKNOWLEDGED
                )
                sending.confirmation.set_exception(error)
                waiting.remove(sending)
        left = [each.deadline_s for waiting in self._waiting.values() for each in waiting]
        self._watched_s = min(left, default=_NEVER_S)
        if left:
            self._alarm.set(self._watched_s)
