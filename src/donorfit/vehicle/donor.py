"""Donor modules: what a pack knows about a control unit that can be fitted."""

from dataclasses import dataclass

from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion, UnitId


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """Another control unit that the module needs in the car.

    Attributes:
        unit: the companion.
        software_from: oldest software that works; None where any does.
        reason: what does not work without it.
    """

    unit: UnitId
    reason: str
    software_from: SoftwareVersion | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededSignal:
    """A signal that the module has to receive.

    Attributes:
        network: network the module listens on.
        message: message name in the pack's network description.
        signal: signal name.
        longest_gap_ms: longest time between two messages that it tolerates.
        effect: what the driver notices without it.
    """

    network: str
    message: str
    signal: str
    longest_gap_ms: int
    effect: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandCheck:
    """Something a person has to look at, listen to or try after the work."""

    id: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DonorModule:
    """A control unit that can be fitted, and all that it needs.

    Attributes:
        id: name in the pack.
        title: what a person reads.
        unit: the control unit it becomes in the host.
        hardware: hardware numbers that this description is for.
        options_on: options that must be declared.
        options_off: options that must not be declared.
        month_from: earliest build month it works with; None where it does not matter.
        month_before: first build month it no longer works with; None where it does not matter.
        software_from: oldest software of the module itself.
        companions: other units it needs.
        signals: what it has to receive.
        connector: its own connector.
        host_connector: connector found in the host's harness; empty where wires must be run.
        supply_current_a: continuous current at full work.
        sleep_current_ma: current once the networks sleep; 0 where it is not known.
        on_ring: needs a place on the optical ring.
        terminates: holds a terminating resistor of its CAN network; None where nobody knows.
        stub_m: length of the wires from the network to it, in metres; None where not said.
        hand_checks: what a person checks after the work.
        cautions: ids of cautions that apply, beyond those that follow from the units touched.
    """

    id: str
    title: str
    unit: UnitId
    hardware: tuple[str, ...]
    options_on: tuple[OptionName, ...] = ()
    options_off: tuple[OptionName, ...] = ()
    month_from: BuildMonth | None = None
    month_before: BuildMonth | None = None
    software_from: SoftwareVersion | None = None
    companions: tuple[Companion, ...] = ()
    signals: tuple[NeededSignal, ...] = ()
    connector: str = ""
    host_connector: str = ""
    supply_current_a: float = 0.0
    sleep_current_ma: float = 0.0
    on_ring: bool = False
    terminates: bool | None = None
    stub_m: float | None = None
    hand_checks: tuple[HandCheck, ...] = ()
    cautions: tuple[str, ...] = ()
