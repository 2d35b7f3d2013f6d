"""UDS download (ISO 14229-1:2020, services 0x34, 0x36, 0x37): bytes for both sides."""

import binascii
import hashlib
import zlib
from dataclasses import dataclass

from donorfit.diagnostics.malformed import MalformedError
from donorfit.vehicle.software import Digest

BLOCK_OVERHEAD_BYTES = 2
"""Service identifier and block counter: maxNumberOfBlockLength counts them too."""
FIRST_BLOCK = 0x01
LAST_COUNTER = 0xFF
"""The block counter after this one is 0x00."""

_DOWNLOAD_HEADER_BYTES = 3
_MAX_SIZE_BYTES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class DownloadRequest:
    """``34``: where the data goes and how much there is.

    Attributes:
        memory_address: first address.
        memory_size: bytes before compression.
        data_format: compression in the high nibble, encryption in the low one; 0 for neither.
        address_bytes: bytes that the address takes in the request.
        size_bytes: bytes that the size takes in the request.
    """

    memory_address: int
    memory_size: int
    data_format: int = 0
    address_bytes: int = 4
    size_bytes: int = 4


def encode_download_request(request: DownloadRequest) -> bytes:
    """``34 format lengths address size``."""
    return bytes((0x34, request.data_format)) + encode_memory_range(request)


def encode_memory_range(request: DownloadRequest) -> bytes:
    """``lengths address size``, as in 0x34; also the usual option record of an erase routine."""
    lengths = request.size_bytes << 4 | request.address_bytes
    return (
        bytes((lengths,))
        + request.memory_address.to_bytes(request.address_bytes, "big")
        + request.memory_size.to_bytes(request.size_bytes, "big")
    )


def decode_download_request(pdu: bytes) -> DownloadRequest:
    """The request; raise MalformedError where the lengths do not fit the bytes."""
    if len(pdu) < _DOWNLOAD_HEADER_BYTES or pdu[0] != 0x34:  # noqa: PLR2004 - the service
        raise MalformedError(what="download request", data=pdu)
    size_bytes, address_bytes = pdu[2] >> 4, pdu[2] & 0x0F
    if not size_bytes or not address_bytes or len(pdu) != 3 + address_bytes + size_bytes:
        raise MalformedError(what="download request", data=pdu)
    return DownloadRequest(
        data_format=pdu[1],
        memory_address=int.from_bytes(pdu[3 : 3 + address_bytes], "big"),
        memory_size=int.from_bytes(pdu[3 + address_bytes :], "big"),
        address_bytes=address_bytes,
        size_bytes=size_bytes,
    )


def encode_download_answer(max_block_bytes: int) -> bytes:
    """``74`` with the longest 0x36 request, service identifier and counter included."""
    size = max(2, (max_block_bytes.bit_length() + 7) // 8)
    return bytes((0x74, size << 4)) + max_block_bytes.to_bytes(size, "big")


def decode_download_answer(pdu: bytes) -> int:
    """Longest 0x36 request, service identifier and counter included.

    Raises:
        MalformedError: not such an answer, or a length that leaves no room for data.
    """
    size = pdu[1] >> 4 if len(pdu) > 1 else 0
    if not pdu or pdu[0] != 0x74 or not 1 <= size <= _MAX_SIZE_BYTES or len(pdu) != 2 + size:  # noqa: PLR2004
        raise MalformedError(what="answer to a download request", data=pdu)
    length = int.from_bytes(pdu[2:], "big")
    if length <= BLOCK_OVERHEAD_BYTES:
        raise MalformedError(what="answer to a download request", data=pdu)
    return length


def encode_transfer_request(counter: int, data: bytes) -> bytes:
    """``36 counter data``."""
    return b"\x36" + bytes((counter,)) + data


def decode_transfer_request(pdu: bytes) -> tuple[int, bytes]:
    """Counter and data."""
    if len(pdu) < BLOCK_OVERHEAD_BYTES or pdu[0] != 0x36:  # noqa: PLR2004 - the service
        raise MalformedError(what="block of a download", data=pdu)
    return pdu[1], pdu[2:]


def encode_transfer_answer(counter: int) -> bytes:
    """``76 counter``."""
    return bytes((0x76, counter))


def next_counter(counter: int) -> int:
    """The block counter after this one: 0xFF is followed by 0x00."""
    return (counter + 1) & LAST_COUNTER


def encode_exit_request(record: bytes = b"") -> bytes:
    """``37`` with what the unit wants to compare, in a form of its own."""
    return b"\x37" + record


def encode_exit_answer(record: bytes = b"") -> bytes:
    """``77`` with what the unit says of it."""
    return b"\x77" + record


def compute_digest(kind: Digest, data: bytes) -> bytes:
    """What a unit compares received bytes with, big endian.

    CRC-32 is that of IEEE 802.3, as in zlib; CRC-16 has the polynomial 0x1021 and starts with
    0xFFFF, without reflection (catalogue of parametrised CRC algorithms, CRC-16/IBM-3740).
    """
    match kind:
        case Digest.NONE:
            return b""
        case Digest.CRC32:
            return zlib.crc32(data).to_bytes(4, "big")
        case Digest.CRC16:
            return binascii.crc_hqx(data, 0xFFFF).to_bytes(2, "big")
        case Digest.SHA256:
            return hashlib.sha256(data).digest()
