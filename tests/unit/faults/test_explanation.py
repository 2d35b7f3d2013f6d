"""The fewest causes that explain the codes seen, ties and the check that settles them."""

from typing import Any

from donorfit.faults import ActiveCause, FaultExplanation, explain_faults
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import FaultCode, UnitId

DECLARED, CONFIG, MESSAGE, SUPPLY, PART = (
    CauseKind.UNIT_NOT_DECLARED,
    CauseKind.CONFIGURATION_DISAGREES,
    CauseKind.MESSAGE_MISSING,
    CauseKind.SUPPLY_LOW,
    CauseKind.PART_ITSELF,
)


def fault(unit: str, code: int, *causes: tuple[CauseKind, str]) -> KnownFault:
    return KnownFault(
        unit=UnitId(unit),
        code=FaultCode(code),
        title="t",
        causes=tuple(Cause(kind=kind, subject=subject) for kind, subject in causes),
    )


def explain(*known: KnownFault, **more: Any) -> FaultExplanation:
    seen = more.pop("seen", [(each.unit, each.code) for each in known])
    return explain_faults(seen, more.pop("passed", ()), known, **more)


def list_causes(found: FaultExplanation, group: int = 0) -> list[list[tuple[CauseKind, str]]]:
    return [
        [(each.cause.kind, each.cause.subject) for each in explanation]
        for explanation in found.groups[group].explanations
    ]


def test_one_cause_explains_ten_codes() -> None:
    known = [fault(f"u{n}", n, (DECLARED, "tow"), (PART, "")) for n in range(1, 11)]
    found = explain(*known)
    assert list_causes(found) == [[(DECLARED, "tow")]]
    assert len(found.groups[0].faults) == 10
    assert found.groups[0].checks == ()
    assert found.groups[0].proved


def test_ties_are_all_shown_with_the_check_that_tells_them_apart() -> None:
    known = [fault(f"u{n}", n, (DECLARED, "tow"), (SUPPLY, "")) for n in (1, 2)]
    found = explain(*known)
    assert list_causes(found) == [[(DECLARED, "tow")], [(SUPPLY, "")]]
    assert found.groups[0].checks[0].text.startswith("Read the option list")


def test_a_cause_seen_at_work_settles_the_tie() -> None:
    known = [fault(f"u{n}", n, (DECLARED, "tow"), (SUPPLY, "")) for n in (1, 2)]
    active = [ActiveCause(kind=SUPPLY, subjects=frozenset(), text="supply was at 10.9 V")]
    found = explain(*known, active=active)
    assert list_causes(found) == [[(SUPPLY, "")]]
    assert found.groups[0].explanations[0][0].text == "supply was at 10.9 V"
    assert found.groups[0].explanations[0][0].at_work


def test_a_passed_test_speaks_against_a_cause() -> None:
    known = [
        fault("a", 1, (CONFIG, "body"), (SUPPLY, "")),
        fault("b", 2, (SUPPLY, "")),
    ]
    seen = [(UnitId("a"), FaultCode(1))]
    found = explain(*known, seen=seen, passed=[(UnitId("b"), FaultCode(2))])
    assert list_causes(found) == [[(CONFIG, "body")]]
    both = explain(*known, seen=seen)
    assert len(both.groups[0].explanations) == 2


def test_a_cause_that_a_check_ruled_out_is_left_out() -> None:
    known = [fault("a", 1, (CONFIG, ""), (SUPPLY, ""))]
    found = explain(*known, excluded=[Cause(kind=CONFIG, subject="a")])
    assert list_causes(found) == [[(SUPPLY, "")]]


def test_separate_troubles_are_separate_groups_the_largest_first() -> None:
    found = explain(
        fault("a", 1, (CONFIG, "")),
        fault("b", 2, (DECLARED, "tow")),
        fault("c", 3, (DECLARED, "tow")),
    )
    assert [len(each.faults) for each in found.groups] == [2, 1]


def test_a_part_without_name_explains_only_its_own_code() -> None:
    found = explain(fault("a", 0x123456, (PART, "")), fault("a", 0x123457, (PART, "")))
    assert len(found.groups) == 2
    assert found.groups[0].explanations[0][0].cause.subject == "a, P1234-56"


def test_a_unit_itself_is_meant_where_no_subject_is_named() -> None:
    found = explain(fault("a", 1, (CONFIG, "")), fault("b", 2, (CONFIG, "a")))
    assert list_causes(found) == [[(CONFIG, "a")]]


def test_codes_without_known_cause_are_listed() -> None:
    found = explain_faults([(UnitId("a"), FaultCode(1))], [], [])
    assert found.groups == ()
    assert found.unexplained == (("a", 1),)


def test_the_check_splits_many_ties_in_the_middle() -> None:
    """Four pairs tie; a cause in half of them tells most."""
    known = [
        fault("a", 1, (CONFIG, "x"), (MESSAGE, "m")),
        fault("a", 2, (CONFIG, "y"), (MESSAGE, "n")),
        fault("a", 3, (CONFIG, "x"), (MESSAGE, "m"), (CONFIG, "y"), (MESSAGE, "n")),
    ]
    found = explain(*known)
    assert len(found.groups[0].explanations) == 4
    assert found.groups[0].checks[0].text == "Read the configuration of x and compare it."


def test_the_check_that_tells_most_comes_first_with_its_bits() -> None:
    """Two ties for one code times three for another: 3 of 6 tells 1 bit, 2 of 6 tells 0.918."""
    known = [
        fault("a", 1, (CONFIG, "x"), (CONFIG, "y")),
        fault("a", 2, (MESSAGE, "p"), (MESSAGE, "q"), (MESSAGE, "r")),
        fault(
            "a", 3, (CONFIG, "x"), (CONFIG, "y"), (MESSAGE, "p"), (MESSAGE, "q"), (MESSAGE, "r")
        ),
    ]
    (group,) = explain(*known).groups
    assert group.ties == len(group.explanations) == 6
    told = [(each.cause.subject, each.holds_in, each.of) for each in group.checks]
    assert told == [("x", 3, 6), ("y", 3, 6), ("p", 2, 6), ("q", 2, 6), ("r", 2, 6)]
    assert [round(each.gain_bits, 3) for each in group.checks] == [1.0, 1.0, 0.918, 0.918, 0.918]


def test_a_passed_test_rules_a_cause_out_unless_it_is_the_last_one_or_a_fact() -> None:
    known = [
        fault("a", 1, (SUPPLY, ""), (PART, "")),
        fault("b", 2, (SUPPLY, "")),
        fault("c", 3, (SUPPLY, "")),
    ]
    passed = [(UnitId("b"), FaultCode(2))]
    ruled_out = explain(*known, seen=[(UnitId("a"), FaultCode(1))], passed=passed)
    assert list_causes(ruled_out) == [[(PART, "a, P0000-01")]]
    last = explain(*known, seen=[(UnitId("c"), FaultCode(3))], passed=passed)
    assert list_causes(last) == [[(SUPPLY, "")]]
    assert last.groups[0].explanations[0][0].speaks_against == (("b", 2),)
    fact = explain(
        *known,
        seen=[(UnitId("a"), FaultCode(1))],
        passed=passed,
        active=[ActiveCause(kind=SUPPLY, subjects=frozenset(), text="10.9 V were read")],
    )
    assert list_causes(fact) == [[(SUPPLY, "")]]
