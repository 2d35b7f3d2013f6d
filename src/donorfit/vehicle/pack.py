"""A pack: what is known about one car family."""

from dataclasses import dataclass
from enum import Enum

from donorfit.vehicle.control_unit import ControlUnit, KeeperRole
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.identity import Address, BuildMonth, DataIdentifier, OptionName, UnitId
from donorfit.vehicle.network import Connector, Network, OpticalRing
from donorfit.vehicle.rules import RuleBase

_NO_UNIT = UnitId("")
_NO_IDENTIFIER = DataIdentifier(0)


class WakeProof(Enum):
    """How a condition that keeps the car awake is shown to hold."""

    READ = "read"
    ASK = "ask"


@dataclass(frozen=True, slots=True, kw_only=True)
class WakeCondition:
    """One condition of the state in which the car stays awake (ignition, doors, lights ...).

    Attributes:
        id: name in the pack.
        text: what a person has to do.
        proof: read from a unit, or asked.
        unit: unit to read; empty where asked.
        identifier: data identifier to read.
        byte: byte of the answer.
        mask: bits of that byte that count.
        value: masked value that proves the condition.
    """

    id: str
    text: str
    proof: WakeProof
    unit: UnitId = _NO_UNIT
    identifier: DataIdentifier = _NO_IDENTIFIER
    byte: int = 0
    mask: int = 0xFF
    value: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyWindow:
    """Supply that this family asks for during a session, and where its voltage is read.

    Attributes:
        lowest_volts: below it no write starts.
        highest_volts: above it no write starts.
        unit: unit that reports the supply.
        identifier: data identifier of the supply, two bytes big endian.
        volts_per_bit: scale of that value.
        base_current_a: current of the awake car without the planned work.
        battery_ah: rated capacity of the family's battery.
        sleep_current_ma: current of the sleeping car; 0 where it is not known.
        path_milliohm: resistance from the battery's posts to the unit that reports the supply.
    """

    lowest_volts: float
    highest_volts: float
    unit: UnitId
    identifier: DataIdentifier
    volts_per_bit: float
    base_current_a: float
    battery_ah: float
    sleep_current_ma: float = 0.0
    path_milliohm: float = 0.0


class GatewayTurn(Enum):
    """When the gateway is programmed, where other units are programmed too."""

    FIRST = "first"
    LAST = "last"


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySide:
    """What a session of this family may do at the same time.

    Attributes:
        most_units: units that may be worked on at once, each on a network of its own.
        gateway: when the gateway itself is programmed.
        most_current_a: most that the car may take during a session; None where nothing limits it.
        gateway_bytes_per_s: most that the gateway passes on; None where it does not limit.
    """

    most_units: int = 1
    gateway: GatewayTurn = GatewayTurn.LAST
    most_current_a: float | None = None
    gateway_bytes_per_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A caution: wording of our own, where it may apply, where it comes from.

    Attributes:
        id: stable name.
        text: general sentence, "may apply".
        jurisdictions: tags such as ``EU``, ``US``, ``everywhere``.
        source: published source, or "common practice, no source".
        seen: date on which the source was read, YYYY-MM-DD.
    """

    id: str
    text: str
    jurisdictions: tuple[str, ...]
    source: str
    seen: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """All that is known about one car family.

    Attributes:
        id: name of the pack.
        title: what a person reads.
        version: version of the pack's content.
        family_from: first build month of the family.
        family_before: month after the last one.
        wmi: beginnings of the family's VINs; empty where any is taken.
        gateway: logical address of the DoIP entity.
        rules: options and their rules.
        units: control units.
        networks: networks.
        ring: optical ring; None where the family has none.
        connectors: connectors.
        faults: known fault codes.
        modules: donor modules.
        wake_conditions: the state in which the car stays awake.
        supply: supply during a session.
        side_by_side: what may be done at the same time; None where the pack says nothing of it,
            and then it is one unit after the other.
        cautions: cautions of the pack's own.
        option_codes: the four-character code of each option that has one.
        option_bits: place of each option in a list encoded as bits.
        digest: SHA-256 over the pack's files, lower-case hex.
    """

    id: str
    title: str
    version: str
    family_from: BuildMonth
    family_before: BuildMonth
    wmi: tuple[str, ...]
    gateway: Address
    rules: RuleBase
    units: tuple[ControlUnit, ...]
    networks: tuple[Network, ...] = ()
    ring: OpticalRing | None = None
    connectors: tuple[Connector, ...] = ()
    faults: tuple[KnownFault, ...] = ()
    modules: tuple[DonorModule, ...] = ()
    wake_conditions: tuple[WakeCondition, ...] = ()
    supply: SupplyWindow | None = None
    side_by_side: SideBySide | None = None
    cautions: tuple[Caution, ...] = ()
    option_codes: tuple[tuple[OptionName, str], ...] = ()
    option_bits: tuple[tuple[OptionName, int], ...] = ()
    digest: str = ""

    def find_unit(self, unit: UnitId) -> ControlUnit | None:
        """The unit of that name; None where the pack has none."""
        return next((each for each in self.units if each.id == unit), None)

    def find_module(self, module: str) -> DonorModule | None:
        """The donor module of that name; None where the pack has none."""
        return next((each for each in self.modules if each.id == module), None)

    def list_keepers(self) -> tuple[ControlUnit, ...]:
        """Units that store the option list, the master first."""
        keepers = [each for each in self.units if each.option_list is not None]
        return tuple(sorted(keepers, key=_is_copy))


def _is_copy(unit: ControlUnit) -> bool:
    return unit.option_list is not None and unit.option_list.role is KeeperRole.COPY
