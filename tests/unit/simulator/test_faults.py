"""Services 0x19 and 0x14, the monitors' status bits, and each cause.

Status bits: ISO 14229-1, D.2 (after a clear 0x50; 0x2F while failing and confirmed).
"""

from dataclasses import replace

import pytest

from donorfit.simulator import causes
from donorfit.simulator.scenario import (
    FaultTruth,
    MonitorRuns,
    Scenario,
    SentMessage,
    UnitTruth,
)
from donorfit.vehicle.expression import parse_condition
from donorfit.vehicle.identity import BuildMonth, FaultCode, UnitId

GATEWAY, BODY, TOW = 0x1010, 0x1040, 0x1071
DECLARED = "2107" + b"A001L110T042".hex() + "00" * 28


def write_master(asker, content: str = DECLARED) -> None:
    asker.unlock(GATEWAY, 1)
    assert asker.ask(GATEWAY, "2e1001" + content) == "6e1001"


def test_reading_by_mask(asker):
    assert asker.ask(GATEWAY, "1902ff") == "5902ff" + "d123002f" + "90000028"
    assert asker.ask(GATEWAY, "190201") == "5902ff" + "d123002f"
    assert asker.ask(GATEWAY, "190210") == "5902ff"
    assert asker.ask(GATEWAY, "190a") == "590aff" + "d123002f" + "f0031600" + "90000028"
    assert asker.ask(GATEWAY, "1901ff") == "5901ff01" + "0002"


@pytest.mark.parametrize(
    ("request_hex", "answer"),
    [
        ("19", "7f1913"),
        ("1902", "7f1913"),
        ("190a00", "7f1913"),
        ("1906d12300ff", "7f1912"),
        ("14", "7f1413"),
        ("14ffff", "7f1413"),
        ("14123456", "7f1431"),
    ],
)
def test_refusals(asker, request_hex, answer):
    assert asker.ask(GATEWAY, request_hex) == answer


def test_not_offered_while_programming(asker):
    asker.ask(TOW, "1002")
    assert asker.ask(TOW, "1902ff") == "7f197f"
    assert asker.ask(TOW, "14ffffff") == "7f147f"


def test_status_bits_that_a_unit_does_not_support_read_zero(build_asker, scenario):
    units = tuple(replace(unit, availability_mask=0x09) for unit in scenario.units)
    asker = build_asker(replace(scenario, units=units))
    assert asker.ask(GATEWAY, "1902ff") == "590209" + "d1230009" + "90000008"
    assert asker.ask(GATEWAY, "190204") == "590209"


def test_cleared_codes_are_untested_then_tested_again(asker):
    assert asker.ask(GATEWAY, "14ffffff") == "54"
    assert asker.ask(GATEWAY, "1902ff") == "5902ff" + "d1230050" + "f0031650" + "90000050"
    asker.wait(2.1)
    # the cause is still there: failed, pending, confirmed, failed since clear
    assert asker.ask(GATEWAY, "1902ff") == "5902ff" + "d123002f"


def test_a_code_stays_away_once_its_cause_is_gone(asker):
    write_master(asker)
    asker.wait(2.1)
    # no longer failing, but the history stays until it is cleared
    assert asker.ask(GATEWAY, "1902ff").startswith("5902ff" + "d123002e")
    assert asker.ask(GATEWAY, "14ffffff") == "54"
    asker.wait(2.1)
    assert asker.ask(GATEWAY, "1902ff") == "5902ff"
    assert asker.ask(GATEWAY, "190a") == "590aff" + "d1230000" + "f0031600" + "90000000"


def test_one_code_can_be_cleared_alone(asker):
    assert asker.ask(GATEWAY, "14900000") == "54"
    assert asker.ask(GATEWAY, "1902ff") == "5902ff" + "d123002f" + "90000050"


def test_a_code_judged_after_reset_waits_for_it(asker):
    assert asker.ask(TOW, "1902ff").startswith("5902ff9a00562f")
    write_master(asker)
    asker.ask(TOW, "14ffffff")
    asker.wait(60)
    assert asker.ask(TOW, "1902ff").startswith("5902ff9a005650")
    asker.ask(TOW, "1101")
    asker.wait(5.1)
    assert "9a0056" not in asker.ask(TOW, "1902ff")


