"""What the parts of a fault code say by themselves: area, who defined it, failure type.

Sources: the ranges stand in two open handbooks of code readers and in a trade forum's copy of the
standard's table, which agree but for B3, C3 and U3 (two say standard, one reserved); the failure
types stand in two open tables (a club's list and a test table of an open project) that agree with
each other, 0x88 in a repair manual's text on U0010-88. The standards themselves (SAE J2012,
J2012-DA, ISO 15031-6) were not read. The wording is ours.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from donorfit.faults.status import CODE_MAX
from donorfit.vehicle.fault_code import FaultStatus, write_fault_code
from donorfit.vehicle.identity import FaultCode


class CodeOwner(Enum):
    """Who says what a code means."""

    STANDARD = "standard"
    MAKER = "maker"
    DISPUTED = "standard or reserved, the tables disagree"


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeWords:
    """A fault code in words.

    Attributes:
        code: the three bytes.
        text: as SAE J2012 writes it.
        area: powertrain, chassis, body or network.
        owner: who defined its number.
        failure_type: what the third byte says; a statement that it is not known otherwise.
    """

    code: FaultCode
    text: str
    area: str
    owner: CodeOwner
    failure_type: str


_AREAS = ("powertrain", "chassis", "body", "network")
_STANDARD_FROM = 0x3400
"""From P3400 on the standard defines P3 codes; below, the maker."""

FAILURE_GROUPS: Mapping[int, str] = MappingProxyType(
    {
        0: "general",
        1: "circuit",
        2: "signal shape",
        3: "pulses and frequency",
        4: "inside the unit",
        5: "software and set-up",
        6: "plausibility",
        7: "mechanical",
        8: "message or bus",
        9: "component",
    }
)
"""What the first half of the failure type byte says."""

FAILURE_TYPES: Mapping[int, str] = MappingProxyType(
    {
        0x00: "no failure type given",
        0x01: "electrical, not said which",
        0x02: "signal, not said which",
        0x03: "frequency or pulse width",
        0x04: "inside the unit",
        0x05: "programming of the system",
        0x06: "found by an algorithm",
        0x07: "mechanical, not said which",
        0x08: "bus signal or message",
        0x09: "component, not said which",
        0x11: "short to ground",
        0x12: "short to battery",
        0x13: "open circuit",
        0x14: "short to ground, or open",
        0x15: "short to battery, or open",
        0x16: "voltage too low",
        0x17: "voltage too high",
        0x18: "current too low",
        0x19: "current too high",
        0x1A: "resistance too low",
        0x1B: "resistance too high",
        0x1C: "voltage outside its range",
        0x1D: "current outside its range",
        0x1E: "resistance outside its range",
        0x1F: "contact comes and goes",
        0x21: "amplitude too small",
        0x22: "amplitude too large",
        0x23: "signal stays low",
        0x24: "signal stays high",
        0x25: "wrong wave form",
        0x26: "signal changes too slowly",
        0x27: "signal changes too fast",
        0x28: "zero point or bias is off",
        0x29: "signal not valid",
        0x2A: "signal does not move",
        0x2B: "signals couple into each other",
        0x2F: "signal erratic",
        0x31: "no signal",
        0x32: "low time too short",
        0x33: "low time too long",
        0x34: "high time too short",
        0x35: "high time too long",
        0x36: "frequency too low",
        0x37: "frequency too high",
        0x38: "wrong frequency",
        0x39: "too few pulses",
        0x3A: "too many pulses",
        0x41: "checksum",
        0x42: "memory",
        0x43: "special memory",
        0x44: "data memory",
        0x45: "program memory",
        0x46: "calibration memory",
        0x47: "watchdog or safety processor",
        0x48: "supervising software",
        0x49: "internal electronics",
        0x4A: "wrong part fitted",
        0x4B: "too hot",
        0x51: "not programmed",
        0x52: "not activated",
        0x53: "deactivated",
        0x54: "calibration missing",
        0x55: "not configured",
        0x61: "calculated signal wrong",
        0x62: "compared signals differ",
        0x63: "protection timed out",
        0x64: "signal not plausible",
        0x65: "too few transitions or events",
        0x66: "too many transitions or events",
        0x67: "signal wrong after an event",
        0x76: "mounted wrongly",
        0x79: "linkage",
        0x7B: "fluid too low",
        0x81: "serial data not valid",
        0x83: "protection of the signal wrong",
        0x84: "signal below its range",
        0x85: "signal above its range",
        0x86: "signal not valid",
        0x87: "message missing",
        0x88: "bus off",
        0x91: "a parameter is off",
        0x92: "works wrongly",
        0x93: "does not work",
        0x94: "works when it should not",
    }
)
"""Failure type byte, the third byte of a code, in our words."""

STATUS_WORDS: Mapping[FaultStatus, str] = MappingProxyType(
    {
        FaultStatus.TEST_FAILED: "fails now",
        FaultStatus.TEST_FAILED_THIS_OPERATION_CYCLE: "failed in this cycle",
        FaultStatus.PENDING: "pending",
        FaultStatus.CONFIRMED: "confirmed",
        FaultStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR: "not tested since clearing",
        FaultStatus.TEST_FAILED_SINCE_LAST_CLEAR: "failed since clearing",
        FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE: "not tested in this cycle",
        FaultStatus.WARNING_INDICATOR_REQUESTED: "asks for the warning lamp",
    }
)
"""The eight bits of ISO 14229-1, annex D.2, in our words."""


def word_code(code: FaultCode) -> CodeWords:
    """Say what a code's parts mean.

    Raises:
        ValueError: the code is not of three bytes.
    """
    return CodeWords(
        code=code,
        text=write_fault_code(code),
        area=_AREAS[code >> 22],
        owner=_find_owner(code),
        failure_type=word_failure_type(code & 0xFF),
    )


def _find_owner(code: FaultCode) -> CodeOwner:
    letter, digit = code >> 22, code >> 20 & 0b11
    if digit == 0:
        return CodeOwner.STANDARD
    powertrain = letter == 0
    if digit == 1 or (digit == 2 and not powertrain):  # noqa: PLR2004 - the digit as written
        return CodeOwner.MAKER
    if not powertrain:
        return CodeOwner.DISPUTED
    below = code >> 8 < _STANDARD_FROM and digit == 3  # noqa: PLR2004 - the digit as written
    return CodeOwner.MAKER if below else CodeOwner.STANDARD


def word_failure_type(failure_type: int) -> str:
    """What a failure type byte says; its group where only that is known."""
    known = FAILURE_TYPES.get(failure_type)
    if known is not None:
        return known
    group = FAILURE_GROUPS.get(failure_type >> 4)
    if group is None:
        return f"0x{failure_type:02X}, which no table read here names"
    return f"0x{failure_type:02X}, group {group}"


def word_status(status: int, availability: int = 0xFF) -> tuple[str, ...]:
    """The bits of a status that are set and that the unit supports, in words."""
    usable = status & availability
    return tuple(words for bit, words in STATUS_WORDS.items() if usable & bit)


def is_code(code: int) -> bool:
    """Whether a number can be a fault code of three bytes; 0 is none."""
    return 0 < code <= CODE_MAX
