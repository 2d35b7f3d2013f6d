"""Turn the checked shapes of control units into vehicle values."""

from donorfit.edge.packs.unit_shapes import (
    CanShape,
    FieldShape,
    LayoutShape,
    OptionListShape,
    RecordShape,
    RuleShape,
    SoftwareShape,
    UnitShape,
)
from donorfit.vehicle.can_identifiers import CanIdentifiers
from donorfit.vehicle.control_unit import (
    ControlUnit,
    KeeperRole,
    ListEncoding,
    OptionListStore,
    SoftwareBlock,
    System,
)
from donorfit.vehicle.expression import parse_condition
from donorfit.vehicle.identity import (
    Address,
    DataIdentifier,
    OptionName,
    SoftwareVersion,
    UnitId,
)
from donorfit.vehicle.layout import (
    ByteOrder,
    Checksum,
    Choice,
    ConfigurationRecord,
    DerivationRule,
    Field,
    FieldKind,
    Layout,
    Scale,
)
from donorfit.vehicle.software import (
    CheckScope,
    Digest,
    DownloadProcedure,
    EraseRecord,
    SegmentPlace,
    SoftwareFormat,
)


def build_unit(shape: UnitShape) -> ControlUnit:
    """The control unit that a shape describes."""
    return ControlUnit(
        id=UnitId(shape.id),
        title=shape.title,
        address=Address(shape.address),
        network=shape.network,
        system=System(shape.system),
        present_option=OptionName(shape.present_option) if shape.present_option else None,
        records=tuple(_build_record(each) for each in shape.record),
        can=build_can(shape.can) if shape.can else None,
        option_list=_build_option_list(shape.option_list) if shape.option_list else None,
        hardware=tuple(shape.hardware),
        software_blocks=tuple(_build_software(each) for each in shape.software),
        supply_current_a=shape.supply_current_a,
        write_seconds=shape.write_seconds,
        reset_seconds=shape.reset_seconds,
        ring_position=shape.ring_position,
        programming_session=shape.programming_session,
        programming_security_level=shape.programming_security_level,
        program_memory=tuple(
            SegmentPlace(address=each.address, size_bytes=each.size_bytes) for each in shape.memory
        ),
    )


def build_can(shape: CanShape) -> CanIdentifiers:
    """The identifiers that a shape describes."""
    return CanIdentifiers(
        request=shape.request,
        response=shape.response,
        wide=shape.identifier_bits == 29,  # noqa: PLR2004 - the standard's long identifiers
        request_byte=shape.request_byte,
        response_byte=shape.response_byte,
        flexible_rate=shape.flexible_rate,
    )


def _build_option_list(shape: OptionListShape) -> OptionListStore:
    return OptionListStore(
        role=KeeperRole(shape.role),
        identifier=DataIdentifier(shape.identifier),
        encoding=ListEncoding(shape.encoding),
        length_bytes=shape.length_bytes,
        session=shape.session,
        security_level=shape.security_level,
    )


def _build_software(shape: SoftwareShape) -> SoftwareBlock:
    return SoftwareBlock(
        version=SoftwareVersion.parse(shape.version),
        file=shape.file,
        sha256=shape.sha256,
        memory_address=shape.memory_address,
        size_bytes=shape.size_bytes,
        hardware=tuple(shape.hardware),
        routine_check=shape.routine_check,
        seconds=shape.seconds,
        format=SoftwareFormat(shape.format),
        odx_session=shape.odx_session,
        replaces=tuple(SoftwareVersion.parse(each) for each in shape.replaces),
        procedure=DownloadProcedure(
            segments=tuple(
                SegmentPlace(
                    address=each.address,
                    size_bytes=each.size_bytes,
                    unpacked_bytes=each.unpacked_bytes,
                )
                for each in shape.segments
            ),
            data_format=shape.data_format,
            address_bytes=shape.address_bytes,
            length_bytes=shape.length_bytes,
            routine_erase=shape.routine_erase,
            erase_record=EraseRecord(shape.erase_record),
            check_digest=Digest(shape.check_digest),
            check_scope=CheckScope(shape.check_scope),
            good_status=bytes.fromhex(shape.good_status),
            exit_digest=Digest(shape.exit_digest),
            routine_dependencies=shape.routine_dependencies,
            file_path=shape.file_path,
            resumable=shape.resumable,
        ),
    )


def _build_record(shape: RecordShape) -> ConfigurationRecord:
    return ConfigurationRecord(
        name=shape.name,
        identifier=DataIdentifier(shape.identifier),
        layouts=tuple(_build_layout(each) for each in shape.layout),
        session=shape.session,
        security_level=shape.security_level,
        writable=shape.writable,
    )


def _build_layout(shape: LayoutShape) -> Layout:
    checksum = shape.checksum
    return Layout(
        length_bytes=shape.length_bytes,
        fields=tuple(build_field(each) for each in shape.field),
        software_from=_build_version(shape.software_from),
        software_before=_build_version(shape.software_before),
        checksum=None
        if checksum is None
        else Checksum(
            algorithm=checksum.algorithm,
            byte=checksum.byte,
            first_byte=checksum.first_byte,
            last_byte=checksum.last_byte,
        ),
    )


def _build_version(text: str | None) -> SoftwareVersion | None:
    return None if text is None else SoftwareVersion.parse(text)


def build_field(shape: FieldShape) -> Field:
    """The field that a shape describes; a rule with a name that is no choice gets -1."""
    scale = shape.scale
    return Field(
        name=shape.name,
        title=shape.title,
        first_bit=shape.first_bit,
        bit_length=shape.bit_length,
        byte_order=ByteOrder(shape.byte_order),
        signed=shape.signed,
        kind=FieldKind(shape.kind),
        choices=tuple(Choice(raw=raw, name=name) for name, raw in shape.choices.items()),
        scale=None
        if scale is None
        else Scale(factor=scale.factor, offset=scale.offset, unit=scale.unit),
        rules=tuple(_build_rule(each, shape) for each in shape.rules),
        same_fact=shape.same_fact,
    )


def _build_rule(shape: RuleShape, field: FieldShape) -> DerivationRule:
    value = shape.value
    raw = field.choices.get(value, -1) if isinstance(value, str) else value
    return DerivationRule(condition=parse_condition(shape.when), raw=raw)
