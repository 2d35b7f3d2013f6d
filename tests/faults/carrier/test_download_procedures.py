"""The bytes of every way to bring software in, and answers that do not agree."""

from __future__ import annotations

import binascii
import hashlib
import zlib
from dataclasses import replace

import pytest
from scripted_car import Bench, Script, answer_plainly, download, h

from donorfit.diagnostics.conversation import Answered, NotSent, Refused, Unknown
from donorfit.vehicle.software import (
    CheckScope,
    Digest,
    DownloadProcedure,
    EraseRecord,
    SegmentPlace,
)

DATA = download(20).data
TWO = (
    SegmentPlace(address=0x12_3456_7800, size_bytes=12, unpacked_bytes=0x300),
    SegmentPlace(address=0x20, size_bytes=8),
)
REFUSED = [Refused(code=0x72, erased=True)]


def answer(pdu: bytes) -> bytes | None:
    if pdu[0] == 0x38:
        tail = bytes(8) if pdu[1] == 6 else b""
        return b"\x78" + pdu[1:2] + h("020012") + b"\x00" + tail
    return answer_plainly(pdu)


def run(procedure: DownloadProcedure, *entries, resume: bool = False, **ask):
    car = Script(list(entries), otherwise=answer)
    outcomes, _ = Bench(car).run(replace(download(20), procedure=procedure, resume=resume, **ask))
    return outcomes, [pdu for _, pdu in car.requests if pdu[0] in {0x31, 0x34, 0x36, 0x37, 0x38}]


def hexes(requests):
    return [pdu.hex() for pdu in requests]


def test_pieces_with_everything():
    procedure = DownloadProcedure(
        segments=TWO,
        data_format=0x21,
        address_bytes=5,
        length_bytes=2,
        routine_erase=0xFF00,
        exit_digest=Digest.CRC16,
        check_digest=Digest.SHA256,
        check_scope=CheckScope.SEGMENT,
        routine_dependencies=0xFF01,
    )
    outcomes, requests = run(procedure)
    assert outcomes == [Answered(pdu=b"")]
    wanted = []
    for place, data in ((TWO[0], DATA[:12]), (TWO[1], DATA[12:])):
        lengths = "25" + place.address.to_bytes(5, "big").hex()
        lengths += place.memory_bytes.to_bytes(2, "big").hex()
        wanted += [
            "3101ff00" + lengths,
            "3421" + lengths,
            "3601" + data.hex(),
            "37" + binascii.crc_hqx(data, 0xFFFF).to_bytes(2, "big").hex(),
            "3101ff01" + hashlib.sha256(data).hexdigest(),
        ]
    assert hexes(requests) == [*wanted, "3101ff01"]


def test_the_least():
    procedure = DownloadProcedure(
        address_bytes=2, length_bytes=1, check_digest=Digest.NONE, good_status=b""
    )
    outcomes, requests = run(procedure, ("3101", [(0.001, "7101FF01")]))
    assert outcomes == [Answered(pdu=b"")]
    assert hexes(requests) == [
        "340012100014", "3601" + DATA[:16].hex(), "3602" + DATA[16:].hex(), "37", "3101ff01",
    ]  # fmt: skip
    outcomes, requests = run(DownloadProcedure(), routine_check=0)
    assert outcomes == [Answered(pdu=b"")]
    assert not [pdu for pdu in requests if pdu[0] == 0x31]


def test_an_erase_without_place():
    procedure = DownloadProcedure(routine_erase=0xFF00, erase_record=EraseRecord.NONE)
    _, requests = run(procedure)
    assert hexes(requests)[0] == "3101ff00"


def test_all_pieces_are_checked_together():
    _, requests = run(DownloadProcedure(segments=TWO, address_bytes=5))
    checks = [pdu for pdu in requests if pdu[0] == 0x31]
    assert checks == [h("3101ff01") + zlib.crc32(DATA).to_bytes(4, "big")]


FILE = DownloadProcedure(file_path="/up/x", resumable=True)


def test_a_file():
    outcomes, requests = run(FILE)
    assert outcomes == [Answered(pdu=b"")]
    assert hexes(requests)[0] == "38030005" + b"/up/x".hex() + "0001" + "1414"


@pytest.mark.parametrize(
    ("position", "sent"), [(0, DATA), (1, DATA[1:]), (16, DATA[16:]), (20, b"")]
)
def test_a_file_goes_on_at_its_position(position, sent):
    entry = ("3806", [(0.001, "7806020012" + "00" + f"{position:016x}")])
    outcomes, requests = run(FILE, entry, resume=True)
    assert outcomes == [Answered(pdu=b"")]
    blocks = [pdu for pdu in requests if pdu[0] == 0x36]
    assert b"".join(pdu[2:] for pdu in blocks) == sent
    assert [pdu[1] for pdu in blocks] == list(range(1, len(blocks) + 1))
    # the check covers the whole file
    assert requests[-1][4:] == zlib.crc32(DATA).to_bytes(4, "big")


@pytest.mark.parametrize("code", ["11", "12", "31", "22"])
def test_a_unit_that_does_not_resume_gets_the_whole_file(code):
    outcomes, requests = run(FILE, ("3806", [(0.001, f"7F38{code}")]), resume=True)
    assert outcomes == [Answered(pdu=b"")]
    assert [pdu[1] for pdu in requests if pdu[0] == 0x38] == [6, 3]


