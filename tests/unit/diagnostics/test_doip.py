"""DoIP frames out of a stream: pieces, faults, bounds. Rules: ISO 13400-2, header handler."""

from __future__ import annotations

import pytest

from donorfit.diagnostics.doip import (
    Frame,
    FrameReader,
    HeaderFault,
    encode_diagnostic_message,
    encode_frame,
)
from donorfit.diagnostics.doip_codes import (
    ActivationCode,
    HeaderNack,
    PayloadType,
    describe_activation,
    describe_diagnostic_nack,
)
from donorfit.diagnostics.doip_messages import (
    DiagnosticMessage,
    decode_message,
    encode_message,
)
from donorfit.diagnostics.malformed import MalformedError
from donorfit.vehicle.identity import Address

MESSAGE = encode_message(
    DiagnosticMessage(source=Address(0x0E80), target=Address(0x1071), pdu=b"\x22\xf1\x90")
)


def test_bytes_one_by_one_give_the_same_frames() -> None:
    reader = FrameReader()
    found = [frame for byte in MESSAGE * 3 for frame in reader.feed(bytes((byte,)))]
    assert found == FrameReader().feed(MESSAGE) * 3
    assert reader.pending_bytes == 0


def test_the_short_way_writes_the_same_bytes() -> None:
    short = encode_diagnostic_message(2, Address(0x0E80), Address(0x1071), b"\x22\xf1\x90")
    assert short == MESSAGE


@pytest.mark.parametrize(
    ("header", "reason"),
    [
        ("02FE800100000007", HeaderNack.INCORRECT_PATTERN_FORMAT),
        ("0000800100000007", HeaderNack.INCORRECT_PATTERN_FORMAT),
        ("48B7800100000007", HeaderNack.INCORRECT_PATTERN_FORMAT),
        ("02FD123400000002", HeaderNack.UNKNOWN_PAYLOAD_TYPE),
        ("02FD8001FFFFFFFF", HeaderNack.MESSAGE_TOO_LARGE),
        ("02FD000700000001", HeaderNack.INVALID_PAYLOAD_LENGTH),
        ("02FD000500000008", HeaderNack.INVALID_PAYLOAD_LENGTH),
        ("02FD800100000003", HeaderNack.INVALID_PAYLOAD_LENGTH),
        ("02FD800200000004", HeaderNack.INVALID_PAYLOAD_LENGTH),
    ],
)
def test_each_header_fault_has_its_reason(header: str, reason: HeaderNack) -> None:
    (fault,) = FrameReader().feed(bytes.fromhex(header))
    assert fault == HeaderFault(reason=reason, header=bytes.fromhex(header))


def test_only_pattern_and_length_close_the_connection() -> None:
    closing = {reason for reason in HeaderNack if reason.closes_connection}
    assert closing == {HeaderNack.INCORRECT_PATTERN_FORMAT, HeaderNack.INVALID_PAYLOAD_LENGTH}


def test_after_a_discarded_frame_the_next_one_is_found() -> None:
    reader = FrameReader(max_payload_bytes=64)
    unknown = bytes.fromhex("02FD123400000002AABB")
    large = bytes.fromhex("02FD800100000100") + bytes(0x100)
    found = reader.feed(unknown + large[:50])
    found += reader.feed(large[50:] + MESSAGE)
    assert [type(each) for each in found] == [HeaderFault, HeaderFault, Frame]


def test_a_large_frame_that_is_discarded_is_not_kept() -> None:
    reader = FrameReader(max_payload_bytes=64)
    reader.feed(bytes.fromhex("02FD8001 7FFFFFFF"))
    for _ in range(100):
        assert reader.feed(bytes(65536)) == []
        assert reader.pending_bytes == 0


def test_nothing_is_read_after_a_fault_that_closes() -> None:
    reader = FrameReader()
    reader.feed(bytes(8))
    assert reader.broken
    assert reader.feed(MESSAGE) == []
    assert reader.pending_bytes == 0


def test_a_diagnostic_message_may_be_empty_on_the_wire() -> None:
    # Seen in recorded traffic.
    (frame,) = FrameReader().feed(bytes.fromhex("02FD8001000000040E801071"))
    assert isinstance(frame, Frame)
    message = decode_message(frame)
    assert isinstance(message, DiagnosticMessage)
    assert message.pdu == b""


def test_a_payload_of_the_wrong_size_is_malformed() -> None:
    frame = Frame(version=2, payload_type=PayloadType.ALIVE_CHECK_RESPONSE, payload=b"\x0e")
    with pytest.raises(MalformedError, match="0E"):
        decode_message(frame)
    with pytest.raises(MalformedError):
        decode_message(Frame(version=2, payload_type=0x7777, payload=b""))
    assert FrameReader().feed(encode_frame(frame))[0].reason is HeaderNack.INVALID_PAYLOAD_LENGTH


def test_codes_are_described_with_their_number() -> None:
    for code in ActivationCode:
        assert f"0x{code:02X}: {code.meaning}" in describe_activation(code)
    assert "reserved" in describe_activation(0x42)
    assert "target unreachable" in describe_diagnostic_nack(6)
    assert "0x42" in describe_diagnostic_nack(0x42)
