"""Which vehicles are there: vehicle identification over UDP (ISO 13400-2)."""

import asyncio
import contextlib
import socket
from dataclasses import dataclass

from donorfit.diagnostics.doip import Frame, FrameReader
from donorfit.diagnostics.doip_codes import CONTROL_S, UDP_DISCOVERY_PORT, ProtocolVersion
from donorfit.diagnostics.doip_messages import (
    VehicleAnnouncement,
    VehicleIdentificationRequest,
    decode_message,
    encode_message,
)
from donorfit.edge.links.doip_errors import GatewayUnreachableError

_MAX_DATAGRAM_BYTES = 512
_MAX_VEHICLES = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundVehicle:
    """A vehicle that announced itself: where it is and what it said."""

    host: str
    port: int
    announcement: VehicleAnnouncement

    @property
    def vin(self) -> str:
        """The VIN, or an empty text where the entity does not know it."""
        text = self.announcement.vin.decode("ascii", "replace")
        return "" if set(self.announcement.vin) <= {0x00, 0xFF} else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Discovery:
    """Who answered, and how many datagrams were no vehicle announcement."""

    vehicles: tuple[FoundVehicle, ...]
    unreadable: int


class _Listener(asyncio.DatagramProtocol):
    def __init__(self, enough: int) -> None:
        self.found: dict[tuple[str, int, bytes], FoundVehicle] = {}
        self.unreadable = 0
        self.refused: OSError | None = None
        self.done = asyncio.get_running_loop().create_future()
        self._enough = enough

    def datagram_received(self, data: bytes, addr: tuple[str | int, ...]) -> None:
        announcement = _read_announcement(data)
        if announcement is None:
            self.unreadable += 1
            return
        host, port = str(addr[0]), int(addr[1])
        vehicle = FoundVehicle(host=host, port=port, announcement=announcement)
        self.found[host, port, announcement.eid] = vehicle
        if len(self.found) >= self._enough and not self.done.done():
            self.done.set_result(None)

    def error_received(self, exc: Exception) -> None:
        self.refused = exc if isinstance(exc, OSError) else OSError(str(exc))
        if not self.done.done():
            self.done.set_result(None)


def _read_announcement(data: bytes) -> VehicleAnnouncement | None:
    frames = FrameReader(max_payload_bytes=_MAX_DATAGRAM_BYTES).feed(data)
    if len(frames) != 1 or not isinstance(frames[0], Frame):
        return None
    message = decode_message(frames[0])
    return message if isinstance(message, VehicleAnnouncement) else None


async def identify_vehicles(
    host: str,
    *,
    port: int = UDP_DISCOVERY_PORT,
    wait_s: float = CONTROL_S,
    request: VehicleIdentificationRequest | None = None,
    enough: int = _MAX_VEHICLES,
) -> Discovery:
    """Ask this host (or broadcast address) who is there and collect the answers.

    Args:
        host: name, address, or broadcast address of the network.
        port: UDP port.
        wait_s: longest wait.
        request: ask for one EID or VIN only; None asks everybody.
        enough: return as soon as this many have answered.

    Raises:
        LinkError: the network refuses to send there, or nobody listens on that port.
    """
    loop = asyncio.get_running_loop()
    version = ProtocolVersion.DEFAULT_FOR_IDENTIFICATION
    datagram = encode_message(request or VehicleIdentificationRequest(), version)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        transport, listener = await loop.create_datagram_endpoint(
            lambda: _Listener(enough), family=family, allow_broadcast=True
        )
    except OSError as error:
        raise _unreachable(host, port, error) from error
    try:
        transport.sendto(datagram, (host, port))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await listener.done
    except OSError as error:
        raise _unreachable(host, port, error) from error
    finally:
        transport.close()
    if listener.refused is not None and not listener.found:
        raise _unreachable(host, port, listener.refused)
    return Discovery(vehicles=tuple(listener.found.values()), unreadable=listener.unreadable)


def _unreachable(host: str, port: int, error: OSError) -> GatewayUnreachableError:
    return GatewayUnreachableError(
        peer=f"{host}:{port} (UDP)", reason=error.strerror or str(error)
    )
