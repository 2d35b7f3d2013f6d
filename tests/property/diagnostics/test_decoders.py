"""Decoders on arbitrary bytes: an error of ours or a value, bounded memory, and round trips."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donorfit.diagnostics import doip_messages as m
from donorfit.diagnostics import fault_codes, file_transfer, transfer, uds
from donorfit.diagnostics.doip import Frame, FrameReader, HeaderFault, encode_frame
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.matching import Expectation, Match
from donorfit.diagnostics.negative_response import (
    decode_negative_response,
    describe_negative_response,
    encode_negative_response,
)
from donorfit.diagnostics.policy import DEFAULT
from donorfit.vehicle import fault_code
from donorfit.vehicle.identity import Address, DataIdentifier, FaultCode

BYTES = st.binary(max_size=300)
BYTE = st.integers(0, 255)
ADDRESSES = st.integers(0, 0xFFFF).map(Address)
MAKER = st.sampled_from([b"", b"\x01\x02\x03\x04"])

MESSAGES = st.one_of(
    st.builds(m.HeaderNegativeAcknowledge, code=BYTE),
    st.builds(m.VehicleIdentificationRequest),
    st.builds(m.VehicleIdentificationRequest, eid=st.binary(min_size=6, max_size=6)),
    st.builds(m.VehicleIdentificationRequest, vin=st.binary(min_size=17, max_size=17)),
    st.builds(
        m.VehicleAnnouncement,
        vin=st.binary(min_size=17, max_size=17),
        logical_address=ADDRESSES,
        eid=st.binary(min_size=6, max_size=6),
        gid=st.binary(min_size=6, max_size=6),
        further_action=BYTE,
        sync_status=st.none() | BYTE,
    ),
    st.builds(
        m.RoutingActivationRequest,
        source=ADDRESSES,
        activation_type=BYTE,
        maker_specific=MAKER,
    ),
    st.builds(
        m.RoutingActivationResponse,
        tester=ADDRESSES,
        entity=ADDRESSES,
        code=BYTE,
        maker_specific=MAKER,
    ),
    st.builds(m.AliveCheckRequest),
    st.builds(m.AliveCheckResponse, source=ADDRESSES),
    st.builds(m.EntityStatusRequest),
    st.builds(
        m.EntityStatusResponse,
        node_type=BYTE,
        max_sockets=BYTE,
        open_sockets=BYTE,
        max_payload_bytes=st.none() | st.integers(0, 0xFFFFFFFF),
    ),
    st.builds(m.PowerModeRequest),
    st.builds(m.PowerModeResponse, mode=BYTE),
    st.builds(m.DiagnosticMessage, source=ADDRESSES, target=ADDRESSES, pdu=BYTES),
    st.builds(
        m.DiagnosticAcknowledge, source=ADDRESSES, target=ADDRESSES, code=BYTE, previous=BYTES
    ),
    st.builds(
        m.DiagnosticNegativeAcknowledge,
        source=ADDRESSES,
        target=ADDRESSES,
        code=BYTE,
        previous=BYTES,
    ),
)


@given(MESSAGES, st.sampled_from([1, 2, 3, 4, 0xFF]))
def test_every_message_comes_back(message: m.Message, version: int) -> None:
    (frame,) = FrameReader().feed(m.encode_message(message, version))
    assert isinstance(frame, Frame)
    assert frame.version == version
    assert m.decode_message(frame) == message


@given(st.lists(MESSAGES, max_size=5), st.lists(st.integers(1, 40), min_size=1, max_size=30))
def test_pieces_of_a_stream_do_not_matter(messages, sizes) -> None:
    stream = b"".join(m.encode_message(each) for each in messages)
    whole = FrameReader().feed(stream)
    reader = FrameReader()
    found, at = [], 0
    while at < len(stream):
        size = sizes[at % len(sizes)]
        found += reader.feed(stream[at : at + size])
        at += size
    assert found == whole
    assert [m.decode_message(frame) for frame in found] == messages


@given(st.lists(BYTES, max_size=20))
def test_rubbish_in_a_stream_gives_faults_and_no_growing_memory(pieces: list[bytes]) -> None:
    reader = FrameReader(max_payload_bytes=500)
    for piece in pieces:
        for found in reader.feed(piece):
            assert isinstance(found, Frame | HeaderFault)
            if isinstance(found, Frame):
                m.decode_message(found)
        assert reader.pending_bytes <= 8 + 500


@given(st.integers(0, 0xFFFF), BYTES)
def test_any_payload_of_any_type_is_a_message_or_malformed(kind: int, payload: bytes) -> None:
    frame = Frame(version=2, payload_type=kind, payload=payload)
    try:
        message = m.decode_message(frame)
    except MalformedError:
        return
    # Reserved bytes are not kept, so only the length has to come back.
    assert len(m.encode_message(message)) == len(encode_frame(frame))


DECODERS = [
    uds.decode_session_answer,
    uds.decode_read_request,
    lambda pdu: uds.decode_read_answer(pdu, DataIdentifier(0xF190)),
    uds.decode_write_request,
    uds.decode_seed_answer,
    uds.decode_clear_request,
    uds.decode_routine_request,
    uds.decode_routine_answer,
    transfer.decode_download_request,
    transfer.decode_download_answer,
    transfer.decode_transfer_request,
    file_transfer.decode_file_request,
    lambda pdu: file_transfer.decode_file_answer(pdu, file_transfer.FileMode.REPLACE),
    lambda pdu: file_transfer.decode_file_answer(pdu, file_transfer.FileMode.RESUME),
    fault_codes.decode_fault_report,
]


@pytest.mark.parametrize("number", range(len(DECODERS)))
@given(
    first=st.sampled_from(b"\x10\x14\x22\x27\x2e\x31\x34\x36\x38\x50\x59\x62\x67\x71\x74\x78"),
    rest=BYTES,
)
def test_uds_decoders_give_a_value_or_malformed(number: int, first: int, rest: bytes) -> None:
    for pdu in (bytes((first,)) + rest, rest):
        with contextlib.suppress(MalformedError):
            DECODERS[number](pdu)


@given(st.integers(0, 0xFFFFFF).map(FaultCode))
def test_fault_code_text_comes_back(code: FaultCode) -> None:
    assert fault_code.parse_fault_code(fault_code.write_fault_code(code)) == code


@given(st.text(max_size=12))
def test_any_text_is_a_fault_code_or_a_value_error(text: str) -> None:
    try:
        code = fault_code.parse_fault_code(text)
    except ValueError:
        return
    assert fault_code.write_fault_code(code).startswith(text.strip().upper())


@given(st.integers(0, 0xFF), st.integers(0, 0xFF))
def test_negative_responses_come_back_and_are_described(service: int, code: int) -> None:
    negative = decode_negative_response(encode_negative_response(service, code))
    assert negative is not None
    assert (negative.service, negative.code) == (service, code)
    assert f"0x{code:02X}" in describe_negative_response(code)


@given(st.binary(min_size=1, max_size=20), BYTES)
def test_matching_never_fails_and_takes_its_own_answer(request: bytes, answer: bytes) -> None:
    expectation = Expectation(request, DEFAULT)
    assert isinstance(expectation.match(answer), Match)
    assert expectation.match(expectation.key + answer) is Match.POSITIVE
    if request[0] != 0x3F:
        refused = encode_negative_response(request[0], 0x31)
        assert expectation.match(refused) is Match.NEGATIVE


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_the_answer_for_another_identifier_is_somebody_elses(one: int, other: int) -> None:
    request = uds.encode_read_request(DataIdentifier(one))
    answer = uds.encode_read_answer((DataIdentifier(other), b"AB"))
    wanted = Match.POSITIVE if one == other else Match.OTHER
    assert Expectation(request, DEFAULT).match(answer) is wanted


@given(st.binary(max_size=8), st.integers(1, 8), st.integers(1, 8))
def test_download_requests_come_back(data: bytes, address_bytes: int, size_bytes: int) -> None:
    request = transfer.DownloadRequest(
        memory_address=len(data), memory_size=7, address_bytes=address_bytes, size_bytes=size_bytes
    )
    pdu = transfer.encode_download_request(request)
    assert transfer.decode_download_request(pdu) == request
