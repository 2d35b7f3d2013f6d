"""UDS encoders and decoders: what is refused, and what the bytes of others do not cover."""

from __future__ import annotations

import zlib

import pytest

from donorfit.diagnostics import fault_codes, transfer, uds
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import (
    decode_negative_response,
    describe_negative_response,
    name_negative_response,
)
from donorfit.vehicle import fault_code
from donorfit.vehicle.identity import DataIdentifier, FaultCode
from donorfit.vehicle.software import Digest


def h(text: str) -> bytes:
    return bytes.fromhex(text)


@pytest.mark.parametrize(
    ("decode", "pdu"),
    [
        (uds.decode_read_request, "22"),
        (uds.decode_read_request, "22F190F1"),
        (uds.decode_read_request, "2EF190"),
        (uds.decode_write_request, "2EF190"),
        (uds.decode_clear_request, "14FFFF"),
        (uds.decode_seed_answer, "67"),
        (uds.decode_seed_answer, "6702"),
        (uds.decode_routine_request, "3101FF"),
        (uds.decode_routine_answer, "7101"),
        (uds.decode_session_answer, ""),
        (transfer.decode_download_request, "3400"),
        (transfer.decode_download_request, "34004410"),
        (transfer.decode_download_request, "340004000010000000"),
        (transfer.decode_download_answer, "7420"),
        (transfer.decode_download_answer, "7400"),
        (transfer.decode_download_answer, "74200002"),
        (transfer.decode_download_answer, "7490" + "01" * 9),
        (transfer.decode_transfer_request, "36"),
        (fault_codes.decode_fault_report, "5902"),
        (fault_codes.decode_fault_report, "5902FF0123"),
        (fault_codes.decode_fault_report, "5901FF"),
    ],
)
def test_bytes_that_are_no_such_message_are_malformed(decode, pdu: str) -> None:
    with pytest.raises(MalformedError, match="cannot be read"):
        decode(h(pdu))


def test_a_read_answer_of_another_identifier_is_malformed() -> None:
    assert uds.decode_read_answer(h("62F19041"), DataIdentifier(0xF190)) == b"A"
    with pytest.raises(MalformedError, match="F187"):
        uds.decode_read_answer(h("62F19041"), DataIdentifier(0xF187))


def test_a_session_answer_without_times_has_the_default_ones() -> None:
    assert uds.decode_session_answer(h("5003")) == uds.SessionTiming()


def test_a_routine_request_hides_the_suppress_bit() -> None:
    assert uds.decode_routine_request(h("3181FF01")).action == 1


def test_status_bits_are_masked_with_the_availability_mask() -> None:
    # ISO 14229-1: bits that are not supported mean nothing (rule from memory).
    report = fault_codes.decode_fault_report(h("5902 0F 012300 FF"))
    assert report.faults[0].status == 0x0F


def test_fault_code_text_has_its_bounds() -> None:
    with pytest.raises(ValueError, match="three bytes"):
        fault_code.write_fault_code(FaultCode(0x1000000))
    for text in ("X0123-00", "P4123-00", "P01G3-00", "P0123-0", ""):
        with pytest.raises(ValueError, match="not a fault code"):
            fault_code.parse_fault_code(text)
    assert fault_code.parse_fault_code(" p0123 ") == 0x012300


def test_block_counter_goes_from_ff_to_00() -> None:
    assert transfer.next_counter(0xFF) == 0x00
    assert transfer.next_counter(0x00) == 0x01


def test_check_record_is_the_published_crc() -> None:
    # CRC-32/ISO-HDLC check value of "123456789": CBF43926 (reveng catalogue).
    assert transfer.compute_digest(Digest.CRC32, b"123456789") == h("CBF43926")
    assert transfer.compute_digest(Digest.CRC32, b"abc") == zlib.crc32(b"abc").to_bytes(4, "big")


def test_negative_responses_keep_unknown_numbers() -> None:
    assert describe_negative_response(0x21) == "NRC 0x21 busyRepeatRequest"
    assert "0xF3" in describe_negative_response(0xF3)
    assert name_negative_response(0xF3).startswith("vehicleManufacturerSpecific")
    assert "no name" in name_negative_response(0x8E)
    assert decode_negative_response(h("7F22")) is None
    assert decode_negative_response(h("62F190")) is None
    padded = decode_negative_response(h("7F2231AAAAAAAA"))
    assert padded is not None
    assert padded.code == 0x31