def test_a_reset_begins_an_operation_cycle(asker):
    asker.ask(GATEWAY, "1101")
    asker.wait(3.01)
    # bit 1 fell, bit 6 rose; the stored one, passed before, is no longer pending
    assert asker.ask(GATEWAY, "1902ff") == "5902ff" + "d123006d" + "f0031640" + "90000068"
    asker.wait(2.1)
    assert asker.ask(GATEWAY, "1902ff") == "5902ff" + "d123002f" + "90000028"


def test_confirmed_only_after_enough_failed_cycles(asker):
    asker.ask(TOW, "14ffffff")
    asker.wait(2.1)
    assert asker.ask(TOW, "1902ff").endswith("d3000027")  # pending, not yet confirmed
    asker.ask(TOW, "1101")
    asker.wait(5.1)
    assert asker.ask(TOW, "1902ff").endswith("d300002f")


def test_pending_falls_after_a_cycle_that_passed(asker):
    write_master(asker)
    asker.wait(2.1)
    for status in ("6c", "68"):  # the cycle with the failure, then one that passed
        asker.ask(GATEWAY, "1101")
        asker.wait(3.01)
        assert asker.ask(GATEWAY, "1902ff").startswith("5902ffd12300" + status)
        asker.wait(2.1)


def test_warning_lamp_is_asked_for_while_confirmed_and_failing(asker):
    write_master(asker)
    asker.wait(2.1)
    assert "910100af" in asker.ask(BODY, "1902ff")
    content = "0020a000"
    asker.ask(BODY, "1003")
    assert asker.ask(BODY, f"2e0601{content}{crc8(content):02x}") == "6e0601"
    asker.wait(2.1)
    assert "9101002e" in asker.ask(BODY, "1902ff")


def crc8(covered: str) -> int:
    value = 0xFF
    for byte in bytes.fromhex(covered):
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ (0x1D if value & 0x80 else 0)) & 0xFF
    return value ^ 0xFF


def test_lists_that_disagree_and_agree_again(asker):
    assert "d20100" not in asker.ask(BODY, "1902ff")
    write_master(asker)
    asker.wait(2.1)
    assert "d201002f" in asker.ask(BODY, "1902ff")
    asker.ask(BODY, "1003")
    assert asker.ask(BODY, "2e1002" + "210703000200") == "6e1002"  # bits 0, 1 and 17
    asker.ask(BODY, "14ffffff")
    asker.wait(2.1)
    assert "d20100" not in asker.ask(BODY, "1902ff")


def test_a_message_is_sent_once_its_sender_is_configured(asker):
    assert "d124002f" in asker.ask(BODY, "1902ff")
    asker.unlock(TOW, 3)
    assert asker.ask(TOW, "2e0700000107") == "6e0700"
    asker.ask(BODY, "14ffffff")
    asker.wait(2.1)
    assert "d12400" not in asker.ask(BODY, "1902ff")


def judge(
    build_asker, scenario: Scenario, cause: causes.Cause, unit: str = "body", **changes
) -> bool:
    """Whether a code with that cause fails in the small car, with units changed by name."""
    fault = FaultTruth(code=FaultCode(0x123456), cause=cause)
    units: list[UnitTruth] = []
    for each in scenario.units:
        each = replace(each, **changes.get(each.id, {}))  # noqa: PLW2901
        units.append(replace(each, faults=(fault,) if each.id == unit else ()))
    messages = (*scenario.messages, SentMessage(name="plain", sender=UnitId("camera")))
    asker = build_asker(replace(scenario, units=tuple(units), messages=messages))
    status = asker.car.memory(unit).faults[0][1]
    assert status in {0x2F, 0x00}
    return status == 0x2F


MONTH = BuildMonth.parse("2020-03")
NEXT = BuildMonth.parse("2020-04")
ABSENT = {"fitted": False}
OTHER_VIN = {"vin": b"ZZ9AA11A8LA000002"}


