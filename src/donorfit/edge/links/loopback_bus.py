"""A CAN bus between programs of this computer: frames over TCP on a loopback address.

It lets a simulated car and a job meet over CAN without an adapter; python-can's own virtual bus
stays inside one process. Whoever connects first says :data:`GREETING`; then come frames of a fixed
head (identifier, flags, length) and up to 64 bytes. Every frame goes to all others on the bus, as
on a wire, and there is no arbitration and no bit rate.
"""

import asyncio
import contextlib
import ipaddress
import struct
from collections.abc import Callable

from donorfit.edge.links.can_port import BusFailedError, CanFrame
from donorfit.errors import InputError, LinkError

GREETING = b"donorfit loopback bus 1\n"
CONNECT_S = 3.0

_HEAD = struct.Struct("!IBB")
_WIDE, _FLEXIBLE = 0x01, 0x02
_MOST_BYTES = 64
_MOST_WAITING_BYTES = 1 << 20


def check_loopback(host: str) -> str:
    """The address where it is one of this computer's own.

    Raises:
        InputError: others could reach it.
    """
    try:
        inside = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        inside = False
    if not inside:
        raise InputError(
            what=f"{host} is not an address of this computer alone",
            where="loopback bus",
            why="the loopback bus knows no passwords, so it stays on this computer",
            next_step="use 127.0.0.1",
        )
    return host


def encode_record(frame: CanFrame) -> bytes:
    """A frame as it travels over TCP."""
    flags = (_WIDE if frame.wide else 0) | (_FLEXIBLE if frame.flexible_rate else 0)
    return _HEAD.pack(frame.identifier, flags, len(frame.data)) + frame.data


async def read_record(reader: asyncio.StreamReader) -> CanFrame:
    """The next frame.

    Raises:
        ValueError: what came is no frame.
        OSError, asyncio.IncompleteReadError: the connection ended.
    """
    identifier, flags, length = _HEAD.unpack(await reader.readexactly(_HEAD.size))
    wide = bool(flags & _WIDE)
    if length > _MOST_BYTES or flags > _WIDE | _FLEXIBLE or identifier >> (29 if wide else 11):
        message = "what came is no CAN frame"
        raise ValueError(message)
    return CanFrame(
        identifier=identifier,
        data=await reader.readexactly(length),
        wide=wide,
        flexible_rate=bool(flags & _FLEXIBLE),
    )


class LoopbackBus:
    """The bus itself: takes connections and passes every frame on to all others.

    Attributes:
        port: TCP port, known once it is open.
    """

    def __init__(self, host: str = "127.0.0.1", port: int = 0) -> None:
        self.port = port
        self._host = check_loopback(host)
        self._server: asyncio.Server | None = None
        self._members: set[asyncio.StreamWriter] = set()

    async def open(self) -> None:
        """Listen.

        Raises:
            LinkError: the port cannot be used.
        """
        try:
            self._server = await asyncio.start_server(self._serve, self._host, self.port)
        except OSError as error:
            raise LinkError(
                what=f"{self._host}:{self.port} cannot be listened on",
                why=error.strerror or str(error),
                next_step="choose another port, or 0 for any free one",
            ) from error
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """End every connection; twice is harmless."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for member in tuple(self._members):
            member.close()
        await asyncio.sleep(0)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, ValueError, EOFError, TimeoutError):
            writer.write(GREETING)
            async with asyncio.timeout(CONNECT_S):
                if await reader.readexactly(len(GREETING)) == GREETING:
                    self._members.add(writer)
            while writer in self._members:
                record = encode_record(await read_record(reader))
                for other in self._members - {writer}:
                    self._pass_on(other, record)
        self._members.discard(writer)
        writer.close()

    def _pass_on(self, member: asyncio.StreamWriter, record: bytes) -> None:
        # Whoever does not read loses frames, as a full receive buffer of an adapter does.
        if member.transport.get_write_buffer_size() < _MOST_WAITING_BYTES:
            member.write(record)


class LoopbackPort:
    """One program's connection to a :class:`LoopbackBus`."""

    def __init__(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, name: str
    ) -> None:
        self._reader = reader
        self._writer = writer
        self._name = name
        self._reading: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """For people."""
        return self._name

    def listen(self, on_frame: Callable[[CanFrame], None], on_lost: Callable[[str], None]) -> None:
        """Give every frame to the first, and the end of the bus to the second."""
        self._reading = asyncio.get_running_loop().create_task(self._read(on_frame, on_lost))

    async def _read(
        self, on_frame: Callable[[CanFrame], None], on_lost: Callable[[str], None]
    ) -> None:
        try:
            while True:
                on_frame(await read_record(self._reader))
        except (OSError, EOFError, ValueError) as error:
            on_lost(f"the loopback bus ended: {error}")

    def send(self, frame: CanFrame) -> None:
        """Put a frame on the bus."""
        if self._writer.is_closing():
            raise BusFailedError(bus=self._name, reason="the connection to it is closed")
        self._writer.write(encode_record(frame))

    async def close(self) -> None:
        """Let go of the bus; twice is harmless."""
        if self._reading is not None:
            self._reading.cancel()
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()


async def join_loopback_bus(host: str, port: int) -> LoopbackPort:
    """Connect to a bus that another program opened, or this one.

    Raises:
        InputError: the address is not one of this computer's own.
        LinkError: nobody listens there, or it is no such bus.
    """
    name = f"loopback bus {check_loopback(host)}:{port}"
    try:
        async with asyncio.timeout(CONNECT_S):
            reader, writer = await asyncio.open_connection(host, port)
            writer.write(GREETING)
            greeting = await reader.readexactly(len(GREETING))
    except (OSError, EOFError, TimeoutError) as error:
        raise _no_bus(name, str(error) or "nothing came in time") from error
    if greeting != GREETING:
        writer.close()
        raise _no_bus(name, "what answers there is something else")
    return LoopbackPort(reader, writer, name)


def _no_bus(name: str, why: str) -> LinkError:
    return LinkError(
        what=f"the {name} cannot be joined",
        where=name,
        why=why,
        next_step="start the simulated car first: "
        "donorfit simulate SCENARIO --can loopback:HOST:PORT",
    )
