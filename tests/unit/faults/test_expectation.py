"""Which known codes the work explains: causes at work now, during the work, afterwards."""

from typing import Any

from donorfit.faults import ChangedRecord, Situation, expect_faults, find_causes
from donorfit.records.plan import ExpectedFault, FaultPhase
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import (
    Address,
    BuildMonth,
    DataIdentifier,
    FaultCode,
    OptionName,
    UnitId,
)
from donorfit.vehicle.network import Message, Network, NetworkKind, OpticalRing, RingHop
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.rules import RuleBase

TOW, LIGHT = UnitId("tow_control"), UnitId("lighting")
OPTION = OptionName("tow")


def make_unit(name: str, option: str | None = None) -> ControlUnit:
    return ControlUnit(
        id=UnitId(name),
        title=name.title(),
        address=Address(1),
        network="can",
        present_option=None if option is None else OptionName(option),
    )


PACK = Pack(
    id="t",
    title="T",
    version="1",
    family_from=BuildMonth.parse("2018-01"),
    family_before=BuildMonth.parse("2025-01"),
    wmi=(),
    gateway=Address(1),
    rules=RuleBase(file="o", names=(), lines=(), parents=(), group_of=()),
    units=(make_unit("tow_control", "tow"), make_unit("lighting"), make_unit("amplifier", "amp")),
    networks=(
        Network(
            name="can",
            kind=NetworkKind.CAN,
            bit_rate=500000,
            messages=(
                Message(
                    name="TrailerState",
                    frame_id=1,
                    extended=False,
                    length_bytes=8,
                    cycle_ms=100,
                    senders=("TOW_CONTROL",),
                    receivers=("LIGHTING",),
                ),
            ),
        ),
    ),
    ring=OpticalRing(
        name="ring",
        master=UnitId("media"),
        hops=(
            RingHop(source=UnitId("media"), target=UnitId("amplifier"), length_m=2),
            RingHop(source=UnitId("amplifier"), target=UnitId("media"), length_m=2),
        ),
    ),
)


def fault(unit: str, code: int, *causes: tuple[CauseKind, str]) -> KnownFault:
    return KnownFault(
        unit=UnitId(unit),
        code=FaultCode(code),
        title=f"fault {code}",
        causes=tuple(Cause(kind=kind, subject=subject) for kind, subject in causes),
    )


def run(
    *known: KnownFault, now: Situation, during: Situation | None = None, **more: Any
) -> list[ExpectedFault]:
    after = more.pop(
        "after", Situation(options=frozenset((OPTION,)), fitted=frozenset((TOW, LIGHT)))
    )
    return list(
        expect_faults(
            known,
            now=find_causes(PACK, now),
            during=find_causes(PACK, now if during is None else during),
            after=find_causes(PACK, after),
            seen=more.pop("seen", {(each.unit, each.code) for each in known}),
            **more,
        )
    )


UNDECLARED = Situation(
    fitted=frozenset((TOW, LIGHT)), silent=frozenset((TOW,)), foreign_vin=frozenset((TOW,))
)


def test_a_unit_that_is_not_declared_explains_its_codes() -> None:
    (found,) = run(
        fault("gateway", 1, (CauseKind.UNIT_NOT_DECLARED, "tow_control")), now=UNDECLARED
    )
    assert found.phase is FaultPhase.GONE_AFTER
    assert found.cause == "Tow_Control is fitted but not declared (tow)"


def test_a_cause_may_name_the_option_or_mean_its_own_unit() -> None:
    found = run(
        fault("gateway", 1, (CauseKind.UNIT_NOT_DECLARED, "tow")),
        fault("tow_control", 2, (CauseKind.UNIT_NOT_DECLARED, "")),
        fault("gateway", 3, (CauseKind.UNIT_NOT_DECLARED, "")),
        now=UNDECLARED,
    )
    assert [each.code for each in found] == [1, 2]


