"""Fault engine: codes expected, explained, gone, new, by their status bits and causes."""

from donorfit.faults.causes import ActiveCause, ChangedRecord, Situation, find_causes
from donorfit.faults.code_words import CodeWords, word_code, word_status
from donorfit.faults.comparison import compare_faults
from donorfit.faults.expectation import expect_faults
from donorfit.faults.explanation import (
    CandidateCause,
    Check,
    ExplainedGroup,
    FaultExplanation,
    explain_faults,
)
from donorfit.faults.lists import FaultList, list_fault_doubts, read_fault_list
from donorfit.faults.present import Concern, PresentFault, count_concerns, judge_present
from donorfit.faults.status import has_failed, is_proved_passed, stands, was_tested
from donorfit.faults.written_lists import WrittenList, place_codes, read_written_list

__all__ = [
    "ActiveCause",
    "CandidateCause",
    "ChangedRecord",
    "Check",
    "CodeWords",
    "Concern",
    "ExplainedGroup",
    "FaultExplanation",
    "FaultList",
    "PresentFault",
    "Situation",
    "WrittenList",
    "compare_faults",
    "count_concerns",
    "expect_faults",
    "explain_faults",
    "find_causes",
    "has_failed",
    "is_proved_passed",
    "judge_present",
    "list_fault_doubts",
    "place_codes",
    "read_fault_list",
    "read_written_list",
    "stands",
    "was_tested",
    "word_code",
    "word_status",
]
