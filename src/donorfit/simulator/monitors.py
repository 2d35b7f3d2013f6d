"""The tests behind fault codes, and the status byte they leave (ISO 14229-1, D.2).

Pure functions from one :class:`~donorfit.simulator.state.FaultState` to the next.
"""

from dataclasses import replace

from donorfit.diagnostics.fault_codes import FaultStatus as Bit
from donorfit.simulator.causes import Stored
from donorfit.simulator.scenario import FaultTruth, MonitorRuns
from donorfit.simulator.state import NEVER_S, FaultState

SHORTEST_TEST_S = 1e-6
CLEARED = int(
    Bit.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR | Bit.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE
)
LONG_FAILED = int(
    Bit.TEST_FAILED
    | Bit.TEST_FAILED_THIS_OPERATION_CYCLE
    | Bit.PENDING
    | Bit.CONFIRMED
    | Bit.TEST_FAILED_SINCE_LAST_CLEAR
)
LONG_STORED = int(Bit.CONFIRMED | Bit.TEST_FAILED_SINCE_LAST_CLEAR)


def begin(truth: FaultTruth, *, failed: bool, now_s: float, pace: float) -> FaultState:
    """A fault code in a car whose tests have run for long."""
    status = LONG_FAILED if failed else LONG_STORED if isinstance(truth.cause, Stored) else 0
    if failed and truth.warning:
        status |= Bit.WARNING_INDICATOR_REQUESTED
    if truth.status is not None:
        status = truth.status
    again = truth.runs is MonitorRuns.CONTINUOUSLY
    return FaultState(
        status=int(status),
        due_s=now_s + _period_s(truth, pace) if again else NEVER_S,
        failed_cycles=truth.confirm_cycles if failed else 0,
    )


def clear(truth: FaultTruth, fault: FaultState, *, now_s: float, pace: float) -> FaultState:
    """After service 0x14: nothing known, the test runs again in its time."""
    again = truth.runs is MonitorRuns.CONTINUOUSLY
    return replace(
        fault,
        status=CLEARED,
        failed_cycles=0,
        seen_low=False,
        due_s=now_s + _period_s(truth, pace) if again else NEVER_S,
    )


def begin_cycle(truth: FaultTruth, fault: FaultState, *, now_s: float, pace: float) -> FaultState:
    """A new operation cycle: bit 1 falls, bit 6 rises; pending falls after a cycle that passed."""
    status = fault.status
    tested = not status & Bit.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE
    failed = bool(status & Bit.TEST_FAILED_THIS_OPERATION_CYCLE)
    if tested and not failed:
        status &= ~Bit.PENDING
    status &= ~Bit.TEST_FAILED_THIS_OPERATION_CYCLE
    status |= Bit.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE
    return replace(
        fault,
        status=int(status) & 0xFF,
        failed_cycles=0 if tested and not failed else fault.failed_cycles,
        due_s=now_s + _period_s(truth, pace),
    )


def run_test(
    truth: FaultTruth, fault: FaultState, *, failed: bool, now_s: float, pace: float
) -> FaultState:
    """One run of the test, due at some time up to now."""
    status = fault.status
    cycles = fault.failed_cycles
    status &= ~CLEARED
    if failed:
        cycles += not status & Bit.TEST_FAILED_THIS_OPERATION_CYCLE
        status |= Bit.TEST_FAILED | Bit.TEST_FAILED_THIS_OPERATION_CYCLE
        status |= Bit.PENDING | Bit.TEST_FAILED_SINCE_LAST_CLEAR
        if cycles >= truth.confirm_cycles:
            status |= Bit.CONFIRMED
        if truth.warning and status & Bit.CONFIRMED:
            status |= Bit.WARNING_INDICATOR_REQUESTED
    else:
        status &= ~(Bit.TEST_FAILED | Bit.WARNING_INDICATOR_REQUESTED)
    return replace(
        fault,
        status=int(status) & 0xFF,
        failed_cycles=cycles,
        seen_low=False,
        due_s=_next_due_s(truth, fault, now_s, pace),
    )


def _period_s(truth: FaultTruth, pace: float) -> float:
    return max(truth.monitor_s * pace, SHORTEST_TEST_S)


def _next_due_s(truth: FaultTruth, fault: FaultState, now_s: float, pace: float) -> float:
    if truth.runs is MonitorRuns.AFTER_RESET:
        return NEVER_S
    period_s = _period_s(truth, pace)
    missed = max(0, int((now_s - fault.due_s) / period_s))
    due_s = fault.due_s + (missed + 1) * period_s
    return due_s if due_s > now_s else now_s + period_s