@pytest.mark.parametrize(
    "reply",
    ["7806020012" + "00" + f"{21:016x}", "7806020012" + "00" + "ff" * 8, "7806", "780602001200"],
)
def test_an_absurd_answer_to_a_resumption_transfers_nothing(reply):
    outcomes, requests = run(FILE, ("3806", [(0.001, reply)]), resume=True)
    assert isinstance(outcomes[0], Unknown)
    assert not [pdu for pdu in requests if pdu[0] == 0x36]


def test_a_unit_that_does_not_offer_it_is_not_asked_to_resume():
    _, requests = run(replace(FILE, resumable=False), resume=True)
    assert [pdu[1] for pdu in requests if pdu[0] == 0x38] == [3]
    _, requests = run(DownloadProcedure(), resume=True)
    assert not [pdu for pdu in requests if pdu[0] == 0x38]


@pytest.mark.parametrize(("told", "good"), [("77", True), ("7701", True), ("77FFFFFFFF", False)])
def test_an_exit_with_another_digest_is_no_success(told, good):
    procedure = DownloadProcedure(exit_digest=Digest.CRC32)
    outcomes, _ = run(procedure, ("37", [(0.001, told)]))
    assert outcomes == ([Answered(pdu=b"")] if good else REFUSED)


@pytest.mark.parametrize(
    ("good_status", "status", "good"),
    [(b"\x00", "00", True), (b"\x00", "01", False), (b"\x00", "", False), (b"", "", True),
     (b"\x10\x01", "100105", True), (b"\x10\x01", "10", False)],
)  # fmt: skip
def test_what_a_routine_says_when_it_agrees_is_data(good_status, status, good):
    procedure = DownloadProcedure(good_status=good_status)
    outcomes, _ = run(procedure, ("3101FF01", [(0.001, "7101FF01" + status)]))
    assert outcomes == ([Answered(pdu=b"")] if good else REFUSED)


def test_dependencies_that_disagree_are_no_success():
    procedure = DownloadProcedure(routine_dependencies=0xFF02)
    outcomes, _ = run(procedure, ("3101FF02", [(0.001, "7101FF0205")]))
    assert outcomes == REFUSED


def test_pieces_that_are_not_the_data_send_nothing():
    outcomes, requests = run(DownloadProcedure(segments=TWO[:1]))
    assert isinstance(outcomes[0], NotSent)
    assert requests == []


@pytest.mark.parametrize("begin", ["3101FF00", "34"])
def test_the_second_piece_does_not_enter_a_lost_session_behind_its_back(begin):
    procedure = DownloadProcedure(segments=TWO, address_bytes=5, routine_erase=0xFF00)
    service = begin[:2]
    plain = {"31": "7101FF0000", "34": "74200012"}[service]
    entries = [(begin, [(0.001, plain)]), (begin, [(0.001, f"7F{service}7F")])]
    outcomes, requests = run(procedure, *entries)
    assert outcomes == [Answered(pdu=b"")]
    # after the refusal the first piece is erased again, not the second one gone on with
    erased = [pdu[5:10].hex() for pdu in requests if pdu.startswith(h("3101FF00"))]
    first, second = (place.address.to_bytes(5, "big").hex() for place in TWO)
    assert erased == [first, second, first, second]


def test_what_the_unit_broke_off_is_not_resumed_but_sent_whole():
    entries = [
        ("3806", [(0.001, "7806020012" + "00" + f"{16:016x}")]),
        ("36", [(0.001, "7F3672")]),
    ]
    outcomes, requests = run(FILE, *entries, resume=True)
    assert outcomes == [Answered(pdu=b"")]
    assert [pdu[1] for pdu in requests if pdu[0] == 0x38] == [6, 3]
    assert b"".join(pdu[2:] for pdu in requests if pdu[0] == 0x36).endswith(DATA)


@pytest.mark.parametrize("code", ["22", "72"])
def test_an_erase_that_was_begun_and_then_refused_may_have_erased(code):
    # 0x78 says that the unit took the request and works on it: what it has erased by then is gone.
    procedure = DownloadProcedure(routine_erase=0xFF00)
    answers = [(0.001, "7F3178"), (0.5, f"7F31{code}")]
    outcomes, requests = run(procedure, ("3101FF00", answers))
    assert outcomes == [Refused(code=int(code, 16), erased=True)]
    assert len(requests) == 1


def test_an_erase_that_failed_may_have_erased():
    # generalProgrammingFailure: the unit met an error while it erased (ISO 14229-1, table A.1).
    procedure = DownloadProcedure(routine_erase=0xFF00)
    outcomes, _ = run(procedure, ("3101FF00", [(0.001, "7F3172")]))
    assert outcomes == REFUSED


@pytest.mark.parametrize("request_", ["34", "38"])
def test_a_transfer_whose_opening_was_begun_and_then_refused_may_have_erased(request_):
    # Many units erase where the transfer is asked for.
    procedure = DownloadProcedure(file_path="A" if request_ == "38" else "")
    answers = [(0.001, f"7F{request_}78"), (0.5, f"7F{request_}31")]
    outcomes, _ = run(procedure, (request_, answers))
    assert outcomes == [Refused(code=0x31, erased=True)]


def test_what_was_refused_at_once_has_erased_nothing():
    procedure = DownloadProcedure(routine_erase=0xFF00)
    outcomes, _ = run(procedure, ("3101FF00", [(0.001, "7F3122")]))
    assert outcomes == [Refused(code=0x22)]
