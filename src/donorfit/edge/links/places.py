"""Where a car is, as typed: a DoIP entity or a CAN bus; and the link that leads there."""

import ipaddress
import re
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.doip_codes import TCP_DATA_PORT
from donorfit.edge.links.can_port import CanPort, open_bus
from donorfit.edge.links.doip import DoipLink
from donorfit.edge.links.loopback_bus import join_loopback_bus
from donorfit.errors import InputError
from donorfit.job.ports import Clock, PduLink
from donorfit.vehicle.control_unit import ControlUnit

LOOPBACK = "loopback"
"""Our own kind of bus between programs of one computer; all others are python-can's."""
_IN_THIS_PROCESS = frozenset((LOOPBACK, "virtual"))
_CAN_PLACE = re.compile(r"([A-Za-z0-9_]+):(.+?)(?:@(\d+)(?:/(\d+))?)?")
_MOST_BITS_A_S = 20_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class DoipPlace:
    """A DoIP entity on the network (ISO 13400-2)."""

    host: str
    port: int = TCP_DATA_PORT

    @property
    def name(self) -> str:
        """For people, and to tell one place from another."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"

    @property
    def on_this_computer(self) -> bool:
        """Whether only a program of this computer can answer there: a simulated car."""
        try:
            return self.host == "localhost" or ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False


@dataclass(frozen=True, slots=True, kw_only=True)
class CanPlace:
    """A CAN bus.

    Attributes:
        interface: python-can's name of the kind of adapter, or :data:`LOOPBACK`.
        channel: which of these adapters.
        bit_rate: bit/s; None leaves it as the adapter has it.
        data_bit_rate: bit/s of the data part of CAN FD frames; None as above.
    """

    interface: str
    channel: str
    bit_rate: int | None = None
    data_bit_rate: int | None = None

    @property
    def name(self) -> str:
        """For people, and to tell one place from another."""
        return f"{self.interface}:{self.channel}"

    @property
    def on_this_computer(self) -> bool:
        """Whether only a program of this computer can answer there: a simulated car."""
        return self.interface in _IN_THIS_PROCESS


Place = DoipPlace | CanPlace


def parse_doip_place(text: str, option: str = "--car") -> DoipPlace:
    """Read ``HOST:PORT``; the port may be left out (13400, ISO 13400-2).

    Raises:
        InputError: another form.
    """
    if text.count(":") > 1 and not text.startswith("["):
        return DoipPlace(host=text)  # an IPv6 address by itself
    host, separator, port = text.rpartition(":")
    if not separator or text.endswith("]"):
        host, port = text, str(TCP_DATA_PORT)
    host = host.strip("[]")
    if not re.fullmatch(r"[\w.:%-]+", host) or not _is_port(port):
        raise InputError(
            what=f"{text!r} is no address of a car.",
            where=option,
            why="It is written HOST:PORT, the port from 1 to 65535.",
            next_step=f"For example: {option} 127.0.0.1:13400",
        )
    return DoipPlace(host=host, port=int(port))


def _is_port(text: str) -> bool:
    return bool(re.fullmatch(r"[0-9]{1,5}", text)) and 0 < int(text) < 1 << 16


def parse_can_place(text: str, *, least_port: int = 1) -> CanPlace:
    """Read ``INTERFACE:CHANNEL``, then perhaps ``@BITRATE`` or ``@BITRATE/DATABITRATE``.

    Args:
        text: what was typed.
        least_port: 0 where a loopback bus may choose its port itself.

    Raises:
        InputError: another form.
    """
    match = re.fullmatch(_CAN_PLACE, text)
    rates = [int(each) for each in match.groups()[2:] if each] if match else []
    if match is None or any(not 0 < rate <= _MOST_BITS_A_S for rate in rates):
        raise InputError(
            what=f"{text!r} is no CAN bus.",
            where="--can",
            why="It is written INTERFACE:CHANNEL or INTERFACE:CHANNEL@BITRATE, in bit/s.",
            next_step="For example: --can socketcan:can0@500000",
        )
    place = CanPlace(
        interface=match[1],
        channel=match[2],
        bit_rate=rates[0] if rates else None,
        data_bit_rate=rates[1] if len(rates) > 1 else None,
    )
    if place.interface == LOOPBACK:
        split_bus_address(place.channel, least_port=least_port)
    return place


def split_bus_address(text: str, *, least_port: int = 1) -> tuple[str, int]:
    """Host and port of a loopback bus.

    Raises:
        InputError: another form.
    """
    host, _, port = text.rpartition(":")
    if host and port.isascii() and port.isdigit() and least_port <= int(port) < 1 << 16:
        return host, int(port)
    raise InputError(
        what=f"{text!r} is no address of a loopback bus.",
        where="--can",
        why="It is written loopback:HOST:PORT.",
        next_step="For example: --can loopback:127.0.0.1:29000",
    )


async def open_link(place: Place, units: tuple[ControlUnit, ...], clock: Clock) -> PduLink:
    """A link to the place, not opened yet.

    Args:
        place: where the car is.
        units: control units whose CAN identifiers count, for a CAN bus.
        clock: monotonic time.

    Raises:
        InputError: no unit has CAN identifiers, or the extra ``can`` is not installed.
        LinkError: the adapter or bus cannot be opened.
    """
    if isinstance(place, DoipPlace):
        return DoipLink(place.host, clock, port=place.port)
    # CAN comes with an optional extra, and is slow to import.
    from donorfit.edge.links.isotp import IsotpLink  # noqa: PLC0415
    from donorfit.edge.links.isotp_addresses import make_can_address  # noqa: PLC0415

    addresses = tuple(
        make_can_address(unit.address, unit.can) for unit in units if unit.can is not None
    )
    if not addresses:
        raise InputError(
            what="The pack gives no control unit CAN identifiers.",
            where=place.name,
            why="Over CAN each unit is asked by an identifier of its own.",
            next_step="Give them in the pack as [unit.can], or reach the car with --car.",
        )
    port = await open_port(place, fd=any(each.flexible_rate for each in addresses))
    return IsotpLink(port, addresses, clock)


async def open_port(place: CanPlace, *, fd: bool) -> CanPort:
    """The bus of a place, for CAN FD frames too where ``fd`` says so.

    Raises:
        InputError: the extra ``can`` is not installed, or there is no such kind of adapter.
        LinkError: the adapter or bus cannot be opened.
    """
    if place.interface == LOOPBACK:
        return await join_loopback_bus(*split_bus_address(place.channel))
    return open_bus(place.interface, place.channel, **list_bus_options(place, fd=fd))


def list_bus_options(place: CanPlace, *, fd: bool) -> dict[str, Any]:
    """What python-can is told beside interface and channel; only what was given or is needed."""
    options: dict[str, Any] = {"fd": True} if fd else {}
    if place.bit_rate is not None:
        options["bitrate"] = place.bit_rate
    if place.data_bit_rate is not None:
        options["data_bitrate"] = place.data_bit_rate
    return options
