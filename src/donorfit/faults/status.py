"""Status bits of a fault code (ISO 14229-1, annex D.2): what they say together."""

from donorfit.vehicle.fault_code import FaultStatus

STATUS_MAX = 0xFF
CODE_MAX = 0xFFFFFF

_EVER_FAILED = (
    FaultStatus.TEST_FAILED
    | FaultStatus.TEST_FAILED_THIS_OPERATION_CYCLE
    | FaultStatus.PENDING
    | FaultStatus.CONFIRMED
    | FaultStatus.TEST_FAILED_SINCE_LAST_CLEAR
)
_STANDS = (
    FaultStatus.TEST_FAILED | FaultStatus.TEST_FAILED_THIS_OPERATION_CYCLE | FaultStatus.CONFIRMED
)


def has_failed(status: int | None) -> bool:
    """Whether the status tells of any failure; a code that was only cleared tells of none."""
    return status is not None and bool(status & _EVER_FAILED)


def stands(status: int) -> bool:
    """Whether the test fails now, failed in this cycle, or the code is stored as confirmed."""
    return bool(status & _STANDS)


def was_tested(status: int) -> bool:
    """Whether the test has run to its end in this operation cycle (bit 6 clear)."""
    return not status & FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE


def is_proved_passed(status: int) -> bool:
    """Whether a cycle proves it: tested to the end (bit 6 clear) and not failed (bit 0 clear)."""
    return was_tested(status) and not stands(status)
