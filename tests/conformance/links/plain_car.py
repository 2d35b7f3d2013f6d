"""A car whose units say back what they were sent, with delays that a test sets."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from donorfit.diagnostics.pdu import Reply

if TYPE_CHECKING:
    from donorfit.vehicle.identity import Address


@dataclass
class PlainCar:
    """Unit answers ``62`` + the request after its service identifier, once per delay, numbered if several."""

    units: tuple[int, ...] = tuple(range(0x1071, 0x1071 + 40))
    delays_s: tuple[float, ...] = (0.001,)
    requests: list[tuple[int, bytes]] = field(default_factory=list)

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        self.requests.append((target, pdu))
        if target not in self.units:
            return ()
        answer = b"\x62" + pdu[1:]
        if len(self.delays_s) == 1:
            return (Reply(after_s=self.delays_s[0], source=target, pdu=answer),)
        return tuple(
            Reply(after_s=after_s, source=target, pdu=answer + bytes((number,)))
            for number, after_s in enumerate(self.delays_s)
        )
