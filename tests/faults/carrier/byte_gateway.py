"""A DoIP gateway in bytes and virtual time, which misbehaves at numbered requests.

No sockets: what the program writes is cut into frames here, and what comes back is put into the
connection's own buffer, in pieces of any size. The odd times are no multiples of each other, so
that no two things happen at once whose order would be a matter of chance.
"""

from __future__ import annotations

import asyncio
import struct
import zlib
from collections import deque
from dataclasses import dataclass, field
from enum import Enum

from donorfit.edge.links.doip import DoipLink
from donorfit.edge.links.doip_connection import DoipConnection
from donorfit.job.ports import StreamingLink

HEADER = struct.Struct("!BBHI")
TESTER, UNIT, OTHER = 0x0E80, 0x1071, 0x1072
BLOCK_BYTES = 16


class Odd(Enum):
    """What is odd about how one request is met."""

    APART = "acknowledgement and answer come in two pieces"
    ANSWER_FIRST = "the answer comes before its acknowledgement"
    SHREDS = "they come in pieces of a few bytes"
    SHREDS_SLOWLY = "they come in pieces of a few bytes, some time between them"
    SLOW = "the answer takes almost as long as it may"
    LATE = "the answer comes too late"
    MUCH_TOO_LATE = "the answer comes when it was given up"
    NO_ACKNOWLEDGEMENT = "answered, never acknowledged"
    NO_ANSWER = "acknowledged, never answered"
    LOST = "neither acknowledged nor answered, nor carried out"
    REFUSED = "the gateway refuses to pass it on"
    REFUSED_BY_HEADER = "the gateway says that the frame is too large"
    TWICE = "the answer comes twice"
    ACKNOWLEDGED_TWICE = "the acknowledgement comes twice"
    ECHO = "the acknowledgement repeats the request"
    LONGER = "the answer is longer than it has to be"
    OTHER_VERSION = "the gateway speaks another edition of the standard"
    PENDING = "response pending first"
    BUSY = "busy once"
    NEGATIVE = "a negative response that ends the transfer"
    WRONG_COUNTER = "the answer names another block"
    OTHER_UNIT = "another unit says the same before the answer"
    OTHER_TESTER = "an answer for another tester comes before it"
    ALIVE_CHECK = "the gateway asks whether we are there, in one piece with the answer"
    UNKNOWN_TYPE = "a frame of an unknown type comes in one piece with the answer"
    NEXT_HEAD = "half a frame follows in the same piece, its rest with the next one"
    WRAPPED = "lost, and a frame of an unknown type has in it what would be said to it"
    GARBAGE = "what comes is no DoIP header"
    CLOSED = "the connection is closed after the acknowledgement"
    CLOSED_AT_ONCE = "the connection is closed before the acknowledgement"
    RESET = "the connection is reset when it has been carried out"
    SUSPENDED = "the computer sleeps for a second before the answer is looked at"


@dataclass
class Unit:
    """A unit that takes a download and tells the truth about it."""

    memory: bytearray = field(default_factory=bytearray)
    counter: int = 0
    open: bool = False
    requests: list[bytes] = field(default_factory=list)

    def answer(self, pdu: bytes) -> bytes:
        match pdu[0]:
            case 0x34:
                self.memory, self.counter, self.open = bytearray(), 0, True
                return b"\x74\x20" + (BLOCK_BYTES + 2).to_bytes(2, "big")
            case 0x36 if not self.open:
                return b"\x7f\x36\x24"
            case 0x36 if pdu[1] == self.counter & 0xFF and self.memory:
                return b"\x76" + pdu[1:2]
            case 0x36 if pdu[1] != (self.counter + 1) & 0xFF:
                self.open = False
                return b"\x7f\x36\x73"
            case 0x36:
                self.counter = pdu[1]
                self.memory += pdu[2:]
                return b"\x76" + pdu[1:2]
            case 0x37:
                self.open = False
                return b"\x77"
            case 0x31:
                agrees = zlib.crc32(self.memory).to_bytes(4, "big") == pdu[4:]
                return b"\x71" + pdu[1:4] + (b"\x00" if agrees else b"\x01")
            case 0x3E:
                return b"\x7e\x00"
            case 0x22:
                return b"\x62" + pdu[1:3] + b"\x01"
            case _:
                return b"\x7f" + pdu[:1] + b"\x11"


def frame(kind: int, payload: bytes, version: int = 2) -> bytes:
    return HEADER.pack(version, version ^ 0xFF, kind, len(payload)) + payload


def message(pdu: bytes, *, source: int = UNIT, target: int = TESTER, version: int = 2) -> bytes:
    return frame(0x8001, struct.pack("!HH", source, target) + pdu, version)


