"""Rubbish in fault lists is counted, not dropped."""

from donorfit.faults import list_fault_doubts, read_fault_list
from donorfit.records.survey import FaultRead, UnitSurvey
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import Address, FaultCode, UnitId


def survey(*faults: tuple[int, int], availability: int = 0xFF) -> UnitSurvey:
    return UnitSurvey(
        unit=UnitId("body"),
        address=Address(1),
        answered=True,
        faults=tuple(FaultRead(code=FaultCode(code), status=status) for code, status in faults),
        fault_availability=availability,
    )


def test_rubbish_is_told_entry_by_entry() -> None:
    read = read_fault_list(
        survey((0, 0x2F), (0x1000000, 1), (-5, 1), (0x9234AB, 0x1FF), (0x9234AB, 1), (0x9234AB, 8))
    )
    assert [(each.code, each.status) for each in read.faults] == [(0x9234AB, 9)]
    assert read.rubbish == (
        "code 0x0 is none",
        "code 0x1000000 is none",
        "code 0x-5 is none",
        "B1234-AB has status 0x1FF",
        "B1234-AB is listed again",
    )


def test_status_is_masked_and_an_unsaid_mask_is_all_bits() -> None:
    assert read_fault_list(survey((1, 0xFF), availability=0x2F)).faults[0].status == 0x2F
    assert read_fault_list(survey((1, 0xAF), availability=0)).faults[0].status == 0xAF


def test_doubts_count_rubbish_and_unknown_codes() -> None:
    known = [
        KnownFault(
            unit=UnitId("body"),
            code=FaultCode(1),
            title="t",
            causes=(Cause(kind=CauseKind.PART_ITSELF),),
        )
    ]
    found = list_fault_doubts([survey((0, 1), (1, 1), (2, 0x2F))], known)
    assert [each.id for each in found] == ["fault-list-rubbish", "fault-unknown"]
    assert found[1].evidence == ("P0000-02 status 0x2F",)
    assert list_fault_doubts([survey((1, 1))], known) == ()
