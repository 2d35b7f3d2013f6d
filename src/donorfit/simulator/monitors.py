"""The tests behind fault codes, and the status byte they leave (ISO 14229-1, D.2).

Pure functions from one :class:`~donorfit.simulator.state.FaultState` to the next.
"""

from dataclasses import replace

from donorfit.simulator.causes import Stored
from donorfit.simulator.scenario import FaultTruth, MonitorRuns
from donorfit.simulator.state import NEVER_S, FaultState
from donorfit.vehicle.fault_code import FaultStatus

SHORTEST_TEST_S = 0.02
"""Even in a fast car a test takes a moment, so that it is not run at every request."""

# plain numbers: these tests run often, and combining flags is slow
FAILED = int(FaultStatus.TEST_FAILED)
FAILED_THIS_CYCLE = int(FaultStatus.TEST_FAILED_THIS_OPERATION_CYCLE)
PENDING = int(FaultStatus.PENDING)
CONFIRMED = int(FaultStatus.CONFIRMED)
NOT_COMPLETED_SINCE_CLEAR = int(FaultStatus.TEST_NOT_COMPLETED_SINCE_LAST_CLEAR)
FAILED_SINCE_CLEAR = int(FaultStatus.TEST_FAILED_SINCE_LAST_CLEAR)
NOT_COMPLETED_THIS_CYCLE = int(FaultStatus.TEST_NOT_COMPLETED_THIS_OPERATION_CYCLE)
WARNING = int(FaultStatus.WARNING_INDICATOR_REQUESTED)

CLEARED = NOT_COMPLETED_SINCE_CLEAR | NOT_COMPLETED_THIS_CYCLE
FAILING = FAILED | FAILED_THIS_CYCLE | PENDING | FAILED_SINCE_CLEAR
LONG_FAILED = FAILING | CONFIRMED
LONG_STORED = CONFIRMED | FAILED_SINCE_CLEAR


def begin(truth: FaultTruth, *, failed: bool, now_s: float, pace: float) -> FaultState:
    """A fault code in a car whose tests have run for long."""
    status = LONG_FAILED if failed else LONG_STORED if isinstance(truth.cause, Stored) else 0
    if failed and truth.warning:
        status |= WARNING
    if truth.status is not None:
        status = truth.status
    again = truth.runs is MonitorRuns.CONTINUOUSLY
    return FaultState(
        status=status,
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
        # a test that runs after reset only, and is still to come in this cycle, comes
        due_s=now_s + _period_s(truth, pace) if again else fault.due_s,
    )


def begin_cycle(truth: FaultTruth, fault: FaultState, *, now_s: float, pace: float) -> FaultState:
    """A new operation cycle: bit 1 falls, bit 6 rises; pending falls after a cycle that passed."""
    status = fault.status
    tested = not status & NOT_COMPLETED_THIS_CYCLE
    failed = bool(status & FAILED_THIS_CYCLE)
    if tested and not failed:
        status &= ~PENDING
    status &= ~FAILED_THIS_CYCLE
    status |= NOT_COMPLETED_THIS_CYCLE
    return replace(
        fault,
        status=status,
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
        cycles += not status & FAILED_THIS_CYCLE
        status |= FAILING
        if cycles >= truth.confirm_cycles:
            status |= CONFIRMED
        if truth.warning and status & CONFIRMED:
            status |= WARNING
    else:
        status &= ~(FAILED | WARNING)
    return replace(
        fault,
        status=status,
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
