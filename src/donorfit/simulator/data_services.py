"""Services 0x22 and 0x2E: read and write data by identifier."""

from dataclasses import replace

from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.uds import (
    Session,
    decode_read_request,
    decode_write_request,
    encode_read_answer,
    encode_write_answer,
)
from donorfit.simulator.checksums import is_right
from donorfit.simulator.option_list import is_well_formed
from donorfit.simulator.scenario import NEUTRAL_VIN, VIN, RecordTruth, VinWriting
from donorfit.simulator.state import BOOT_SOFTWARE, StoreRecord, Work
from donorfit.simulator.unit_request import Request, ServiceAnswer, Step, WritableRecord
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    PART_IDENTIFIER,
    SERIAL_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
)
from donorfit.vehicle.identity import DataIdentifier

ACTIVE_SESSION = DataIdentifier(0xF186)
MOST_IDENTIFIERS = 8
_VIN_CHARACTERS = frozenset(b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789")
_IDENTIFICATION = range(0xF180, 0xF1A0)
_LARGEST_READING = 0xFFFF


def read_value(request: Request, identifier: DataIdentifier) -> bytes | None:
    """Bytes that the unit shows under an identifier; None where it knows none.

    A unit without an application shows its identification only.
    """
    truth, unit = request.truth, request.unit
    if not unit.application and identifier not in _IDENTIFICATION:
        return None
    software = unit.software if unit.application else BOOT_SOFTWARE
    own = {
        ACTIVE_SESSION: bytes((unit.session,)),
        SERIAL_IDENTIFIER: truth.serial.encode("ascii"),
        HARDWARE_IDENTIFIER: truth.hardware.encode("ascii"),
        SOFTWARE_IDENTIFIER: software.encode("ascii"),
        PART_IDENTIFIER: truth.part.encode("ascii"),
    }
    reading = truth.supply_reading
    if reading is not None and identifier == reading.identifier:
        steps = round(request.volts / reading.volts_per_bit)
        return min(max(steps, 0), _LARGEST_READING).to_bytes(2, "big")
    if identifier in own:
        return own[identifier]
    stored = unit.read(identifier)
    return stored if stored is not None else dict(truth.data).get(identifier)


def serve_read(request: Request) -> ServiceAnswer:
    """0x22: identifiers that the unit knows are answered, the others left out."""
    identifiers = decode_read_request(request.pdu)
    if len(identifiers) > MOST_IDENTIFIERS:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    values = [(each, read_value(request, each)) for each in identifiers]
    known = [(each, value) for each, value in values if value is not None]
    if not known:
        return Nrc.REQUEST_OUT_OF_RANGE
    return Step(unit=request.unit, answer=encode_read_answer(*known))


def serve_write(request: Request) -> ServiceAnswer:
    """0x2E, in the order of checks that ISO 14229-1 draws for it."""
    identifier, content = decode_write_request(request.pdu)
    record = next((each for each in request.truth.records if each.identifier == identifier), None)
    needs = _find_needs(request, record, identifier)
    if needs is None:
        return Nrc.REQUEST_OUT_OF_RANGE
    _, session, level = needs
    if session not in {request.unit.session, Session.DEFAULT}:
        return Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
    if level and request.unit.unlocked_level != level:
        return Nrc.SECURITY_ACCESS_DENIED
    stored = request.unit.read(identifier) or b""
    if len(content) != len(stored):
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    refused = request.judge_supply()
    if refused is None and not _is_acceptable(request, record, identifier, content):
        refused = Nrc.REQUEST_OUT_OF_RANGE
    if refused is not None:
        return refused
    kept = record.kept_bytes if record else ()
    content = bytes(
        stored[place] if place in kept else value for place, value in enumerate(content)
    )
    work_s = request.truth.write_s * request.pace
    effect = StoreRecord(identifier=identifier, content=content)
    return Step(
        unit=replace(request.unit, work=Work(until_s=request.now_s + work_s, effect=effect)),
        answer=encode_write_answer(identifier),
        work_s=work_s,
    )


def _find_needs(
    request: Request, record: RecordTruth | None, identifier: DataIdentifier
) -> WritableRecord | None:
    keeper = request.truth.keeper
    if record is not None and record.writable:
        return identifier, record.session, record.security_level
    if keeper is not None and identifier == keeper.identifier:
        return identifier, keeper.session, keeper.security_level
    if identifier == VIN and request.truth.vin_writing is VinWriting.WHILE_NEUTRAL:
        return identifier, Session.EXTENDED, 0
    return None


def _is_acceptable(
    request: Request, record: RecordTruth | None, identifier: DataIdentifier, content: bytes
) -> bool:
    if identifier == VIN:
        return request.unit.read(VIN) == NEUTRAL_VIN and _VIN_CHARACTERS.issuperset(content)
    if record is None:
        keeper = request.truth.keeper
        return keeper is not None and is_well_formed(content, keeper.encoding)
    checksum = record.checksum
    if checksum is not None and not is_right(
        content, checksum.algorithm, checksum.byte, checksum.first_byte, checksum.last_byte
    ):
        return False
    return all(content[each.byte] & each.mask in each.values for each in record.allowed)
