"""0x34, 0x36, 0x37, 0x38 and 0x31 against udsoncan, py-uds (both MIT) and scapy (own process)."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

from donorfit.diagnostics.file_transfer import (
    FileAnswer,
    FileMode,
    FileRequest,
    decode_file_answer,
    decode_file_request,
    encode_file_answer,
    encode_file_request,
)
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.transfer import (
    DownloadRequest,
    compute_digest,
    encode_download_request,
    encode_exit_request,
    encode_memory_range,
    encode_transfer_request,
)
from donorfit.diagnostics.uds import Routine, encode_routine_request
from donorfit.vehicle.software import Digest

pytestmark = pytest.mark.reference

udsoncan = pytest.importorskip("udsoncan")
services = pytest.importorskip("udsoncan.services")
uds_message = pytest.importorskip("uds.message")


@pytest.fixture(scope="module")
def read_by_py_uds():
    translator = pytest.importorskip("uds.translator").BASE_TRANSLATOR
    addressing = pytest.importorskip("uds.addressing").AddressingType.PHYSICAL

    def read(pdu: bytes) -> dict[str, object]:
        message = uds_message.UdsMessage(payload=list(pdu), addressing_type=addressing)
        return {info["name"]: info["physical_value"] for info in translator.decode(message)}

    return read


DICE = random.Random(38)
PLACES = [
    (DICE.randrange(1 << (8 * a)), DICE.randrange(1, 1 << (8 * s)), a, s, DICE.randrange(256))
    for a in range(1, 6)
    for s in range(1, 6)
]


@pytest.mark.parametrize("place", PLACES)
def test_downloads_of_every_width(place, read_by_py_uds) -> None:
    address, size, address_bytes, size_bytes, data_format = place
    ours = DownloadRequest(
        memory_address=address,
        memory_size=size,
        data_format=data_format,
        address_bytes=address_bytes,
        size_bytes=size_bytes,
    )
    pdu = encode_download_request(ours)
    memory = udsoncan.MemoryLocation(
        address, size, address_format=8 * address_bytes, memorysize_format=8 * size_bytes
    )
    method = udsoncan.DataFormatIdentifier(data_format >> 4, data_format & 0xF)
    assert pdu == services.RequestDownload.make_request(memory, method).get_payload()
    read = read_by_py_uds(pdu)
    assert (read["memoryAddress"], read["memorySize"]) == (address, size)
    assert read["dataFormatIdentifier"] == data_format
    # the erase routine that ISO 14229-1 names takes the same address and size
    erase = Routine(action=1, identifier=0xFF00, record=encode_memory_range(ours))
    request = encode_routine_request(erase)
    theirs = services.RoutineControl.make_request(0xFF00, 1, pdu[2:]).get_payload()
    assert request == theirs
    assert read_by_py_uds(request)["RID"] == "eraseMemory"


FILES = [
    FileRequest(
        mode=mode,
        path=path,
        data_format=data_format,
        unpacked_bytes=unpacked,
        packed_bytes=packed,
    )
    for mode in FileMode
    for path, data_format, unpacked, packed in (
        ("/a", 0, 1, 1),
        ("/up/tow.bin", 0x11, 500, 300),
        ("C:\\x y~!", 0xA0, 0x1_0000_0000, 5),
        ("n" * 300, 0, 0xFFFF_FFFF, 0xFFFF_FFFF),
    )
]


@pytest.mark.parametrize("request_", FILES)
def test_file_requests(request_, read_by_py_uds) -> None:
    pdu = encode_file_request(request_)
    size = udsoncan.Filesize(
        uncompressed=request_.unpacked_bytes, compressed=request_.packed_bytes
    )
    method = udsoncan.DataFormatIdentifier(request_.data_format >> 4, request_.data_format & 0xF)
    theirs = services.RequestFileTransfer.make_request(
        int(request_.mode), request_.path, method, size
    )
    assert pdu == theirs.get_payload()
    assert decode_file_request(pdu) == request_
    read = read_by_py_uds(pdu)
    assert read["filePathAndName"] == request_.path
    assert read["fileSizeUnCompressed"] == request_.unpacked_bytes
    assert read["fileSizeCompressed"] == request_.packed_bytes


@pytest.mark.parametrize("mode", list(FileMode))
@pytest.mark.parametrize("longest", [3, 0x102, 0xFFF, 0x12345])
@pytest.mark.parametrize("position", [0, 1, 0x80, 0x7FFF_FFFF_FFFF_FFFF])
def test_file_answers(mode, longest, position, read_by_py_uds) -> None:
    at = position if mode is FileMode.RESUME else 0
    answer = FileAnswer(longest_bytes=longest, data_format=0x11, position=at)
    pdu = encode_file_answer(mode, answer)
    assert decode_file_answer(pdu, mode) == answer
    theirs = services.RequestFileTransfer.interpret_response(udsoncan.Response.from_payload(pdu))
    data = theirs.service_data
    assert (data.moop_echo, data.max_length) == (mode, longest)
    assert data.dfi.get_byte_as_int() == 0x11
    read = read_by_py_uds(pdu)
    assert read["maxNumberOfBlockLength"] == longest
    if mode is FileMode.RESUME:
        assert data.fileposition == position == read["filePosition"]
        # the edition of 2020 gives the position eight bytes
        assert pdu.endswith(position.to_bytes(8, "big"))


@pytest.mark.parametrize("cut", range(13))
def test_a_file_answer_that_ends_early_is_none(cut) -> None:
    whole = encode_file_answer(FileMode.RESUME, FileAnswer(longest_bytes=0xFFF, position=5))
    assert len(whole) == 14
    with pytest.raises(MalformedError):
        decode_file_answer(whole[:cut], FileMode.RESUME)
    with pytest.raises(MalformedError):
        decode_file_answer(whole, FileMode.REPLACE)


def test_blocks_and_exits(read_by_py_uds) -> None:
    digest = compute_digest(Digest.CRC32, b"123456789")
    assert (
        encode_exit_request(digest)
        == services.RequestTransferExit.make_request(digest).get_payload()
    )
    assert bytes(read_by_py_uds(encode_exit_request(digest))["transferRequestParameter"]) == digest
    block = encode_transfer_request(0, b"\x01\x02")
    assert block == services.TransferData.make_request(0, b"\x01\x02").get_payload()
    dependencies = encode_routine_request(Routine(action=1, identifier=0xFF01))
    assert read_by_py_uds(dependencies)["RID"] == "checkProgrammingDependencies"


def test_digests() -> None:
    """Check values over 123456789 from the catalogue of parametrised CRC algorithms."""
    data = b"123456789"
    assert compute_digest(Digest.CRC32, data).hex() == "cbf43926"
    assert compute_digest(Digest.CRC32, data) == zlib.crc32(data).to_bytes(4, "big")
    assert compute_digest(Digest.CRC16, data).hex() == "29b1"
    # FIPS 180-4, example of NIST: the three letters abc
    assert compute_digest(Digest.SHA256, b"abc").hex().startswith("ba7816bf8f01cfea")
    assert compute_digest(Digest.NONE, data) == b""


def test_scapy_reads_the_same() -> None:
    """GPL-2.0-only, so in a process of its own."""
    frames = {
        f"34 {number}": encode_download_request(
            DownloadRequest(
                memory_address=address,
                memory_size=size,
                data_format=data_format,
                address_bytes=address_bytes,
                size_bytes=size_bytes,
            )
        )
        # scapy knows addresses and sizes of one to four bytes
        for number, (address, size, address_bytes, size_bytes, data_format) in enumerate(PLACES)
        if address_bytes < 5 and size_bytes < 5
    }
    frames |= {f"38 {number}": encode_file_request(each) for number, each in enumerate(FILES)}
    frames["36"] = encode_transfer_request(7, b"\xaa")
    frames["37"] = encode_exit_request(b"\x01\x02\x03\x04")
    frames["31"] = encode_routine_request(Routine(action=1, identifier=0xFF00, record=b"\x44"))
    run = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("scapy_transfer.py"))],
        input=json.dumps({name: pdu.hex() for name, pdu in frames.items()}),
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    if run.returncode == 77:
        pytest.skip("needs scapy")
    assert run.returncode == 0, run.stderr
    found = json.loads(run.stdout)
    assert {name: each["again"] for name, each in found.items()} == {
        name: pdu.hex() for name, pdu in frames.items()
    }
    for number, (address, size, address_bytes, size_bytes, _) in enumerate(PLACES):
        if address_bytes < 5 and size_bytes < 5:
            fields = found[f"34 {number}"]["fields"]
            assert fields[f"memoryAddress{address_bytes}"] == address
            assert fields[f"memorySize{size_bytes}"] == size
    assert found["36"]["fields"]["blockSequenceCounter"] == 7
    assert found["31"]["fields"]["routineIdentifier"] == 0xFF00
    for number, each in enumerate(FILES):
        fields = found[f"38 {number}"]["fields"]
        assert bytes.fromhex(fields["filePathAndName"]).decode() == each.path
        assert int(fields["modeOfOperation"]) == each.mode
