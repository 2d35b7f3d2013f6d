"""UDS bytes, fault codes, status bits and NRC names against udsoncan and py-uds (both MIT).

Two implementations that we did not write: what they encode we decode, and the other way round.
"""

from __future__ import annotations

import random
import re

import pytest

from donorfit.diagnostics.fault_codes import (
    FaultRecord,
    FaultReport,
    decode_fault_report,
    encode_fault_report,
)
from donorfit.diagnostics.negative_response import (
    Nrc,
    decode_negative_response,
    encode_negative_response,
    name_negative_response,
)
from donorfit.diagnostics.transfer import (
    DownloadRequest,
    decode_download_answer,
    decode_download_request,
    encode_download_answer,
    encode_download_request,
    encode_exit_request,
    encode_transfer_answer,
    encode_transfer_request,
)
from donorfit.diagnostics.uds import (
    Routine,
    Service,
    SessionTiming,
    decode_seed_answer,
    decode_session_answer,
    encode_clear_request,
    encode_fault_request,
    encode_key_request,
    encode_read_answer,
    encode_read_request,
    encode_reset_request,
    encode_routine_answer,
    encode_routine_request,
    encode_seed_answer,
    encode_seed_request,
    encode_session_answer,
    encode_session_request,
    encode_tester_present,
    encode_write_answer,
    encode_write_request,
)
from donorfit.vehicle.fault_code import FaultStatus, parse_fault_code, write_fault_code
from donorfit.vehicle.identity import DataIdentifier, FaultCode

pytestmark = pytest.mark.reference

udsoncan = pytest.importorskip("udsoncan")
services = pytest.importorskip("udsoncan.services")
uds_message = pytest.importorskip("uds.message")
conversions = pytest.importorskip("uds.utilities.conversions")

CODES = [0x012300, 0x9A1234, 0xC10087, 0x5ABCDE, 0x56789A, 0xA5B6C7, 0xFFFFFF, 0]


def plain(name: str) -> str:
    """A name without case and punctuation, since each library has its own spelling."""
    return re.sub(r"[^a-z]", "", name.lower())


def make_codes() -> list[int]:
    random_codes = random.Random(14229)
    edges = [high << 20 | low for high in range(16) for low in (0, 0x12345, 0xFFFFF)]
    return CODES + edges + [random_codes.randrange(1 << 24) for _ in range(20_000)]


def test_fault_code_text_agrees_with_both_libraries_over_many_values() -> None:
    for code in make_codes():
        text = write_fault_code(FaultCode(code))
        assert text == udsoncan.Dtc(code).id_iso()
        assert text == conversions.int_to_obd_dtc(code)
        assert parse_fault_code(text) == code == conversions.obd_dtc_to_int(text)


def test_status_bits_agree_with_udsoncan_for_every_byte() -> None:
    for byte in range(256):
        theirs = udsoncan.Dtc.Status.from_byte(byte)
        ours = {bit.name.lower() for bit in FaultStatus(byte)}
        names = {
            "pending": "pending",
            "confirmed": "confirmed",
            "test_failed": "test_failed",
            "test_failed_since_last_clear": "test_failed_since_last_clear",
            "test_failed_this_operation_cycle": "test_failed_this_operation_cycle",
            "test_not_completed_since_last_clear": "test_not_completed_since_last_clear",
            "test_not_completed_this_operation_cycle": "test_not_completed_this_operation_cycle",
            "warning_indicator_requested": "warning_indicator_requested",
        }
        assert ours == {name for name in names if getattr(theirs, name)}


def test_negative_response_names_agree_with_py_uds() -> None:
    theirs = {int(code): plain(code.name) for code in uds_message.NRC}
    ours = {int(code): plain(name_negative_response(code)) for code in Nrc}
    assert set(ours) <= set(theirs)
    # Spelling differs in the note's list; py-uds writes one word of 0x91 wrongly.
    differing = {code for code in ours if ours[code] != theirs[code]}
    assert differing <= {0x8F, 0x91}
    # Codes that only py-uds has are ranges or not in the 2020 table.
    assert {code for code in theirs if code < 0xF0} - set(ours) <= {0x8E}


def test_negative_response_names_agree_with_udsoncan_but_for_the_older_ones() -> None:
    codes = {
        value: plain(name)
        for name, value in vars(udsoncan.Response.Code).items()
        if isinstance(value, int) and value >= 0x10
    }
    # 0x38 to 0x40 carry older or later names there; spelling differs at the others.
    spelled = {0x57, 0x5B, 0x8A, 0x8B, 0x8F, 0x91}
    agreeing = [code for code in Nrc if code in codes and code not in {0x38, 0x39, 0x3A} | spelled]
    assert len(agreeing) >= 50
    for code in agreeing:
        assert plain(name_negative_response(code)) == codes[code]


