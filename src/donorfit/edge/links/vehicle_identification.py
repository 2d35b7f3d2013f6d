"""Which vehicles are there: vehicle identification over UDP (ISO 13400-2)."""

import asyncio
import contextlib
import ipaddress
import socket
from collections.abc import Sequence
from dataclasses import dataclass

from donorfit.diagnostics.doip import Frame, FrameReader
from donorfit.diagnostics.doip_codes import (
    CONTROL_S,
    TCP_DATA_PORT,
    UDP_DISCOVERY_PORT,
    ProtocolVersion,
)
from donorfit.diagnostics.doip_messages import (
    Message,
    VehicleAnnouncement,
    VehicleIdentificationRequest,
    decode_message,
    encode_message,
)

_MAX_DATAGRAM_BYTES = 512
MOST_VEHICLES = 256
_EVERYBODY = VehicleIdentificationRequest()


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundVehicle:
    """A vehicle that said who it is.

    Attributes:
        host: address that it said it from.
        port: port at which to reach it.
        announcement: what it said.
        asked: whether it answered; false where it announced itself unasked.
    """

    host: str
    port: int
    announcement: VehicleAnnouncement
    asked: bool = True

    @property
    def vin(self) -> str:
        """The VIN, or an empty text where the entity does not know it."""
        text = self.announcement.vin.decode("ascii", "replace")
        return "" if set(self.announcement.vin) <= {0x00, 0xFF} else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Discovery:
    """Who is there.

    Attributes:
        vehicles: who answered or announced itself, each once.
        unreadable: datagrams that were no vehicle announcement.
        refusals: places that could not be asked or listened at, with the reason.
    """

    vehicles: tuple[FoundVehicle, ...]
    unreadable: int
    refusals: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedPlace:
    """Whom to ask: a host or a broadcast address, from which address of our own."""

    host: str
    port: int = UDP_DISCOVERY_PORT
    source: str = ""


class _Finds:
    """Who was found so far, by all listeners together."""

    def __init__(self, enough: int) -> None:
        self.found: dict[tuple[str, int, bytes], FoundVehicle] = {}
        self.unreadable = 0
        self.refusals: list[str] = []
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.open_places = 0
        self._enough = enough

    def add(self, vehicle: FoundVehicle) -> None:
        key = vehicle.host, vehicle.port, vehicle.announcement.eid
        if vehicle.asked or key not in self.found:
            self.found[key] = vehicle
        if len(self.found) >= self._enough:
            self.finish()

    def refuse(self, why: str) -> None:
        self.refusals.append(why)
        self.open_places -= 1
        if self.open_places <= 0:
            self.finish()

    def finish(self) -> None:
        if not self.done.done():
            self.done.set_result(None)


class _Listener(asyncio.DatagramProtocol):
    """Listens to answers of one place, or to whoever announces itself."""

    def __init__(
        self, finds: _Finds, place: str, request: VehicleIdentificationRequest | None
    ) -> None:
        self._finds = finds
        self._place = place
        self._request = request
        self._refused = False

    def datagram_received(self, data: bytes, addr: tuple[str | int, ...]) -> None:
        message = _read_message(data)
        if isinstance(message, VehicleIdentificationRequest):
            return  # another tester asks
        if not isinstance(message, VehicleAnnouncement):
            self._finds.unreadable += 1
            return
        asked = self._request is not None
        host, port = str(addr[0]), int(addr[1])
        # An announcement comes from any port; the car itself is at the standard's.
        port = port if asked or ipaddress.ip_address(host).is_loopback else TCP_DATA_PORT
        vehicle = FoundVehicle(host=host, port=port, announcement=message, asked=asked)
        self._finds.add(vehicle)

    def error_received(self, exc: Exception) -> None:
        if not self._refused:
            self._refused = True
            reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
            self._finds.refuse(f"{self._place}: {reason}")


def _read_message(data: bytes) -> Message | None:
    frames = FrameReader(max_payload_bytes=_MAX_DATAGRAM_BYTES).feed(data)
    if len(frames) != 1 or not isinstance(frames[0], Frame):
        return None
    return decode_message(frames[0])


def is_wanted(vehicle: FoundVehicle, request: VehicleIdentificationRequest) -> bool:
    """Whether it is the one that was asked for; entities may answer though they are not."""
    said = vehicle.announcement
    return request.vin in {b"", said.vin} and request.eid in {b"", said.eid}


async def search_vehicles(
    places: Sequence[AskedPlace],
    *,
    wait_s: float = CONTROL_S,
    request: VehicleIdentificationRequest = _EVERYBODY,
    enough: int = MOST_VEHICLES,
    listen_at: tuple[str, int] | None = None,
) -> Discovery:
    """Ask every place who is there, and collect answers and announcements.

    Args:
        places: whom to ask; a broadcast address reaches everybody on its network.
        wait_s: longest wait (A_DoIP_Ctrl of ISO 13400-2 is 2 s).
        request: ask for one EID or VIN only, or for everybody.
        enough: return as soon as this many are found.
        listen_at: own address and port at which announcements arrive; None for answers only.
    """
    finds = _Finds(enough)
    datagram = encode_message(request, ProtocolVersion.DEFAULT_FOR_IDENTIFICATION)
    finds.open_places = len(places) + (listen_at is not None)
    async with contextlib.AsyncExitStack() as stack:
        if listen_at is not None:
            name = f"announcements at {listen_at[0] or '*'}:{listen_at[1]}"
            await _open(stack, _Listener(finds, name, None), finds, name, listen_at)
        for place in places:
            name = f"{place.host}:{place.port} (UDP)"
            listener = _Listener(finds, name, request)
            source = (place.source or ("::" if ":" in place.host else ""), 0)
            transport = await _open(stack, listener, finds, name, source)
            if transport is not None:
                try:
                    transport.sendto(datagram, (place.host, place.port))
                except OSError as error:
                    finds.refuse(f"{name}: {error.strerror or error}")
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await finds.done
    return Discovery(
        vehicles=tuple(each for each in finds.found.values() if is_wanted(each, request)),
        unreadable=finds.unreadable,
        refusals=tuple(finds.refusals),
    )


async def _open(
    stack: contextlib.AsyncExitStack,
    listener: _Listener,
    finds: _Finds,
    name: str,
    at: tuple[str, int],
) -> asyncio.DatagramTransport | None:
    family = socket.AF_INET6 if ":" in at[0] else socket.AF_INET
    try:
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: listener,
            local_addr=(at[0] or "0.0.0.0", at[1]),  # noqa: S104 - announcements are broadcast
            family=family,
            allow_broadcast=True,
        )
    except OSError as error:
        finds.refuse(f"{name}: {error.strerror or error}")
        return None
    stack.callback(transport.close)
    return transport
