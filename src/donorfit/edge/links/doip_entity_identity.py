"""What a DoIP entity says of itself, and whom it lets in (ISO 13400-2)."""

from dataclasses import dataclass

from donorfit.diagnostics.doip_codes import UDP_DISCOVERY_PORT
from donorfit.diagnostics.doip_messages import VehicleAnnouncement
from donorfit.simulator.described import DescribedUnits
from donorfit.simulator.scenario import NEUTRAL_VIN, Scenario
from donorfit.vehicle.identity import Address

DISCOVERY_PORT = UDP_DISCOVERY_PORT
TESTER_ADDRESSES = range(0x0E00, 0x1000)
"""Addresses of external test equipment (ISO 13400-2, table of logical addresses)."""
_LOCAL_ID = b"\x02\x00\x00\x00\x00\x02"
"""A locally administered interface address."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntityIdentity:
    """What the entity says of itself, and whom it lets in.

    Attributes:
        vin: 17 bytes.
        logical_address: its own address.
        eid: six bytes.
        gid: six bytes.
        testers: tester addresses that it knows; empty for all of external test equipment.
        max_connections: active connections at once.
    """

    vin: bytes
    logical_address: Address
    eid: bytes
    gid: bytes
    testers: tuple[Address, ...] = ()
    max_connections: int = 4

    def knows(self, tester: Address) -> bool:
        """Whether a tester address may activate routing."""
        return tester in self.testers if self.testers else tester in TESTER_ADDRESSES

    def announce(self) -> VehicleAnnouncement:
        """The vehicle announcement, also the answer to an identification request."""
        return VehicleAnnouncement(
            vin=self.vin,
            logical_address=self.logical_address,
            eid=self.eid,
            gid=self.gid,
            sync_status=0,
        )


def identify(scenario: Scenario) -> EntityIdentity:
    """The entity of a scenario's car; it shows the VIN that its gateway holds."""
    gateway = next(each for each in scenario.units if each.address == scenario.gateway)
    return EntityIdentity(
        vin=gateway.vin,
        logical_address=scenario.gateway,
        eid=scenario.eid,
        gid=scenario.gid,
        testers=scenario.testers,
        max_connections=scenario.max_connections,
    )


def identify_described(described: DescribedUnits) -> EntityIdentity:
    """The entity of described units: no VIN, the address of the first unit."""
    return EntityIdentity(
        vin=NEUTRAL_VIN,
        logical_address=described.units[0].address,
        eid=_LOCAL_ID,
        gid=_LOCAL_ID,
    )
