"""Network interfaces of this computer, as far as a search for cars needs them."""

import socket
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkInterface:
    """One IPv4 address of one interface.

    Attributes:
        name: the system's name of it.
        address: own address.
        broadcast: broadcast address of its network; empty where it has none.
        up: whether it is switched on and connected.
    """

    name: str
    address: str
    broadcast: str
    up: bool


def list_network_interfaces() -> tuple[NetworkInterface, ...]:
    """IPv4 addresses in the order of the system, loopback included."""
    import psutil  # noqa: PLC0415 - slow to import, and needed here only

    states = psutil.net_if_stats()
    return tuple(
        NetworkInterface(
            name=name,
            address=each.address,
            broadcast=each.broadcast or "",
            up=name in states and states[name].isup,
        )
        for name, addresses in psutil.net_if_addrs().items()
        for each in addresses
        if each.family == socket.AF_INET
    )