def test_every_negative_response_is_read_by_both() -> None:
    for code in Nrc:
        pdu = encode_negative_response(0x2E, code)
        theirs = udsoncan.Response.from_payload(pdu)
        assert theirs.code == code
        assert theirs.service._sid == 0x2E
        ours = decode_negative_response(pdu)
        assert ours is not None
        assert (ours.service, ours.code) == (0x2E, code)


def request_pairs():
    codec = {0xF190: ">17s", 0x0100: "B"}
    memory = udsoncan.MemoryLocation(0x1000, 0x2345, address_format=32, memorysize_format=32)
    key = services.SecurityAccess.Mode.SendKey
    seed = services.SecurityAccess.Mode.RequestSeed
    s = services
    faults = s.ReadDTCInformation
    return {
        "22": (
            encode_read_request(DataIdentifier(0xF190)),
            s.ReadDataByIdentifier.make_request([0xF190], codec),
        ),
        "22 twice": (
            encode_read_request(DataIdentifier(0xF190), DataIdentifier(0x0100)),
            s.ReadDataByIdentifier.make_request([0xF190, 0x0100], codec),
        ),
        "2E": (
            encode_write_request(DataIdentifier(0x0100), b"\x55"),
            s.WriteDataByIdentifier.make_request(0x0100, 0x55, codec),
        ),
        "10": (encode_session_request(3), s.DiagnosticSessionControl.make_request(3)),
        "11": (encode_reset_request(1), s.ECUReset.make_request(1)),
        "27 seed": (encode_seed_request(5), s.SecurityAccess.make_request(5, seed)),
        "27 key": (
            encode_key_request(5, b"\xaa\xbb"),
            s.SecurityAccess.make_request(5, key, b"\xaa\xbb"),
        ),
        "19 02": (encode_fault_request(0x2F), faults.make_request(2, status_mask=0x2F)),
        "14": (encode_clear_request(), s.ClearDiagnosticInformation.make_request(0xFFFFFF)),
        "31": (
            encode_routine_request(Routine(action=1, identifier=0xFF01, record=b"\x01\x02")),
            s.RoutineControl.make_request(0xFF01, 1, b"\x01\x02"),
        ),
        "34": (
            encode_download_request(DownloadRequest(memory_address=0x1000, memory_size=0x2345)),
            s.RequestDownload.make_request(memory),
        ),
        "36": (encode_transfer_request(0xFF, b"abc"), s.TransferData.make_request(0xFF, b"abc")),
        "37": (encode_exit_request(), s.RequestTransferExit.make_request()),
        "3E": (encode_tester_present(suppress=False), s.TesterPresent.make_request()),
    }


@pytest.mark.parametrize("name", list(request_pairs()))
def test_requests_have_the_bytes_of_udsoncan(name: str) -> None:
    ours, theirs = request_pairs()[name]
    assert ours == theirs.get_payload()


def test_session_answer_agrees_in_both_units() -> None:
    # 50 ms in units of 1 ms and 5 s in units of 10 ms: 00 32 01 F4.
    assert encode_session_answer(3, SessionTiming()) == bytes.fromhex("5003003201F4")
    for p2_ms, p2_star_ms in ((50, 5000), (1, 10), (65535, 655350), (200, 7000)):
        timing = SessionTiming(p2_s=p2_ms / 1000, p2_star_s=p2_star_ms / 1000)
        pdu = encode_session_answer(3, timing)
        theirs = services.DiagnosticSessionControl.interpret_response(
            udsoncan.Response.from_payload(pdu)
        ).service_data
        assert theirs.p2_server_max == pytest.approx(timing.p2_s)
        assert theirs.p2_star_server_max == pytest.approx(timing.p2_star_s)
        assert decode_session_answer(pdu) == timing


