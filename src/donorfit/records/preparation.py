"""Preparation: backups made, supply proved, identities checked."""

from dataclasses import dataclass

from donorfit.records.finding import Finding
from donorfit.vehicle.identity import Address, DataIdentifier, UnitId


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """The bytes of one record before the work, read twice and found equal."""

    unit: UnitId
    address: Address
    identifier: DataIdentifier
    data: bytes
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who a unit is: compared again before anything is written."""

    unit: UnitId
    address: Address
    serial: str
    hardware: str
    software: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WakeCheck:
    """One condition of the state in which the car stays awake, and how it was shown."""

    id: str
    text: str
    met: bool
    shown_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """The car is ready for the plan, or not, and why.

    Attributes:
        plan_digest: the plan it was made for.
        vin: the car.
        prepared_at: ISO 8601 with offset.
        backups: every record that the plan touches.
        identities: every unit that the plan touches.
        wake_checks: conditions of the state in which the car stays awake.
        supply_volts: supply measured.
        support_current_a: current that the person's supply can hold; None where not said.
        ready: whether the plan may be applied.
        cautions_confirmed: ids of the cautions that the person has confirmed.
        findings: why not, and what else.
    """

    plan_digest: str
    vin: str
    prepared_at: str
    backups: tuple[Backup, ...]
    identities: tuple[Identity, ...]
    wake_checks: tuple[WakeCheck, ...]
    supply_volts: float | None
    support_current_a: float | None
    ready: bool
    cautions_confirmed: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
