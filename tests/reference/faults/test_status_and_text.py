"""Status bits and code texts against published figures and an independent library.

Sources: ISO 14229-1 annex D.2 (status bits; 0x50 after clearing); SAE J2012 as restated in public
documentation of readers (0x0135 is P0135, 0x9234 is B1234); udsoncan's own status class.
"""

import pytest
from udsoncan import Dtc

from donorfit.faults import has_failed, is_proved_passed
from donorfit.vehicle.fault_code import FaultStatus, write_fault_code
from donorfit.vehicle.identity import FaultCode

pytestmark = pytest.mark.reference

BITS = {
    FaultStatus.TEST_FAILED: "test_failed",
    FaultStatus.TEST_FAILED_THIS_OPERATION_CYCLE: "test_failed_this_operation_cycle",
    FaultStatus.PENDING: "pending",
    FaultStatus.CONFIRMED: "confirmed",
    FaultStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR: "test_not_completed_since_last_clear",
    FaultStatus.TEST_FAILED_SINCE_LAST_CLEAR: "test_failed_since_last_clear",
    FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE: "test_not_completed_this_operation_cycle",
    FaultStatus.WARNING_INDICATOR_REQUESTED: "warning_indicator_requested",
}


@pytest.mark.parametrize("bit", FaultStatus)
def test_every_bit_is_where_udsoncan_has_it(bit: FaultStatus) -> None:
    assert Dtc.Status(**{BITS[bit]: True}).get_byte_as_int() == bit


@pytest.mark.parametrize("status", range(256))
def test_gone_needs_a_finished_test_that_did_not_fail(status: int) -> None:
    """ISO 14229-1 D.2 read by udsoncan: bit 6 clear, and neither failing nor stored."""
    theirs = Dtc.Status.from_byte(bytes([status]))
    passed = not (
        theirs.test_not_completed_this_operation_cycle
        or theirs.test_failed
        or theirs.test_failed_this_operation_cycle
        or theirs.confirmed
    )
    assert is_proved_passed(status) == passed


def test_after_clearing_nothing_has_failed_and_nothing_is_proved() -> None:
    after_clear = 0x50
    assert (
        after_clear
        == FaultStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR
        | FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE
    )
    assert not has_failed(after_clear)
    assert not is_proved_passed(after_clear)


@pytest.mark.parametrize(
    ("code", "text"),
    [
        (0x013500, "P0135-00"),
        (0x923400, "B1234-00"),
        (0x96A123, "B16A1-23"),
        (0xC10000, "U0100-00"),
        (0x400000, "C0000-00"),
        (0x3FFF00, "P3FFF-00"),
        (0xD2345F, "U1234-5F"),
    ],
)
def test_codes_as_text(code: int, text: str) -> None:
    assert write_fault_code(FaultCode(code)) == text
