"""The CAN bus between programs: every frame reaches all others, and rubbish reaches nobody."""

import asyncio

import pytest

from donorfit.edge.links.can_port import BusFailedError, CanFrame
from donorfit.edge.links.loopback_bus import (
    GREETING,
    LoopbackBus,
    check_loopback,
    encode_record,
    join_loopback_bus,
)
from donorfit.errors import InputError, LinkError

FRAMES = [
    CanFrame(identifier=0x7FF, data=b""),
    CanFrame(identifier=0x123, data=bytes(range(8))),
    CanFrame(identifier=0x1FFFFFFF, data=b"\x01", wide=True),
    CanFrame(identifier=0x123, data=bytes(64), flexible_rate=True),
]


class Member:
    def __init__(self, port):
        self.port, self.frames, self.lost = port, [], []
        port.listen(self.frames.append, self.lost.append)


def on_bus(members, play):
    async def main():
        bus = LoopbackBus()
        await bus.open()
        joined = [Member(await join_loopback_bus("127.0.0.1", bus.port)) for _ in range(members)]
        await asyncio.sleep(0.05)
        try:
            await play(bus, *joined)
        finally:
            for each in joined:
                await each.port.close()
            await bus.close()
            await bus.close()

    asyncio.run(main())


async def wait_for(ready, seconds=3.0):
    async with asyncio.timeout(seconds):
        while not ready():  # noqa: ASYNC110 - what is waited for is a list that grows
            await asyncio.sleep(0.01)


def test_a_frame_reaches_all_others_as_it_was_and_not_its_sender():
    async def play(bus, one, two, three):
        for frame in FRAMES:
            one.port.send(frame)
        await wait_for(lambda: len(two.frames) == len(three.frames) == len(FRAMES))
        assert two.frames == three.frames == FRAMES
        assert one.frames == []

    on_bus(3, play)


def test_the_end_of_the_bus_is_told():
    async def play(bus, one):
        await bus.close()
        await wait_for(lambda: one.lost)
        assert "ended" in one.lost[0]
        await one.port.close()
        with pytest.raises(BusFailedError):
            one.port.send(FRAMES[0])

    on_bus(1, play)


@pytest.mark.parametrize(
    "rubbish",
    [
        b"GET / HTTP/1.1\r\n\r\n" + bytes(40),
        GREETING + b"\x00\x00\x08\x00\x00\x00",  # 12 bits
        GREETING + b"\x00\x00\x01\x00\x00\xff" + bytes(255),  # 255 bytes
        GREETING + b"\x00\x00\x01\x00\x80\x00",  # unknown flags
        GREETING + b"\x20\x00\x00\x00\x01\x00",  # 30 bits
    ],
)
def test_whoever_breaks_the_form_is_thrown_out_and_the_bus_goes_on(rubbish):
    async def play(bus, one, two):
        reader, writer = await asyncio.open_connection("127.0.0.1", bus.port)
        writer.write(rubbish)
        assert (await asyncio.wait_for(reader.read(), 3)) == GREETING
        writer.close()
        one.port.send(FRAMES[1])
        await wait_for(lambda: two.frames)
        assert two.frames == [FRAMES[1]]

    on_bus(2, play)


def test_something_else_that_listens_is_no_bus():
    async def main():
        async def serve(reader, writer):
            writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
            writer.close()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        with pytest.raises(LinkError, match="cannot be joined"):
            await join_loopback_bus("127.0.0.1", port)
        server.close()
        with pytest.raises(LinkError, match="cannot be joined"):
            await join_loopback_bus("127.0.0.1", port)

    asyncio.run(main())


@pytest.mark.parametrize("host", ["192.0.2.1", "::", "example.org", ""])
def test_the_bus_never_leaves_this_computer(host):
    with pytest.raises(InputError, match="not an address of this computer"):
        check_loopback(host)


def test_the_form_on_the_wire_stays_as_it_is():
    assert encode_record(FRAMES[2]) == bytes.fromhex("1FFFFFFF 01 01 01")
