"""The bare gateway that the link's benchmark talks to, in a process of its own."""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import multiprocessing.connection
import os
import struct
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from collections.abc import Iterator

TESTER, FIRST_UNIT, SILENT_UNIT = 0x0E80, 0x1071, 0x1F00
HEADER = struct.Struct("!BBHI")
ADDRESSES = struct.Struct("!HH")
BLOCK_BYTES = 0xFFF
_LONGEST_OVERSLEEP_S = 0.0005


@dataclass(frozen=True, slots=True, kw_only=True)
class Knobs:
    """What the gateway does."""

    delay_s: float = 0.0
    exact: bool = False
    """Wait without the loop's timer, which counts in whole milliseconds, and to the very end:
    what a sleep takes longer is the system's time and neither the unit's nor the client's."""
    block_bytes: int = BLOCK_BYTES
    processor: int = 0
    """Where the gateway runs; the clients run on 0."""
    together: bool = False
    """Acknowledgement and answer in one piece, so that a client always wakes up once for both."""


class GatewayProtocol(asyncio.Protocol):
    """A bare gateway: acknowledges, answers after a delay; one unit stays silent."""

    def __init__(self, knobs: Knobs) -> None:
        self._knobs = knobs
        self._buffer = bytearray()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        """Cut into frames and answer each."""
        self._buffer += data
        while len(self._buffer) >= HEADER.size:
            _, _, kind, size = HEADER.unpack_from(self._buffer)
            end = HEADER.size + size
            if len(self._buffer) < end:
                return
            payload = bytes(memoryview(self._buffer)[HEADER.size : end])
            del self._buffer[:end]
            if kind == 0x0005:
                answer = payload[:2] + b"\x10\x10\x10" + bytes(4)
                self._transport.write(HEADER.pack(2, 0xFD, 6, len(answer)) + answer)
            elif kind == 0x8001:
                self._answer(payload)

    def _answer(self, payload: bytes) -> None:
        source, target = ADDRESSES.unpack_from(payload)
        pair = ADDRESSES.pack(target, source)
        acknowledgement = HEADER.pack(2, 0xFD, 0x8002, 5) + pair + b"\x00"
        if self._knobs.together and target != SILENT_UNIT:
            pdu = self._make_answer(payload[4:])
            frame = HEADER.pack(2, 0xFD, 0x8001, 4 + len(pdu)) + pair + pdu
            self._transport.write(acknowledgement + frame)
            return
        self._transport.write(acknowledgement)
        if target == SILENT_UNIT and payload[4] == 0x2E:
            return
        pdu = self._make_answer(payload[4:])
        frame = HEADER.pack(2, 0xFD, 0x8001, 4 + len(pdu)) + pair + pdu
        if self._knobs.exact:
            wait_until(time.perf_counter() + self._knobs.delay_s)
            self._transport.write(frame)
        elif self._knobs.delay_s:
            asyncio.get_running_loop().call_later(
                self._knobs.delay_s, self._transport.write, frame
            )
        else:
            self._transport.write(frame)

    def _make_answer(self, pdu: bytes) -> bytes:  # noqa: PLR0911 - one return a service
        match pdu[0]:
            case 0x34:
                return b"\x74\x20" + self._knobs.block_bytes.to_bytes(2, "big")
            case 0x36:
                return b"\x76" + pdu[1:2]
            case 0x37:
                return b"\x77"
            case 0x31:
                return b"\x71" + pdu[1:4] + b"\x00"
            case 0x10:
                return b"\x50" + pdu[1:2] + b"\x00\x32\x01\xf4"
            case 0x22:
                return b"\x62" + pdu[1:3] + b"0123456789ABCDEFG"
            case _:
                return bytes((pdu[0] + 0x40,)) + pdu[1:2]


def wait_until(at_s: float) -> None:
    """Sleep for most of the time and turn round and round for the rest."""
    time.sleep(max(0.0, at_s - time.perf_counter() - _LONGEST_OVERSLEEP_S))
    while time.perf_counter() < at_s:
        pass


def keep_to_processor(place: int) -> None:
    """Stay on one processor, where the system can do that and there are several.

    On one processor with the gateway no time goes into waking another processor up, which on a
    virtual machine takes longer than everything that a client does for a block.
    """
    count = os.cpu_count() or 1
    if count > 1 and hasattr(os, "sched_setaffinity"):
        with contextlib.suppress(OSError):
            os.sched_setaffinity(0, {place % count})


def serve(knobs: Knobs, ready: multiprocessing.connection.Connection) -> None:
    """Run the gateway until the process is ended."""
    keep_to_processor(knobs.processor)

    async def main() -> None:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(lambda: GatewayProtocol(knobs), "127.0.0.1", 0)
        ready.send(server.sockets[0].getsockname()[1])
        await server.serve_forever()

    asyncio.run(main())


@contextlib.contextmanager
def gateway(knobs: Knobs) -> Iterator[int]:
    """The port of a gateway in a process of its own."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=serve, args=(knobs, theirs), daemon=True)
    process.start()
    try:
        yield ours.recv()
    finally:
        process.terminate()
        process.join()
