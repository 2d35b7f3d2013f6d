"""Survey: everything read from one car, or one module on the bench, at one time."""

from dataclasses import dataclass
from enum import Enum

from donorfit.records.finding import Finding
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    FaultCode,
    OptionName,
    UnitId,
)


class SurveyKind(Enum):
    """Where a survey comes from."""

    CAR = "car"
    BENCH = "bench"
    DECLARED = "declared"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRead:
    """The bytes of one configuration record as read."""

    identifier: DataIdentifier
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRead:
    """One fault code with its status byte, masked by the unit's availability mask."""

    code: FaultCode
    status: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionListRead:
    """The option list in one keeper.

    Attributes:
        identifier: where it was read.
        data: the raw bytes.
        month: build month in it; None where it is not a month.
        options: options that the pack knows.
        unknown: codes or bits that the pack does not know.
    """

    identifier: DataIdentifier
    data: bytes
    month: BuildMonth | None
    options: tuple[OptionName, ...]
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSurvey:
    """One control unit as read; texts are empty where the unit did not say.

    Attributes:
        unit: name in the pack.
        address: logical address.
        answered: false where it is absent or asleep.
        vin: the VIN stored in the unit.
        serial: serial number.
        hardware: hardware number.
        part: spare part number.
        software: software version.
        option_list: option list, for keepers.
        records: configuration records.
        faults: fault codes.
        fault_availability: availability mask of the fault status bits.
        refusals: requests that were refused, in words.
        wants_authentication: whether one of them asks for a certificate (service 0x29 or 0x84).
    """

    unit: UnitId
    address: Address
    answered: bool
    vin: str = ""
    serial: str = ""
    hardware: str = ""
    part: str = ""
    software: str = ""
    option_list: OptionListRead | None = None
    records: tuple[RecordRead, ...] = ()
    faults: tuple[FaultRead, ...] = ()
    fault_availability: int = 0
    refusals: tuple[str, ...] = ()
    wants_authentication: bool = False

    def find_record(self, identifier: DataIdentifier) -> bytes | None:
        """The bytes read under an identifier; None where they were not read."""
        return next((each.data for each in self.records if each.identifier == identifier), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """One car, or one module, at one time.

    Attributes:
        kind: read from a car, from a module on the bench, or declared in a file.
        pack: id of the pack it was made with.
        pack_digest: digest of that pack.
        taken_at: ISO 8601 with offset; empty in a declared survey.
        vin: the car's VIN by its gateway or keeper.
        month: declared build month; None where it is not known.
        options: declared options, by the master keeper.
        fitted: options physically fitted though no unit shows it, as the person says.
        not_fitted: options physically absent, as the person says.
        units: control units, in the pack's order.
        supply_volts: supply at the time; None where it was not read.
        findings: doubts and contradictions seen while reading.
    """

    kind: SurveyKind
    pack: str
    pack_digest: str
    taken_at: str
    vin: str
    month: BuildMonth | None
    options: tuple[OptionName, ...]
    fitted: tuple[OptionName, ...] = ()
    not_fitted: tuple[OptionName, ...] = ()
    units: tuple[UnitSurvey, ...] = ()
    supply_volts: float | None = None
    findings: tuple[Finding, ...] = ()

    def find_unit(self, unit: UnitId) -> UnitSurvey | None:
        """One unit of the survey; None where it was not asked."""
        return next((each for each in self.units if each.unit == unit), None)
