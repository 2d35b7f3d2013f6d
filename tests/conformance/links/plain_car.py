"""A car whose units say back what they were sent, with delays that a test sets."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from donorfit.diagnostics.pdu import Reply

if TYPE_CHECKING:
    from donorfit.vehicle.identity import Address


@dataclass
class PlainCar:
    """Unit answers ``62`` + the request after its service identifier, once per delay."""

    units: tuple[int, ...] = tuple(range(0x1071, 0x1071 + 40))
    delays_s: tuple[float, ...] = (0.001,)
    requests: list[tuple[int, bytes]] = field(default_factory=list)

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        self.requests.append((target, pdu))
        if target not in self.units:
            return ()
        answer = b"\x62" + pdu[1:]
        return tuple(Reply(after_s=s, source=target, pdu=answer) for s in self.delays_s)
