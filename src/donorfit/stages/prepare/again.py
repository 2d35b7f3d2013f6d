"""Look again: before work that had stopped goes on, at what may have ceased to hold meanwhile.

Backups and their comparison stay those of the preparation: the car holds part of the new by now.
"""

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from donorfit.diagnostics.conversation import Question
from donorfit.diagnostics.readings import Missing, read_text
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, StepKind
from donorfit.records.preparation import Identity, Preparation, WakeCheck
from donorfit.records.renewal import UNDERSTOOD, YES, GivenAnswer, Renewal
from donorfit.stages.prepare.conditions import (
    BY_HAND,
    NO,
    UNIT_BY_HAND,
    ask_awake,
    ask_caution,
    block,
    check_vin,
    find_open,
    find_reader,
    list_asleep,
    note_word,
    prove_supply,
    read_condition,
)
from donorfit.vehicle.control_unit import SERIAL_IDENTIFIER
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

_RESUME = "Mend it, then: donorfit resume JOB"


@dataclass(frozen=True, slots=True, kw_only=True)
class GoingOn:
    """With what the work goes on.

    Attributes:
        at: ISO 8601 time with offset.
        too_old: why the earlier answers do not count any more; empty where they do.
        answers: those that were given anew, one a question of :func:`list_questions`.
        support_current_a: continuous current of the supply in ampere; None: battery alone.
    """

    at: str
    too_old: str
    answers: tuple[GivenAnswer, ...]
    support_current_a: float | None


def list_questions(pack: Pack, plan: Plan) -> tuple[Question, ...]:
    """What only a person can say before the plan is carried out, in the order of preparing."""
    asked = [each for each in pack.wake_conditions if find_reader(pack, each) is None]
    return (*map(ask_caution, plan.cautions), *map(ask_awake, asked))


def needs_support(plan: Plan) -> bool:
    """Whether the battery alone would not hold to the end of the plan."""
    forecast = plan.supply
    return forecast is not None and forecast.lowest_volts_unsupported < forecast.window_low_volts


def look_again(
    pack: Pack, plan: Plan, preparation: Preparation, going_on: GoingOn
) -> Generator[Any, Any, Renewal]:
    """Read car, units, wake conditions and supply afresh, and judge the answers; only reads."""
    words = {each.question: each.choice for each in going_on.answers}
    findings: list[Finding] = []
    checks: list[WakeCheck] = []
    if going_on.too_old:
        findings += [
            find_open(each)
            for each in plan.cautions
            if words.get(ask_caution(each).id) != UNDERSTOOD
        ]
    programmed = frozenset(step.unit for step in plan.steps if step.kind is StepKind.PROGRAM)
    for condition in pack.wake_conditions:
        unit = find_reader(pack, condition)
        if unit is None and going_on.too_old:
            met = words.get(ask_awake(condition).id) == YES
            checks.append(note_word(condition, met=met))
        elif unit is not None and unit.id not in programmed:
            # One that is being programmed shows nothing but its boot loader.
            checks.append((yield from read_condition(condition, unit)))
    findings += list_asleep(checks)
    findings += yield from check_vin(pack, plan, begun=programmed)
    for identity in preparation.identities:
        findings += yield from _compare_identity(pack, identity, begun=programmed)
    volts, supply_findings = yield from prove_supply(
        pack, plan, going_on.support_current_a, begun=programmed
    )
    findings += supply_findings
    return Renewal(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        looked_at=going_on.at,
        too_old=going_on.too_old,
        answers=going_on.answers,
        wake_checks=tuple(checks),
        supply_volts=volts,
        support_current_a=going_on.support_current_a,
        ready=not any(each.severity is Severity.BLOCKING for each in findings),
        findings=tuple(findings),
    )


def list_by_hand(renewal: Renewal) -> tuple[Question, ...]:
    """What a person is asked where units in their boot loaders do not say it."""
    return tuple(
        Question(
            id=f"{each.id}-{each.where}" if each.id == UNIT_BY_HAND else each.id,
            text=f"{each.what} {each.why}",
            choices=(YES, NO),
        )
        for each in renewal.findings
        if each.id in BY_HAND
    )


def take_by_hand(renewal: Renewal, answers: tuple[GivenAnswer, ...]) -> Renewal:
    """The renewal with what the person said; a yes stands in the place of the unit's own word.

    Args:
        renewal: what was seen.
        answers: one for each of :func:`list_by_hand`, in its order.
    """
    if not answers:
        return renewal
    said = iter(answers)
    findings = tuple(
        _note_by_hand(each, next(said)) if each.id in BY_HAND else each
        for each in renewal.findings
    )
    return replace(
        renewal,
        answers=renewal.answers + answers,
        findings=findings,
        ready=not any(each.severity is Severity.BLOCKING for each in findings),
    )


def _note_by_hand(finding: Finding, answer: GivenAnswer) -> Finding:
    if answer.choice != YES:
        return finding
    return replace(
        finding, severity=Severity.WARNING, next_step="The person looked and says that it is so."
    )


def _compare_identity(
    pack: Pack, identity: Identity, *, begun: frozenset[UnitId]
) -> Generator[Any, Any, list[Finding]]:
    unit = pack.find_unit(identity.unit)
    if unit is None:
        return [block("unit-unknown", f"The pack has no unit {identity.unit}.", identity.unit)]
    serial = yield from read_text(unit, SERIAL_IDENTIFIER, "read serial number")
    if isinstance(serial, Missing) and serial.answered and unit.id in begun:
        what = f"{unit.title} does not say its serial number: it may be in its boot loader."
        why = f"{serial.why}; is it still the unit with the serial number {identity.serial}?"
        return [block(UNIT_BY_HAND, what, unit.id, why)]
    if isinstance(serial, Missing):
        what = f"{unit.title} does not say its serial number."
        return [block("identity-unreadable", what, unit.id, serial.why, _RESUME)]
    if serial != identity.serial:
        why = f"serial number {serial} instead of {identity.serial}"
        return [block("unit-swapped", f"{unit.title} was swapped.", unit.id, why)]
    return []
