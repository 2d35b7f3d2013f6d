"""What may cease to hold before a change: cautions understood, car awake, this car, supply."""

from collections.abc import Generator
from typing import Any

from donorfit.diagnostics.conversation import Chosen, Question
from donorfit.diagnostics.readings import Missing, read_identifier, read_supply, read_text
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, PlannedCaution
from donorfit.records.preparation import WakeCheck
from donorfit.records.renewal import UNDERSTOOD, YES
from donorfit.vehicle.control_unit import VIN_IDENTIFIER, ControlUnit
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack, WakeCondition, WakeProof

NO, STOP = "no", "stop"
SUPPLY_BY_HAND, UNIT_BY_HAND, CAR_BY_HAND = "supply-by-hand", "unit-by-hand", "car-by-hand"
"""What a person can say in place of a unit that is in its boot loader; ids of the findings."""
BY_HAND = frozenset((SUPPLY_BY_HAND, UNIT_BY_HAND, CAR_BY_HAND))


def block(id_: str, what: str, where: str = "", why: str = "", next_step: str = "") -> Finding:
    """A finding that keeps the plan from being applied."""
    return Finding(
        id=id_,
        severity=Severity.BLOCKING,
        what=what,
        where=where,
        why=why,
        next_step=next_step or "Mend it, then prepare again.",
    )


def ask_caution(caution: PlannedCaution) -> Question:
    """Whether a caution was understood."""
    return Question(id=f"caution-{caution.id}", text=caution.text, choices=(UNDERSTOOD, STOP))


def ask_awake(condition: WakeCondition) -> Question:
    """Whether a condition that no unit reports is so."""
    return Question(
        id=f"awake-{condition.id}", text=f"{condition.text}: is it so?", choices=(YES, NO)
    )


def confirm_cautions(
    cautions: tuple[PlannedCaution, ...],
) -> Generator[Any, Any, tuple[list[str], list[Finding]]]:
    """Ask for every caution; the ids of those that were understood, and findings of the others."""
    confirmed: list[str] = []
    findings: list[Finding] = []
    for caution in cautions:
        answer = yield ask_caution(caution)
        if isinstance(answer, Chosen) and answer.choice == UNDERSTOOD:
            confirmed.append(caution.id)
        else:
            findings.append(find_open(caution))
    return confirmed, findings


def find_open(caution: PlannedCaution) -> Finding:
    """A caution that was not understood."""
    return block("caution-open", f"A caution is not confirmed: {caution.text}", caution.id)


def find_reader(pack: Pack, condition: WakeCondition) -> ControlUnit | None:
    """The unit that reports a condition; None where a person has to say."""
    return pack.find_unit(condition.unit) if condition.proof is WakeProof.READ else None


def check_awake(pack: Pack) -> Generator[Any, Any, list[WakeCheck]]:
    """Read or ask every condition of the state in which the car stays awake."""
    checks = []
    for condition in pack.wake_conditions:
        unit = find_reader(pack, condition)
        if unit is not None:
            checks.append((yield from read_condition(condition, unit)))
        else:
            answer = yield ask_awake(condition)
            met = isinstance(answer, Chosen) and answer.choice == YES
            checks.append(note_word(condition, met=met))
    return checks


def note_word(condition: WakeCondition, *, met: bool) -> WakeCheck:
    """A condition as the person says."""
    said = "the person says so" if met else "the person says no"
    return WakeCheck(id=condition.id, text=condition.text, met=met, shown_by=said)


def list_asleep(checks: list[WakeCheck]) -> list[Finding]:
    """Conditions that are not met."""
    return [
        block("not-awake", f"The car may fall asleep: {check.text}", check.id, check.shown_by)
        for check in checks
        if not check.met
    ]


def read_condition(condition: WakeCondition, unit: ControlUnit) -> Generator[Any, Any, WakeCheck]:
    """Read one condition in the unit that reports it."""
    data = yield from read_identifier(unit, condition.identifier, f"read {condition.id}")
    where = f"{unit.id} {condition.identifier:04X}"
    met = False
    if isinstance(data, Missing):
        shown_by = f"{where}: {data.why}"
    elif condition.byte >= len(data):
        shown_by = f"{where}: only {count(len(data), 'byte')}"
    else:
        value = data[condition.byte]
        met = value & condition.mask == condition.value
        shown_by = f"{where} byte {condition.byte} is {value:02X}"
    return WakeCheck(id=condition.id, text=condition.text, met=met, shown_by=shown_by)


