"""Status bits of a fault code (ISO 14229-1, annex D.2) and how its text is written (SAE J2012)."""

from enum import IntFlag

STATUS_MAX = 0xFF
CODE_MAX = 0xFFFFFF
AFTER_CLEAR = 0x50
"""Status right after clearing: not tested since then, not tested in this cycle."""


class StatusBit(IntFlag):
    """The eight status bits."""

    FAILED = 0x01
    FAILED_THIS_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    NOT_COMPLETED_SINCE_CLEAR = 0x10
    FAILED_SINCE_CLEAR = 0x20
    NOT_COMPLETED_THIS_CYCLE = 0x40
    WARNING = 0x80


_EVER_FAILED = (
    StatusBit.FAILED
    | StatusBit.FAILED_THIS_CYCLE
    | StatusBit.PENDING
    | StatusBit.CONFIRMED
    | StatusBit.FAILED_SINCE_CLEAR
)
_STANDS = StatusBit.FAILED | StatusBit.FAILED_THIS_CYCLE | StatusBit.CONFIRMED


def has_failed(status: int | None) -> bool:
    """Whether the status tells of any failure; a code that was only cleared tells of none."""
    return status is not None and bool(status & _EVER_FAILED)


def stands(status: int) -> bool:
    """Whether the test fails now, failed in this cycle, or the code is stored as confirmed."""
    return bool(status & _STANDS)


def was_tested(status: int) -> bool:
    """Whether the test has run to its end in this operation cycle (bit 6 clear)."""
    return not status & StatusBit.NOT_COMPLETED_THIS_CYCLE


def is_proved_passed(status: int) -> bool:
    """Whether a cycle proves it: tested to the end (bit 6 clear) and not failed (bit 0 clear)."""
    return was_tested(status) and not stands(status)