def acknowledgement(echo: bytes = b"", *, version: int = 2) -> bytes:
    return frame(0x8002, struct.pack("!HH", UNIT, TESTER) + b"\x00" + echo, version)


class Transport(asyncio.Transport):
    """Gives to the gateway what the connection writes."""

    def __init__(self, gateway: ByteGateway) -> None:
        super().__init__()
        self._gateway = gateway
        self._closing = False

    def write(self, data) -> None:
        if not self._closing:
            self._gateway.take(bytes(data))

    def is_closing(self) -> bool:
        return self._closing

    def close(self) -> None:
        self.abort()

    def abort(self) -> None:
        if not self._closing:
            self._closing = True
            self._gateway.end(None)


@dataclass
class ByteGateway:
    """Meets each diagnostic message plainly, or as the script says for its number, from 1.

    Attributes:
        script: what is odd at which request.
        unit: the unit behind it.
        number: requests so far.
        shred: sizes of pieces, taken in turn.
        plain_s: how long the unit takes.
    """

    script: dict[int, Odd]
    unit: Unit = field(default_factory=Unit)
    number: int = 0
    shred: tuple[int, ...] = (1, 7, 3, 12, 5)
    plain_s: float = 0.004
    struck: list[Odd] = field(default_factory=list)
    alive_answers: int = 0
    _in_pieces: bool = False
    _queue: deque[tuple[tuple[bytes, ...], float]] = field(default_factory=deque)
    _over: bool = False

    def connect(self, clock, *, streams: bool) -> DoipLink | PlainLink:
        """A link with routing activated, over this gateway."""
        link = DoipLink("gateway", clock)
        connection = DoipConnection("gateway", TESTER, 2, clock, link._sinks)
        self._connection = connection
        self._loop = asyncio.get_running_loop()
        connection.connection_made(Transport(self))
        connection.hear(link._sinks.deliver, link._sinks.lose)
        link._connection = connection
        return link if streams else PlainLink(link)

    # --- both ways --------------------------------------------------------------------------

    def take(self, data: bytes) -> None:
        _, _, kind, _ = HEADER.unpack_from(data)
        if kind == 0x0008:
            self.alive_answers += 1
        if kind != 0x8001:
            return
        source, target = struct.unpack_from("!HH", data, 8)
        assert (source, target) == (TESTER, UNIT)
        self.number += 1
        pdu = data[12:]
        self.unit.requests.append(pdu)
        odd = self.script.get(self.number)
        if odd is not None:
            self.struck.append(odd)
        self._meet(odd, pdu)

    def end(self, error: Exception | None) -> None:
        if not self._over:
            self._over = True
            self._loop.call_soon(self._connection.connection_lost, error)

    def _give(self, after_s: float, data: bytes) -> None:
        self._give_in_pieces(after_s, (data,), 0.0)

    def _give_shredded(self, data: bytes, pause_s: float) -> None:
        pieces, at = [], 0
        while at < len(data):
            size = self.shred[len(pieces) % len(self.shred)]
            pieces.append(data[at : at + size])
            at += size
        self._give_in_pieces(0.00101, tuple(pieces), pause_s)

    def _give_in_pieces(self, after_s: float, pieces: tuple[bytes, ...], pause_s: float) -> None:
        """A message of several pieces holds back what is due meanwhile: a stream has an order."""
        self._loop.call_later(after_s, self._enqueue, pieces, pause_s)

    def _enqueue(self, pieces: tuple[bytes, ...], pause_s: float) -> None:
        self._queue.append((pieces, pause_s))
        if not self._in_pieces:
            self._put_next()

    def _put_next(self) -> None:
        while self._queue and not self._in_pieces:
            (first, *rest), pause_s = self._queue.popleft()
            self._in_pieces = bool(rest)
            self._put(first)
            if rest:
                self._loop.call_later(pause_s, self._put_rest, rest, pause_s)

    def _put_rest(self, pieces: list[bytes], pause_s: float) -> None:
        first, *rest = pieces
        self._put(first)
        if rest:
            self._loop.call_later(pause_s, self._put_rest, rest, pause_s)
        else:
            self._in_pieces = False
            self._put_next()

    def _sleep_and_put(self, data: bytes) -> None:
        # Time has passed for everybody when the first thing after the sleep is looked at.
        self._loop._jumping.now_s += 1.0
        self._put(data)

    def _put(self, data: bytes) -> None:
        if self._over:
            return
        room = self._connection.get_buffer(-1)
        room[: len(data)] = data
        self._connection.buffer_updated(len(data))

    # --- one request --------------------------------------------------------------------------

    def _meet(self, odd: Odd | None, pdu: bytes) -> None:  # noqa: C901, PLR0912, PLR0915
        give, plain_s = self._give, self.plain_s
        if odd in NOT_CARRIED_OUT:
            self._meet_in_vain(odd, pdu)
            return
        answer = message(self.unit.answer(pdu))
        taken = acknowledgement()
        match odd:
            case None:
                give(plain_s, taken + answer)
            case Odd.APART:
                give(0.001, taken)
                give(plain_s, answer)
            case Odd.ANSWER_FIRST:
                give(0.001, answer)
                give(plain_s, taken)
            case Odd.SHREDS:
                self._give_shredded(taken + answer, 0.0)
            case Odd.SHREDS_SLOWLY:
                self._give_shredded(taken + answer, 0.00207)
            case Odd.SLOW:
                give(0.001, taken)
                give(0.14031, answer)
            case Odd.LATE:
                give(0.001, taken)
                give(0.30017, answer)
            case Odd.MUCH_TOO_LATE:
                give(0.001, taken)
                give(3.00029, answer)
            case Odd.NO_ACKNOWLEDGEMENT:
                give(plain_s, answer)
            case Odd.NO_ANSWER:
                give(0.001, taken)
            case Odd.TWICE:
                give(plain_s, taken + answer + answer)
            case Odd.ACKNOWLEDGED_TWICE:
                give(plain_s, taken + taken + answer)
            case Odd.ECHO:
                give(plain_s, acknowledgement(pdu) + answer)
            case Odd.LONGER:
                give(plain_s, taken + message(answer[12:] + b"\x55"))
            case Odd.OTHER_VERSION:
                give(
                    plain_s,
                    acknowledgement(version=3) + message(answer[12:], version=3),
                )
            case Odd.PENDING:
                give(0.001, taken + message(b"\x7f" + pdu[:1] + b"\x78"))
                give(0.50037, answer)
            case Odd.WRONG_COUNTER:
                give(plain_s, taken + message(b"\x76\xaa"))
            case Odd.OTHER_UNIT:
                give(plain_s, taken + message(answer[12:], source=OTHER) + answer)
            case Odd.OTHER_TESTER:
                give(plain_s, taken + message(answer[12:], target=0x0E81) + answer)
            case Odd.ALIVE_CHECK:
                give(plain_s, taken + frame(0x0007, b"") + answer)
            case Odd.UNKNOWN_TYPE:
                give(plain_s, taken + answer + frame(0x0FFF, b"abc"))
            case Odd.NEXT_HEAD:
                other = message(b"\x62\x01\x00\x05", source=OTHER)
                pieces = (taken + answer + other[:9], other[9:])
                self._give_in_pieces(plain_s, pieces, 0.00113)
            case Odd.CLOSED:
                give(0.001, taken)
                self._loop.call_later(0.00231, self.end, None)
            case Odd.RESET:
                self._loop.call_later(0.00231, self.end, ConnectionResetError())
            case Odd.SUSPENDED:
                give(0.001, taken)
                self._loop.call_later(plain_s, self._sleep_and_put, answer)

    def _meet_in_vain(self, odd: Odd | None, pdu: bytes) -> None:
        give, plain_s = self._give, self.plain_s
        pair = struct.pack("!HH", UNIT, TESTER)
        match odd:
            case Odd.LOST:
                pass
            case Odd.REFUSED:
                give(plain_s, frame(0x8003, pair + b"\x06"))
            case Odd.REFUSED_BY_HEADER:
                give(plain_s, frame(0x0000, b"\x02"))
            case Odd.BUSY:
                give(plain_s, acknowledgement() + message(b"\x7f" + pdu[:1] + b"\x21"))
            case Odd.NEGATIVE:
                self.unit.open = False
                give(plain_s, acknowledgement() + message(b"\x7f" + pdu[:1] + b"\x72"))
            case Odd.WRAPPED:
                seeming = acknowledgement() + message(b"\x76" + pdu[1:2])
                self._give_in_pieces(plain_s, (frame(0x0FFF, seeming)[:8], seeming), 0.00113)
            case Odd.GARBAGE:
                give(plain_s, b"HTTP/1.1 400 Bad Request")
            case Odd.CLOSED_AT_ONCE:
                self._loop.call_later(0.00119, self.end, None)


NOT_CARRIED_OUT = frozenset(
    (
        Odd.LOST,
        Odd.WRAPPED,
        Odd.REFUSED,
        Odd.REFUSED_BY_HEADER,
        Odd.BUSY,
        Odd.NEGATIVE,
        Odd.GARBAGE,
        Odd.CLOSED_AT_ONCE,
    )
)


class PlainLink:
    """The same link without its way of streaming."""

    def __init__(self, link: DoipLink) -> None:
        self._link = link
        self.info = link.info
        self.send, self.attach = link.send, link.attach
        self.trace, self.close, self.open = link.trace, link.close, link.open


assert not isinstance(PlainLink, StreamingLink)