def check_vin(
    pack: Pack, plan: Plan, *, begun: frozenset[UnitId] = frozenset()
) -> Generator[Any, Any, list[Finding]]:
    """The car must be the plan's: the master keeper says who it is.

    Where it may be in its boot loader (``begun``) another keeper will do, or else a person.
    """
    keepers = pack.list_keepers()
    if not keepers:
        return []
    first = yield from read_text(keepers[0], VIN_IDENTIFIER, "read VIN")
    vin = first
    for keeper in keepers[1:] if keepers[0].id in begun else ():
        if isinstance(vin, Missing):
            vin = yield from read_text(keeper, VIN_IDENTIFIER, "read VIN")
    if isinstance(vin, Missing):
        assert isinstance(first, Missing)  # noqa: S101 - others are read only then
        return [_miss_vin(keepers[0], plan, first, begun=keepers[0].id in begun)]
    if vin != plan.vin:
        return [
            block(
                "other-car",
                f"This is another car: {vin}.",
                why=f"The plan was made for {plan.vin}.",
                next_step="Connect to the plan's car, or make a survey and a plan for this one.",
            )
        ]
    return []


def _miss_vin(keeper: ControlUnit, plan: Plan, missing: Missing, *, begun: bool) -> Finding:
    if not begun:
        return block("vin-unreadable", "The car's VIN could not be read.", why=missing.why)
    return block(
        CAR_BY_HAND,
        f"{keeper.title} does not say the car's VIN: it may be in its boot loader.",
        keeper.id,
        f"{missing.why}; is this the car with the VIN {plan.vin}, as its plate says?",
    )


def prove_supply(
    pack: Pack,
    plan: Plan,
    support_current_a: float | None,
    *,
    begun: frozenset[UnitId] = frozenset(),
) -> Generator[Any, Any, tuple[float | None, list[Finding]]]:
    """Measured voltage inside the window now, and a supply that holds to the end of the plan.

    Where the unit that measures it may be in its boot loader (``begun``) a person has to measure.
    """
    if pack.supply is None:
        return None, []
    unit = pack.find_unit(UnitId(pack.supply.unit))
    if unit is None:
        return None, []
    volts = yield from read_supply(unit, pack.supply.identifier, pack.supply.volts_per_bit)
    findings = []
    low, high = pack.supply.lowest_volts, pack.supply.highest_volts
    if isinstance(volts, Missing) and unit.id not in begun:
        return None, [block("supply-unreadable", "The supply cannot be read.", unit.id, volts.why)]
    if isinstance(volts, Missing):
        findings.append(
            block(
                SUPPLY_BY_HAND,
                f"{unit.title} measures the supply and may be in its boot loader.",
                unit.id,
                f"{volts.why}; does a voltmeter at the battery posts show {low:.1f} to {high:.1f} "
                "V, and steadily?",
            )
        )
    elif not low <= volts <= high:
        findings.append(
            block(
                "supply-outside",
                f"The supply is at {volts:.2f} V.",
                unit.id,
                f"this family asks for {low:.1f} to {high:.1f} V",
                "Connect or adjust the support supply, wait until it has settled.",
            )
        )
    forecast = plan.supply
    if forecast is not None:
        findings += _judge_support(
            forecast.support_current_a,
            forecast.window_low_volts,
            forecast.lowest_volts_unsupported,
            support_current_a,
        )
    return None if isinstance(volts, Missing) else volts, findings


def _judge_support(
    needed_a: float, window_low_volts: float, alone_volts: float, given_a: float | None
) -> list[Finding]:
    alone_holds = alone_volts >= window_low_volts
    if (given_a or 0.0) >= needed_a or (given_a is None and alone_holds):
        return []
    return [
        block(
            "support-too-weak",
            f"The supply will not hold: {given_a or 0:g} A continuous, {needed_a:g} A needed.",
            why=f"the battery alone would fall to {alone_volts:.2f} V, "
            f"the window ends at {window_low_volts:.1f} V",
            next_step=f"Connect a supply of at least {needed_a:g} A and say so: --support-amps.",
        )
    ]
