"""One thing is told as one, in the sentences under the pictures."""

import pytest

from donorfit.figures.fault_flow import word_comparisons
from donorfit.figures.ring import write_ring_finding
from donorfit.records.proof import FaultComparison, FaultVerdict
from donorfit.vehicle.identity import FaultCode, UnitId

GONE = FaultComparison(
    unit=UnitId("body"),
    code=FaultCode(0xC12055),
    title="",
    status_before=0x2F,
    status_after=None,
    verdict=FaultVerdict.GONE,
    explanation="",
)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ((), "Of 0 fault codes: none."),
        ((GONE,), "Of 1 fault code: 1 gone."),
        ((GONE, GONE), "Of 2 fault codes: 2 gone."),
    ],
)
def test_fault_codes(rows, words):
    assert word_comparisons(rows) == words


def test_hops_without_a_margin():
    assert write_ring_finding((), None) == "0 hops; no margin is known."
