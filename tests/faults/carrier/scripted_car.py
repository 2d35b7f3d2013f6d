"""A car of one or more units that answer by script, and what a test needs to talk to it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from donorfit.diagnostics.conversation import Access, Download, Effect, Exchange
from donorfit.diagnostics.pdu import Reply
from donorfit.diagnostics.policy import DEFAULT, Policy
from donorfit.edge.clock import VirtualClock, run_in_virtual_time
from donorfit.edge.links.faulty import FaultyLink, LinkFault
from donorfit.edge.links.memory import MemoryLink
from donorfit.job.carrier import Carrier
from donorfit.vehicle.identity import Address, UnitId

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from donorfit.job.line import CarrierNote

UNIT = UnitId("tow_control")
ADDRESS = Address(0x1071)
KEY = b"\xaa\xbb"
PLAIN = Access()
UNLOCKED = Access(session=3, security_level=1)
PROGRAMMING = Access(session=2, security_level=1)


def h(text: str) -> bytes:
    return bytes.fromhex(text)


def read(identifier: int = 0xF190, *, access: Access = PLAIN, address: int = ADDRESS) -> Exchange:
    return Exchange(
        unit=UnitId(f"unit_{address:x}") if address != ADDRESS else UNIT,
        address=Address(address),
        pdu=b"\x22" + identifier.to_bytes(2, "big"),
        effect=Effect.READING,
        what="read",
        access=access,
    )


def write(data: str = "2E 01 00 55", *, access: Access = PLAIN) -> Exchange:
    return Exchange(
        unit=UNIT,
        address=ADDRESS,
        pdu=h(data),
        effect=Effect.CHANGING,
        what="write",
        access=access,
    )


@dataclass
class Script:
    """Answers by a list: each request takes the next entry whose beginning it has.

    An entry is (beginning of the request, [(seconds, answer) ...]). A unit answers in order, so an
    answer is never sooner than the one before. Requests without an entry get a plain answer.
    """

    entries: list[tuple[str, Sequence[tuple[float, str]]]] = field(default_factory=list)
    requests: list[tuple[float, bytes]] = field(default_factory=list)
    busy_until_s: float = 0.0
    otherwise: Callable[[bytes], bytes | None] | None = None

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        self.requests.append((now_s, pdu))
        entry = next((each for each in self.entries if pdu.startswith(h(each[0]))), None)
        if entry is not None:
            self.entries.remove(entry)
            answers = entry[1]
        else:
            plain = (self.otherwise or answer_plainly)(pdu)
            answers = [(0.001, plain.hex())] if plain is not None else []
        replies = []
        for after_s, answer in answers:
            at_s = max(now_s + after_s, self.busy_until_s)
            self.busy_until_s = at_s
            replies.append(Reply(after_s=at_s - now_s, source=target, pdu=h(answer)))
        return tuple(replies)

    def sent(self, beginning: str) -> list[bytes]:
        return [pdu for _, pdu in self.requests if pdu.startswith(h(beginning))]


def download(size: int = 64, *, access: Access = PROGRAMMING) -> Download:
    return Download(
        unit=UNIT,
        address=ADDRESS,
        memory_address=0x1000,
        data=bytes(n & 0xFF for n in range(size)),
        routine_check=0xFF01,
        what="download",
        access=access,
    )


def answer_plainly(pdu: bytes) -> bytes | None:  # noqa: C901, PLR0912 - one case a service
    """What a unit says that has no objections."""
    if len(pdu) > 1 and pdu[0] in {0x3E, 0x10, 0x11, 0x85} and pdu[1] & 0x80:
        return None
    match pdu[0]:
        case 0x22:
            return b"\x62" + pdu[1:3] + b"OLD"
        case 0x2E:
            return b"\x6e" + pdu[1:3]
        case 0x10:
            return b"\x50" + pdu[1:2] + h("0032 01F4")
        case 0x27 if pdu[1] % 2:
            return b"\x67" + pdu[1:2] + b"\x12\x34"
        case 0x27:
            return b"\x67" + pdu[1:2] if pdu[2:] == KEY else h("7F2735")
        case 0x34:
            return h("74 20 00 12")
        case 0x36:
            return b"\x76" + pdu[1:2]
        case 0x37:
            return b"\x77"
        case 0x31:
            return b"\x71" + pdu[1:4] + b"\x00"
        case 0x3E:
            return h("7E00")
        case 0x11:
            return b"\x51" + pdu[1:2]
        case 0x14:
            return b"\x54"
        case _:
            return bytes((0x7F, pdu[0], 0x11))


@dataclass
class Keys:
    """A key source that counts how often it is asked."""

    key: bytes | None = KEY
    asked: list[tuple[int, bytes]] = field(default_factory=list)

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        self.asked.append((level, seed))
        return self.key


@dataclass
class Bench:
    """A carrier over a scripted car, inside virtual time."""

    car: Script
    policy: Policy = DEFAULT
    keys: Keys = field(default_factory=Keys)
    notes: list[CarrierNote] = field(default_factory=list)
    faults: tuple[LinkFault, ...] = ()

    async def open(self) -> Carrier:
        self.clock = VirtualClock()
        self.memory = MemoryLink(self.car, self.clock)
        self.link = FaultyLink(self.memory, self.clock, self.faults)
        await self.link.open(self.clock.now() + 1)
        return Carrier(
            self.link, self.clock, self.keys, policy=self.policy, on_note=self.notes.append
        )

    def run(self, *asks):
        """Carry asks one after the other; their outcomes and the seconds that it took."""

        async def body(carrier):
            outcomes = [await carrier.carry(ask) for ask in asks]
            return outcomes, self.clock.now()

        return self.drive(body)

    def drive(self, body):
        """Run a body with an open carrier in virtual time."""

        async def main():
            carrier = await self.open()
            try:
                return await body(carrier)
            finally:
                await carrier.close()

        return run_in_virtual_time(main())

    def kinds(self):
        return [note.kind for note in self.notes]