def test_answers_are_read_by_udsoncan() -> None:
    def read(pdu):
        return udsoncan.Response.from_payload(pdu)

    codec = {0xF190: ">3s"}
    answer = read(encode_read_answer((DataIdentifier(0xF190), b"ABC")))
    values = services.ReadDataByIdentifier.interpret_response(answer, [0xF190], codec)
    assert values.service_data.values[0xF190] == (b"ABC",)
    written = services.WriteDataByIdentifier.interpret_response(
        read(encode_write_answer(DataIdentifier(0xF190)))
    )
    assert written.service_data.did_echo == 0xF190
    seed = services.SecurityAccess.interpret_response(
        read(encode_seed_answer(5, b"\x12\x34")), services.SecurityAccess.Mode.RequestSeed
    )
    assert (
        seed.service_data.seed
        == b"\x12\x34"
        == decode_seed_answer(encode_seed_answer(5, b"\x12\x34"))
    )
    routine = services.RoutineControl.interpret_response(
        read(encode_routine_answer(Routine(action=1, identifier=0xFF01, record=b"\x00")))
    )
    assert routine.service_data.routine_id_echo == 0xFF01
    assert routine.service_data.routine_status_record == b"\x00"
    block = services.TransferData.interpret_response(read(encode_transfer_answer(0xFF)))
    assert block.service_data.sequence_number_echo == 0xFF


@pytest.mark.parametrize("length", [3, 0x82, 0xFFF, 0xFFFF, 0x12345])
def test_block_lengths_agree_with_udsoncan(length: int) -> None:
    pdu = encode_download_answer(length)
    theirs = services.RequestDownload.interpret_response(udsoncan.Response.from_payload(pdu))
    assert theirs.service_data.max_length == length == decode_download_answer(pdu)


def test_download_requests_of_other_lengths_are_read() -> None:
    for address_bits in (8, 16, 24, 32, 40):
        for size_bits in (8, 16, 24, 32, 40):
            memory = udsoncan.MemoryLocation(
                0x12, 0x34, address_format=address_bits, memorysize_format=size_bits
            )
            theirs = services.RequestDownload.make_request(memory).get_payload()
            ours = decode_download_request(theirs)
            assert (ours.memory_address, ours.memory_size) == (0x12, 0x34)
            assert encode_download_request(ours) == theirs


def test_fault_lists_agree_with_udsoncan_and_py_uds() -> None:
    numbers = random.Random(19)
    for count in (0, 1, 2, 50):
        faults = tuple(
            FaultRecord(
                code=FaultCode(numbers.randrange(1, 1 << 24)),
                status=FaultStatus(numbers.randrange(256)),
            )
            for _ in range(count)
        )
        report = FaultReport(availability=FaultStatus(0xFF), faults=faults)
        for sub_function in (0x02, 0x0A):
            pdu = encode_fault_report(sub_function, report)
            theirs = services.ReadDTCInformation.interpret_response(
                udsoncan.Response.from_payload(pdu), subfunction=sub_function
            ).service_data
            assert [(dtc.id, dtc.status.get_byte_as_int()) for dtc in theirs.dtcs] == [
                (fault.code, int(fault.status)) for fault in faults
            ]
            assert theirs.status_availability.get_byte_as_int() == 0xFF
            assert decode_fault_report(pdu) == report


@pytest.mark.filterwarnings("ignore::Warning")
def test_py_uds_reads_every_request_and_answer() -> None:
    translator = pytest.importorskip("uds.translator").BASE_TRANSLATOR
    addressing = pytest.importorskip("uds.addressing").AddressingType.PHYSICAL

    def decode(pdu):
        message = uds_message.UdsMessage(payload=list(pdu), addressing_type=addressing)
        return {info["name"]: info["raw_value"] for info in translator.decode(message)}

    for ours, _ in request_pairs().values():
        assert decode(ours)["SID"] == ours[0]
    assert decode(encode_read_request(DataIdentifier(0xF190)))["DID"] == (0xF190,)
    request = encode_download_request(DownloadRequest(memory_address=0x1000, memory_size=0x2345))
    decoded = decode(request)
    assert (decoded["memoryAddress"], decoded["memorySize"]) == (0x1000, 0x2345)
    assert decode(encode_download_answer(0xFFF))["maxNumberOfBlockLength"] == 0xFFF
    assert decode(encode_transfer_request(7, b"\xaa\xbb"))["blockSequenceCounter"] == 7
    assert (
        decode(encode_session_answer(3, SessionTiming()))["sessionParameterRecord"] == 0x003201F4
    )
    report = FaultReport(
        availability=FaultStatus(0xFF),
        faults=(FaultRecord(code=FaultCode(0x012300), status=FaultStatus(0x2F)),),
    )
    assert decode(encode_fault_report(2, report))["DTC and DTCStatus"] == (0x0123002F,)
    negative = decode(encode_negative_response(Service.WRITE_DATA_BY_IDENTIFIER, 0x78))
    assert (negative["SID"], negative["NRC"]) == (0x2E, 0x78)
