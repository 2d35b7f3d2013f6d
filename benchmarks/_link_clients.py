"""Clients that load one block of software over the same frames: ours, bare asyncio, ready made."""

from __future__ import annotations

import asyncio
import struct
import time
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar, cast

from _bare_gateway import ADDRESSES, BLOCK_BYTES, FIRST_UNIT, HEADER, TESTER
from donorfit.diagnostics.conversation import Answered, Download
from donorfit.edge.clock import RealClock
from donorfit.edge.links.doip import DoipLink
from donorfit.job.carrier import Carrier
from donorfit.vehicle.identity import Address, UnitId

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from donorfit.diagnostics.pdu import Pdu

T = TypeVar("T")


class Cost(NamedTuple):
    """What one download cost, from its first request to its last answer."""

    clock_s: float
    processor_s: float


class Watch:
    """Clock and processor of this process from now on."""

    def __init__(self) -> None:
        self._clock_s, self._processor_s = time.perf_counter(), time.process_time()

    def read(self) -> Cost:
        """What has been used since."""
        clock_s, processor_s = time.perf_counter(), time.process_time()
        return Cost(clock_s - self._clock_s, processor_s - self._processor_s)


def require(right: bool, outcome: object) -> None:  # noqa: FBT001 - reads as a sentence
    """Stop where an outcome is not the one that was meant to be measured."""
    if not right:
        message = f"unexpected outcome: {outcome}"
        raise RuntimeError(message)


def make_download(data: bytes) -> Download:
    """The block as a conversation asks for it."""
    return Download(
        unit=UnitId("unit"),
        address=Address(FIRST_UNIT),
        memory_address=0x1000,
        data=data,
        routine_check=0xFF01,
        what="benchmark",
    )


class NoKeys:
    """A key source without keys."""

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> None:
        """None."""
        del unit, level, seed


async def with_carrier(
    port: int, body: Callable[[Carrier], Awaitable[T]], *, transit_s: float = 0.1
) -> T:
    """What the body measures with a carrier over a fresh connection."""
    clock = RealClock()
    link = DoipLink("127.0.0.1", clock, port=port, transit_s=transit_s)
    await link.open(clock.now() + 5)
    carrier = Carrier(link, clock, NoKeys())
    try:
        return await body(carrier)
    finally:
        await carrier.close()


def time_ours(port: int, data: bytes) -> Cost:
    """Our download: 34, every 36, 37, 31."""

    async def body(carrier: Carrier) -> Cost:
        watch = Watch()
        outcome = await carrier.carry(make_download(data))
        cost = watch.read()
        require(outcome == Answered(pdu=b""), outcome)
        return cost

    return asyncio.run(with_carrier(port, body))


async def load(exchange: Callable[[bytes], Awaitable[bytes]], data: bytes) -> Cost:
    """What a block of software costs whose requests are made one by one: 34, every 36, 37, 31."""
    watch = Watch()
    await exchange(b"\x34\x00\x44" + bytes(8))
    counter = 1
    for start in range(0, len(data), BLOCK_BYTES - 2):
        await exchange(b"\x36" + bytes((counter,)) + data[start : start + BLOCK_BYTES - 2])
        counter = (counter + 1) & 0xFF
    await exchange(b"\x37")
    await exchange(b"\x31\x01\xff\x01" + bytes(4))
    return watch.read()


def time_link_alone(port: int, data: bytes) -> Cost:
    """The same requests through our link's port, nothing above it: no matching, no policy."""

    async def main() -> Cost:
        clock, loop = RealClock(), asyncio.get_running_loop()
        link = DoipLink("127.0.0.1", clock, port=port)
        await link.open(clock.now() + 5)
        answer: asyncio.Future[bytes] = loop.create_future()
        unit = Address(FIRST_UNIT)
        leave = link.attach(unit, lambda pdu: answer.set_result(cast("Pdu", pdu).data))

        async def exchange(pdu: bytes) -> bytes:
            nonlocal answer
            answer = loop.create_future()
            await link.send(unit, pdu, clock.now() + 1)
            return await answer

        cost = await load(exchange, data)
        leave()
        await link.close()
        return cost

    return asyncio.run(main())


def time_bare_asyncio(port: int, data: bytes) -> Cost:
    """The same frames over asyncio streams, with no checks at all."""

    async def main() -> Cost:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(HEADER.pack(2, 0xFD, 5, 7) + struct.pack("!HBI", TESTER, 0, 0))

        async def receive() -> tuple[int, bytes]:
            _, _, kind, size = HEADER.unpack(await reader.readexactly(HEADER.size))
            return kind, await reader.readexactly(size)

        async def exchange(pdu: bytes) -> bytes:
            head = HEADER.pack(2, 0xFD, 0x8001, 4 + len(pdu)) + ADDRESSES.pack(TESTER, FIRST_UNIT)
            writer.write(head + pdu)
            await receive()
            return (await receive())[1][4:]

        await receive()
        cost = await load(exchange, data)
        writer.close()
        return cost

    return asyncio.run(main())


def time_ready_made(port: int, data: bytes) -> float:
    """Seconds of udsoncan over doipclient; ImportError where they are not installed."""
    import udsoncan  # noqa: PLC0415 - may be absent
    from doipclient.client import DoIPClient  # noqa: PLC0415
    from doipclient.connectors import DoIPClientUDSConnector  # noqa: PLC0415
    from udsoncan.client import Client  # noqa: PLC0415

    connect: Any = DoIPClient  # neither of the two is typed
    bridge: Any = DoIPClientUDSConnector
    doip = connect("127.0.0.1", FIRST_UNIT, tcp_port=port, client_logical_address=TESTER)
    config: Any = dict(udsoncan.configs.default_client_config)
    with Client(bridge(doip), config=config) as client:
        began = time.perf_counter()
        client.request_download(udsoncan.MemoryLocation(0x1000, len(data), 32, 32))
        counter = 1
        for start in range(0, len(data), BLOCK_BYTES - 2):
            client.transfer_data(counter, data[start : start + BLOCK_BYTES - 2])
            counter = (counter + 1) & 0xFF
        client.request_transfer_exit()
        client.start_routine(0xFF01, bytes(4))
        return time.perf_counter() - began
