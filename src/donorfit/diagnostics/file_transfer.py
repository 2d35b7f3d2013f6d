"""UDS file transfer (ISO 14229-1:2020, service 0x38): bytes for both sides.

Only what brings a file into a unit is here: replace (0x03) and, new in the 2020 edition, resume
(0x06), whose answer says at which byte to go on.
"""

from dataclasses import dataclass
from enum import IntEnum

from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.transfer import BLOCK_OVERHEAD_BYTES

FILE_POSITION_BYTES = 8
_SERVICE = 0x38
_ANSWER = 0x78
_HEADER_BYTES = 4
_MAX_SIZE_BYTES = 8


class FileMode(IntEnum):
    """modeOfOperation."""

    ADD = 0x01
    REPLACE = 0x03
    RESUME = 0x06


_MODES = frozenset(FileMode)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRequest:
    """``38``: which file comes and how long it is.

    Attributes:
        mode: modeOfOperation.
        path: name in the unit's file system, ASCII.
        data_format: compression in the high nibble, encryption in the low one; 0 for neither.
        unpacked_bytes: length that the unit makes of it.
        packed_bytes: length as it is transferred.
    """

    mode: int
    path: str
    data_format: int = 0
    unpacked_bytes: int
    packed_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FileAnswer:
    """``78``: longest 0x36 request, service and counter included, and where to go on."""

    longest_bytes: int
    data_format: int = 0
    position: int = 0


def encode_file_request(request: FileRequest) -> bytes:
    """``38 mode length path format width unpacked packed``; sizes as short as they can be."""
    path = request.path.encode("ascii")
    largest = max(request.unpacked_bytes, request.packed_bytes, 1)
    width = (largest.bit_length() + 7) // 8
    return (
        bytes((_SERVICE, request.mode))
        + len(path).to_bytes(2, "big")
        + path
        + bytes((request.data_format, width))
        + request.unpacked_bytes.to_bytes(width, "big")
        + request.packed_bytes.to_bytes(width, "big")
    )


def decode_file_request(pdu: bytes) -> FileRequest:
    """The request; raise MalformedError where lengths do not fit or the mode is another one."""
    what = "file transfer request"
    if len(pdu) < _HEADER_BYTES or pdu[0] != _SERVICE or pdu[1] not in _MODES:
        raise MalformedError(what=what, data=pdu)
    end = _HEADER_BYTES + int.from_bytes(pdu[2:4], "big")
    path = pdu[_HEADER_BYTES:end]
    rest = pdu[end:]
    width = rest[1] if len(rest) > 1 else 0
    if not path or not path.isascii() or not width or len(rest) != 2 + 2 * width:
        raise MalformedError(what=what, data=pdu)
    return FileRequest(
        mode=pdu[1],
        path=path.decode("ascii"),
        data_format=rest[0],
        unpacked_bytes=int.from_bytes(rest[2 : 2 + width], "big"),
        packed_bytes=int.from_bytes(rest[2 + width :], "big"),
    )


def encode_file_answer(mode: int, answer: FileAnswer) -> bytes:
    """``78 mode width longest format``, and for resume the position in eight bytes."""
    width = max(2, (answer.longest_bytes.bit_length() + 7) // 8)
    head = bytes((_ANSWER, mode, width)) + answer.longest_bytes.to_bytes(width, "big")
    position = answer.position.to_bytes(FILE_POSITION_BYTES, "big")
    return head + bytes((answer.data_format,)) + (position if mode == FileMode.RESUME else b"")


def decode_file_answer(pdu: bytes, mode: int) -> FileAnswer:
    """What the unit takes, and for resume where to go on.

    Raises:
        MalformedError: not such an answer, or a length that leaves no room for data.
    """
    width = pdu[2] if len(pdu) > 2 else 0  # noqa: PLR2004 - where the width stands
    expected = 4 + width + (FILE_POSITION_BYTES if mode == FileMode.RESUME else 0)
    right = pdu[:2] == bytes((_ANSWER, mode)) and len(pdu) == expected
    if not right or not 1 <= width <= _MAX_SIZE_BYTES:
        raise MalformedError(what="answer to a file transfer request", data=pdu)
    longest = int.from_bytes(pdu[3 : 3 + width], "big")
    if longest <= BLOCK_OVERHEAD_BYTES:
        raise MalformedError(what="answer to a file transfer request", data=pdu)
    return FileAnswer(
        longest_bytes=longest,
        data_format=pdu[3 + width],
        position=int.from_bytes(pdu[4 + width :], "big"),
    )