@pytest.mark.parametrize(
    ("cause", "changes", "expected"),
    [
        (causes.UnitNotDeclared(unit=UnitId("tow_control"), option="T042"), {}, True),
        (causes.UnitNotDeclared(unit=UnitId("tow_control"), option="A001"), {}, False),
        (causes.UnitNotDeclared(unit=UnitId("camera"), option="T042"), {}, False),
        (causes.UnitMissing(unit=UnitId("camera"), option="A001"), {}, True),
        (causes.UnitMissing(unit=UnitId("camera"), option="T042"), {}, False),
        (causes.UnitMissing(unit=UnitId("tow_control"), option="A001"), {}, False),
        (
            causes.OptionContradicts(when=parse_condition("A001 & !T042 & software >= 1.8")),
            {},
            True,
        ),
        (causes.OptionContradicts(when=parse_condition("month < 2020-03")), {}, False),
        (
            causes.OptionContradicts(when=parse_condition("month < 2020-03")),
            {"gateway": ABSENT},
            True,
        ),
        (causes.MonthDisagrees(month_from=NEXT), {}, True),
        (causes.MonthDisagrees(month_from=MONTH, month_before=NEXT), {}, False),
        (causes.MonthDisagrees(month_before=MONTH), {}, True),
        (causes.MessageMissing(messages=("plain",)), {}, True),
        (causes.MessageMissing(messages=("plain",)), {"camera": {"fitted": True}}, False),
        (causes.MessageMissing(messages=("unheard",)), {}, True),
        (causes.OtherCarsVin(), {}, False),
        (causes.OtherCarsVin(), {"body": OTHER_VIN}, True),
        (causes.RingBreak(units=(UnitId("body"), UnitId("camera"))), {}, True),
        (causes.RingBreak(units=(UnitId("body"), UnitId("tow_control"))), {}, False),
        (causes.SupplyLow(below_volts=14.0), {}, True),
        (causes.SupplyLow(below_volts=13.0), {}, False),
        (causes.ListsDisagree(), {}, False),
        (causes.ListsDisagree(), {"gateway": ABSENT}, True),
    ],
)
def test_causes(build_asker, scenario, cause, changes, expected):
    assert judge(build_asker, scenario, cause, **changes) is expected


def test_neutral_vin_fails_only_where_it_says_so(build_asker, scenario):
    assert not judge(build_asker, scenario, causes.OtherCarsVin(), "tow_control")
    assert judge(build_asker, scenario, causes.OtherCarsVin(neutral_fails=True), "tow_control")


def test_a_demand_on_another_unit_and_out_of_reach(build_asker, scenario):
    def demand(unit: str, byte: int, value: int, when: str = "always") -> causes.Cause:
        return causes.ConfigurationDisagrees(
            demands=(
                causes.Demand(
                    unit=UnitId(unit),
                    identifier=0x0700,
                    byte=byte,
                    value=value,
                    when=parse_condition(when),
                ),
            )
        )

    assert not judge(build_asker, scenario, demand("tow_control", 2, 0x07))
    assert judge(build_asker, scenario, demand("tow_control", 2, 0x08))
    assert not judge(build_asker, scenario, demand("tow_control", 2, 0x08, when="T042"))
    assert judge(build_asker, scenario, demand("tow_control", 9, 0x00))
    assert judge(build_asker, scenario, demand("nowhere", 0, 0x00))


def test_given_status_and_stored(build_asker, scenario):
    fault = FaultTruth(
        code=FaultCode(1), cause=causes.Stored(), status=0x0C, runs=MonitorRuns.AFTER_RESET
    )
    gateway = replace(scenario.units[0], faults=(fault,))
    asker = build_asker(replace(scenario, units=(gateway, *scenario.units[1:])))
    assert asker.ask(GATEWAY, "1902ff") == "5902ff0000010c"


def test_low_supply_is_kept_until_it_is_judged(build_asker, scenario):
    from donorfit.simulator.scenario import Disturbance, DisturbanceKind

    dip = Disturbance(
        unit=UnitId("gateway"),
        service=0x3E,
        kind=DisturbanceKind.SUPPLY_DIP,
        volts=8.0,
        seconds=0.2,
    )
    asker = build_asker(replace(scenario, disturbances=(dip,)))
    asker.ask(GATEWAY, "3e00")
    assert asker.car.measure_volts(asker.now_s) == 8.0
    asker.wait(0.3)
    assert asker.car.measure_volts(asker.now_s) > 13
    asker.wait(0.8)
    assert "f003162f" in asker.ask(GATEWAY, "1902ff")
    asker.wait(1.0)
    assert "f003162e" in asker.ask(GATEWAY, "1902ff")