def test_a_record_that_disagrees_explains_by_unit_record_or_identifier() -> None:
    now = Situation(
        disagreeing=(
            ChangedRecord(unit=LIGHT, identifier=DataIdentifier(0x3001), name="Rear lamps"),
        )
    )
    subjects = ("", "lighting", "Rear lamps", "lighting/Rear lamps", "0x3001", "lighting/0x3001")
    known = [
        fault("lighting", place, (CauseKind.CONFIGURATION_DISAGREES, subject))
        for place, subject in enumerate(subjects, start=1)
    ]
    other = fault("lighting", 99, (CauseKind.CONFIGURATION_DISAGREES, "lighting/0x3002"))
    assert [each.code for each in run(*known, other, now=now)] == [1, 2, 3, 4, 5, 6]


def test_an_option_list_that_changes_explains_by_keeper_and_option() -> None:
    now = Situation(
        disagreeing=(ChangedRecord(unit=LIGHT, identifier=DataIdentifier(0x1001)),),
        wrong=(OptionName("amp_old"),),
    )
    found = run(
        fault("lighting", 1, (CauseKind.CONFIGURATION_DISAGREES, "lighting/0x1001")),
        fault("amplifier", 2, (CauseKind.CONFIGURATION_DISAGREES, "amp_old")),
        now=now,
    )
    assert [each.code for each in found] == [1, 2]
    assert "option list of Lighting" in found[0].cause


def test_a_missing_message_is_traced_to_its_sender() -> None:
    known = fault("lighting", 1, (CauseKind.MESSAGE_MISSING, "TrailerState"))
    (found,) = run(known, now=UNDECLARED)
    assert "tow_control is absent, away or not configured" in found.cause


def test_an_open_ring_and_another_cars_vin() -> None:
    dark = Situation(absent=frozenset((UnitId("amplifier"),)), foreign_vin=frozenset((TOW,)))
    found = run(
        fault("media", 1, (CauseKind.RING_BREAK, "ring")),
        fault("media", 2, (CauseKind.RING_BREAK, "")),
        fault("tow_control", 3, (CauseKind.OTHER_CARS_VIN, "")),
        now=dark,
    )
    assert [each.code for each in found] == [1, 2, 3]


def test_low_supply_is_only_expected_during_the_work() -> None:
    during = Situation(supply_low=True)
    (found,) = run(fault("body", 1, (CauseKind.SUPPLY_LOW, "")), now=Situation(), during=during)
    assert found.phase is FaultPhase.DURING


def test_a_cause_that_outlasts_the_work_promises_nothing() -> None:
    known = fault(
        "lighting",
        1,
        (CauseKind.UNIT_NOT_DECLARED, "tow"),
        (CauseKind.OTHER_CARS_VIN, "tow_control"),
    )
    after = Situation(
        options=frozenset((OPTION,)), fitted=frozenset((TOW,)), foreign_vin=frozenset((TOW,))
    )
    assert run(known, now=UNDECLARED, after=after) == []


def test_an_unrelated_code_is_not_explained() -> None:
    assert run(fault("climate", 1, (CauseKind.PART_ITSELF, "flap motor")), now=UNDECLARED) == []


def test_a_code_not_seen_may_come_up_and_an_unread_unit_counts_as_seen() -> None:
    known = fault("gateway", 1, (CauseKind.UNIT_NOT_DECLARED, "tow"))
    (unseen,) = run(known, now=UNDECLARED, seen=set())
    assert unseen.phase is FaultPhase.DURING
    (unread,) = run(known, now=UNDECLARED, seen=set(), unread={UnitId("gateway")})
    assert unread.phase is FaultPhase.GONE_AFTER


def test_causes_say_what_they_go_back_to() -> None:
    roots = {each.text: each.root for each in find_causes(PACK, UNDECLARED)}
    declared = roots["Tow_Control is fitted but not declared (tow)"]
    message = (
        "message TrailerState may be missing while tow_control is absent, away or not configured"
    )
    assert roots[message] == declared
    gone = find_causes(PACK, Situation(absent=frozenset((TOW,)), silent=frozenset((TOW,))))
    assert {each.root for each in gone} == {"tow_control is absent or away"}
