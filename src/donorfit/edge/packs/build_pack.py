"""Turn the checked parts of a pack into one vehicle value."""

from collections.abc import Iterator

from donorfit.edge.packs.build_units import build_unit
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.part_shapes import (
    ConnectorShape,
    FaultShape,
    ModuleShape,
    RingShape,
    SideBySideShape,
    SupplyShape,
    WakeShape,
)
from donorfit.edge.packs.shape_base import parse_fault_code
from donorfit.vehicle.donor import Companion, DonorModule, HandCheck, NeededSignal
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    FaultCode,
    OptionName,
    SoftwareVersion,
    UnitId,
)
from donorfit.vehicle.network import Cavity, Connector, OpticalRing, PinFunction, RingHop
from donorfit.vehicle.pack import (
    Caution,
    GatewayTurn,
    Pack,
    SideBySide,
    SupplyWindow,
    WakeCondition,
    WakeProof,
)
from donorfit.vehicle.rules import RuleBase


def build_pack(parts: PackParts, rules: RuleBase) -> Pack:
    """The pack that parts without mistakes describe."""
    manifest = parts.manifest.values
    return Pack(
        id=manifest.id,
        title=manifest.title,
        version=manifest.version,
        family_from=BuildMonth.parse(manifest.family_from),
        family_before=BuildMonth.parse(manifest.family_before),
        wmi=tuple(manifest.wmi),
        gateway=Address(manifest.gateway),
        rules=rules,
        units=tuple(build_unit(unit) for _, unit in parts.list_units()),
        networks=tuple(parts.described.values()),
        ring=next((_build_ring(r) for part in parts.networks for r in part.values.ring), None),
        connectors=tuple(
            _build_connector(each) for part in parts.connectors for each in part.values.connector
        ),
        faults=tuple(_build_fault(each) for part in parts.faults for each in part.values.fault),
        modules=tuple(
            _build_module(each) for part in parts.modules for each in part.values.module
        ),
        wake_conditions=tuple(
            _build_wake(each) for part in parts.session for each in part.values.wake_condition
        ),
        supply=next(
            (_build_supply(p.values.supply) for p in parts.session if p.values.supply), None
        ),
        side_by_side=next(
            (
                _build_side_by_side(part.values.side_by_side)
                for part in parts.session
                if part.values.side_by_side
            ),
            None,
        ),
        cautions=tuple(_build_cautions(parts)),
        option_codes=tuple(list_codes(rules)),
        option_bits=tuple(list_bits(rules)),
        digest=parts.source.compute_digest(),
    )


def list_codes(rules: RuleBase) -> Iterator[tuple[OptionName, str]]:
    """Options with their attribute ``code``."""
    for option, attributes in rules.attributes:
        for key, value in attributes:
            if key == "code" and isinstance(value, str):
                yield rules.names[option], value


def list_bits(rules: RuleBase) -> Iterator[tuple[OptionName, int]]:
    """Options with their attribute ``bit``."""
    for option, attributes in rules.attributes:
        for key, value in attributes:
            if key == "bit" and isinstance(value, int) and not isinstance(value, bool):
                yield rules.names[option], value


def _build_ring(shape: RingShape) -> OpticalRing:
    return OpticalRing(
        name=shape.name,
        master=UnitId(shape.master),
        hops=tuple(
            RingHop(
                source=UnitId(hop.source),
                target=UnitId(hop.target),
                length_m=hop.length_m,
                inline_connectors=hop.inline_connectors,
                sharp_bends=hop.sharp_bends,
            )
            for hop in shape.hop
        ),
    )


def _build_connector(shape: ConnectorShape) -> Connector:
    return Connector(
        id=shape.id,
        title=shape.title,
        shape=shape.shape,
        cavities=tuple(
            Cavity(
                number=cavity.number,
                function=PinFunction(cavity.function),
                detail=cavity.detail,
                current_a=cavity.current_a,
            )
            for cavity in shape.cavity
        ),
    )


def _build_fault(shape: FaultShape) -> KnownFault:
    return KnownFault(
        unit=UnitId(shape.unit),
        code=FaultCode(parse_fault_code(shape.code)),
        title=shape.title,
        causes=tuple(
            Cause(kind=CauseKind(each.kind), subject=each.subject) for each in shape.causes
        ),
    )


def _build_module(shape: ModuleShape) -> DonorModule:
    return DonorModule(
        id=shape.id,
        title=shape.title,
        unit=UnitId(shape.unit),
        hardware=tuple(shape.hardware),
        options_on=tuple(map(OptionName, shape.options_on)),
        options_off=tuple(map(OptionName, shape.options_off)),
        month_from=BuildMonth.parse(shape.month_from) if shape.month_from else None,
        month_before=BuildMonth.parse(shape.month_before) if shape.month_before else None,
        software_from=_build_version(shape.software_from),
        companions=tuple(
            Companion(
                unit=UnitId(each.unit),
                reason=each.reason,
                software_from=_build_version(each.software_from),
            )
            for each in shape.companion
        ),
        signals=tuple(
            NeededSignal(
                network=each.network,
                message=each.message,
                signal=each.signal,
                longest_gap_ms=each.longest_gap_ms,
                effect=each.effect,
            )
            for each in shape.signal
        ),
        connector=shape.connector,
        host_connector=shape.host_connector,
        supply_current_a=shape.supply_current_a,
        sleep_current_ma=shape.sleep_current_ma,
        on_ring=shape.on_ring,
        terminates=shape.terminates,
        stub_m=shape.stub_m,
        hand_checks=tuple(HandCheck(id=each.id, text=each.text) for each in shape.hand_check),
        cautions=tuple(shape.cautions),
    )


def _build_version(text: str | None) -> SoftwareVersion | None:
    return None if text is None else SoftwareVersion.parse(text)


def _build_wake(shape: WakeShape) -> WakeCondition:
    return WakeCondition(
        id=shape.id,
        text=shape.text,
        proof=WakeProof.READ if shape.unit else WakeProof.ASK,
        unit=UnitId(shape.unit or ""),
        identifier=DataIdentifier(shape.identifier or 0),
        byte=shape.byte,
        mask=shape.mask,
        value=shape.value,
    )


def _build_supply(shape: SupplyShape) -> SupplyWindow:
    return SupplyWindow(
        lowest_volts=shape.lowest_volts,
        highest_volts=shape.highest_volts,
        unit=UnitId(shape.unit),
        identifier=DataIdentifier(shape.identifier),
        volts_per_bit=shape.volts_per_bit,
        base_current_a=shape.base_current_a,
        battery_ah=shape.battery_ah,
        sleep_current_ma=shape.sleep_current_ma,
        path_milliohm=shape.path_milliohm,
    )


def _build_side_by_side(shape: SideBySideShape) -> SideBySide:
    return SideBySide(
        most_units=shape.most_units,
        gateway=GatewayTurn(shape.gateway),
        most_current_a=shape.most_current_a,
        gateway_bytes_per_s=shape.gateway_bytes_per_s,
    )


def _build_cautions(parts: PackParts) -> Iterator[Caution]:
    for part in parts.cautions:
        for each in part.values.caution:
            yield Caution(
                id=each.id,
                text=each.text,
                jurisdictions=tuple(each.jurisdictions),
                source=each.source,
                seen=each.seen,
            )
