"""Fault engine: codes expected, explained, gone, new, by their status bits and causes."""

from donorfit.faults.causes import ActiveCause, ChangedRecord, Situation, find_causes
from donorfit.faults.comparison import compare_faults
from donorfit.faults.expectation import expect_faults
from donorfit.faults.explanation import (
    CandidateCause,
    ExplainedGroup,
    FaultExplanation,
    explain_faults,
)
from donorfit.faults.lists import FaultList, list_fault_doubts, read_fault_list
from donorfit.faults.status import has_failed, is_proved_passed, stands, was_tested

__all__ = [
    "ActiveCause",
    "CandidateCause",
    "ChangedRecord",
    "ExplainedGroup",
    "FaultExplanation",
    "FaultList",
    "Situation",
    "compare_faults",
    "expect_faults",
    "explain_faults",
    "find_causes",
    "has_failed",
    "is_proved_passed",
    "list_fault_doubts",
    "read_fault_list",
    "stands",
    "was_tested",
]
