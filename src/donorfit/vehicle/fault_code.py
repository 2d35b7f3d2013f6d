"""Fault codes: their status bits, and their text as SAE J2012-DA writes it.

Two bits choose the letter P, C, B or U, two bits the first digit, and three hexadecimal digits
follow; after a hyphen stands the failure type byte.
"""

import re
from enum import IntFlag

from donorfit.vehicle.identity import FaultCode

_LETTERS = "PCBU"
_MAX_CODE = 0xFFFFFF
_TEXT = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})(?:-([0-9A-F]{2}))?")


class FaultStatus(IntFlag):
    """Status bits of one fault code (ISO 14229-1, D.2)."""

    TEST_FAILED = 0x01
    TEST_FAILED_THIS_OPERATION_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    TEST_NOT_COMPLETED_SINCE_LAST_CLEAR = 0x10
    TEST_FAILED_SINCE_LAST_CLEAR = 0x20
    TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE = 0x40
    WARNING_INDICATOR_REQUESTED = 0x80


def write_fault_code(code: FaultCode) -> str:
    """The fault code as text: 0x012300 is ``P0123-00``.

    Raises:
        ValueError: the code is not of three bytes.
    """
    if not 0 <= code <= _MAX_CODE:
        message = f"{code:#x} is not a fault code of three bytes"
        raise ValueError(message)
    return f"{_LETTERS[code >> 22]}{code >> 20 & 0b11}{code >> 8 & 0xFFF:03X}-{code & 0xFF:02X}"


def parse_fault_code(text: str) -> FaultCode:
    """The fault code behind text such as ``P0123-00``; without a failure type, type 00.

    Raises:
        ValueError: the text is no fault code.
    """
    match = _TEXT.fullmatch(text.strip().upper())
    if match is None:
        message = f"{text!r} is not a fault code written like P0123-00"
        raise ValueError(message)
    letter, digit, number, failure_type = match.groups()
    high = _LETTERS.index(letter) << 22 | int(digit) << 20 | int(number, 16) << 8
    return FaultCode(high | int(failure_type or "0", 16))
