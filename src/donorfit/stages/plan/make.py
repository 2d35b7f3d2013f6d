"""Make the plan of a retrofit."""

from dataclasses import dataclass, replace

from donorfit.configuration import find_unmentioned
from donorfit.electrical import match_pins, order_wires
from donorfit.records.caution_catalogue import choose_cautions
from donorfit.records.counted import count
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitReport
from donorfit.records.plan import (
    ExpectedFault,
    Plan,
    PlannedCaution,
    PlanPurpose,
    Step,
    StepKind,
    WireOrder,
)
from donorfit.records.survey import Survey
from donorfit.stages.plan.admission import (
    add_bench_reading,
    ask_about_vin,
    check_chain,
    find_foreign_vin,
    list_survey_doubts,
)
from donorfit.stages.plan.choices import PlanChoices
from donorfit.stages.plan.expected import ExpectationSource, expect, list_causes_now
from donorfit.stages.plan.fault_notes import note_faults
from donorfit.stages.plan.hand_checks import list_hand_checks
from donorfit.stages.plan.keepers import KeeperPlan, plan_keepers
from donorfit.stages.plan.options import OptionPlan, plan_options
from donorfit.stages.plan.order import OrderedSteps, order_within_support
from donorfit.stages.plan.records import Declaration, RecordPlan, RecordTask, plan_records
from donorfit.stages.plan.software import SoftwarePlan, plan_software
from donorfit.stages.plan.steps import StepSource, make_steps
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

NO_CHOICES = PlanChoices()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """The parts of a plan, before they are put together.

    Attributes:
        survey: the car as surveyed.
        seen: the same, with the module as read on the bench where it is not in the car yet.
    """

    pack: Pack
    survey: Survey
    seen: Survey
    module: DonorModule
    options: OptionPlan
    software: SoftwarePlan
    records: RecordPlan
    keepers: KeeperPlan
    foreign_vin: str


def _make_parts(
    pack: Pack, survey: Survey, module: DonorModule, bench: Survey | None, choices: PlanChoices
) -> _Parts:
    options = plan_options(pack, survey, module, choices)
    seen = add_bench_reading(survey, bench, module)
    software = plan_software(pack, seen, module)
    own = pack.find_unit(module.unit)
    settled = own is not None and own.present_option in survey.options
    donor = None
    if choices.donor_options is not None and choices.donor_month is not None:
        donor = Declaration(options=frozenset(choices.donor_options), month=choices.donor_month)
    task = RecordTask(
        before=Declaration(options=frozenset(options.options_before), month=options.month_before),
        after=Declaration(options=frozenset(options.options_after), month=options.month_after),
        donor=donor,
        module_unit=module.unit,
        module_settled=settled,
        answers=choices.answers,
    )
    return _Parts(
        pack=pack,
        survey=survey,
        seen=seen,
        module=module,
        options=options,
        software=software,
        records=plan_records(pack, seen, software, task),
        keepers=plan_keepers(pack, survey, options.month_after, options.options_after),
        foreign_vin=find_foreign_vin(module, survey, bench),
    )


def _make_expectation(parts: _Parts) -> ExpectationSource:
    return ExpectationSource(
        pack=parts.pack,
        survey=parts.survey,
        module=parts.module,
        options=parts.options,
        lists=parts.keepers.writes,
        records=parts.records.merged,
        programming=parts.software.programming,
        donor_vin_stays=bool(parts.foreign_vin),
    )


def _make_row(parts: _Parts, expected: tuple[ExpectedFault, ...]) -> tuple[Step, ...]:
    seen = {(unit.unit, fault.code) for unit in parts.survey.units for fault in unit.faults}
    return make_steps(
        StepSource(
            pack=parts.pack,
            survey=parts.seen,
            module=parts.module,
            lists=parts.keepers.writes,
            records=tuple(each for each in parts.records.merged if each.written),
            programming=parts.software.programming,
            clear=frozenset(each.unit for each in expected if (each.unit, each.code) in seen),
        )
    )


def _order_wires(
    pack: Pack, module: DonorModule, choices: PlanChoices
) -> tuple[tuple[WireOrder, ...], list[Finding]]:
    """Wires between the connectors that the pack describes; none where it describes none."""
    by_id = {each.id: each for each in pack.connectors}
    own, host = by_id.get(module.connector), by_id.get(module.host_connector)
    if own is None or host is None:
        if not module.connector:
            return (), []
        return (), [
            Finding(
                id="wires-not-known",
                severity=Severity.WARNING,
                what=f"The wires of {module.title} cannot be planned.",
                where=f"connector {module.connector}",
                why="The pack does not describe both connectors.",
                next_step="Match the pins by the maker's wiring diagrams of both cars.",
            )
        ]
    match = match_pins(host, own)
    # The plan orders the wires that avert these dangers, and a caution to be confirmed says so;
    # they no longer forbid the session, in which the module has to be wired already.
    dangers = [replace(each, severity=Severity.WARNING) for each in match.dangers]
    return order_wires(match, run_length_m=choices.wire_length_m), dangers


def _choose_cautions(
    parts: _Parts, steps: tuple[Step, ...], wires: tuple[WireOrder, ...], *, plug_differs: bool
) -> tuple[PlannedCaution, ...]:
    touched = {step.unit for step in steps} | {
        each.unit.id for each in parts.records.merged if each.changes
    }
    touched |= {parts.module.unit, *(each.unit for each in parts.module.companions)}
    return choose_cautions(
        systems=[(unit.system, unit.title) for unit in parts.pack.units if unit.id in touched],
        donor_vin_differs=bool(parts.foreign_vin),
        month_changes=parts.options.month_after != parts.options.month_before,
        programming=any(step.kind is StepKind.PROGRAM for step in steps),
        supply=parts.pack.supply is not None and bool(steps),
        wires=bool(wires),
        ring=parts.module.on_ring,
        plug_differs=plug_differs,
        own=parts.pack.cautions,
        extra=[(each, f"{parts.module.title} brings it up") for each in parts.module.cautions],
    )


def _list_identities(survey: Survey, steps: tuple[Step, ...]) -> tuple[tuple[UnitId, str], ...]:
    touched = dict.fromkeys(step.unit for step in steps)
    reads = ((unit, survey.find_unit(unit)) for unit in touched)
    return tuple((unit, read.serial) for unit, read in reads if read is not None)


def _list_silent(parts: _Parts, steps: tuple[Step, ...]) -> list[Finding]:
    """Units that the plan writes though they did not answer: the plan must not be applied."""
    silent = sorted(
        {
            step.unit
            for step in steps
            if (read := parts.survey.find_unit(step.unit)) is None or not read.answered
        }
    )
    return [
        Finding(
            id="unit-not-answering",
            severity=Severity.BLOCKING,
            what=f"{unit} has to be written, but it did not answer.",
            where=unit,
            next_step="Check that it is fitted, supplied and awake, then survey the car again.",
        )
        for unit in silent
    ]


def _say_order(ordered: OrderedSteps) -> list[Finding]:
    steps, order = ordered.steps, ordered.order
    if order is None:
        return [
            Finding(
                id="nothing-to-do",
                severity=Severity.NOTE,
                what="Nothing has to be written: the car is configured for the module already.",
            )
        ]
    programs = [step for step in steps if step.kind is StepKind.PROGRAM]
    why = (
        "What a backup can take back comes first: option list, records, resets. "
        "Fault codes are cleared last, so that what shows afterwards is new."
    )
    if programs:
        why += (
            f" From {programs[0].id} on software is loaded, which only the old software can undo;"
            " by then everything else is written and checked."
        )
    return [
        Finding(
            id="order-of-steps",
            severity=Severity.NOTE,
            what=f"{count(len(steps), 'step')} in {count(len(order.rounds), 'round')}, "
            "the reversible ones first.",
            why=why,
        )
    ]


def make_plan(
    pack: Pack,
    survey: Survey,
    report: FitReport,
    bench: Survey | None = None,
    choices: PlanChoices = NO_CHOICES,
) -> Plan:
    """Make the plan: what changes, in which order, with which reason; nothing is sent.

    The same arguments give the same plan, to the byte. Open questions and blocking findings forbid
    applying it, not looking at it.

    Raises:
        InputError: a name, an answer or a survey cannot be used.
        SafetyError: the records do not belong together, or the VIN cannot be right.
        NotPossibleError: the module cannot work here, or no option list is possible.
    """
    module = check_chain(pack, survey, report, bench)
    parts = _make_parts(pack, survey, module, bench, choices)
    vin_question, vin_finding = ask_about_vin(module, parts.foreign_vin, choices)
    source = _make_expectation(parts)
    expected = expect(source)
    row = _make_row(parts, expected)
    ordered, supply, supply_findings = order_within_support(pack, row, choices.support_current_a)
    steps = ordered.steps
    wires, wire_findings = _order_wires(pack, module, choices)
    unmentioned = find_unmentioned(
        (each.option for each in parts.options.changes),
        (record for unit in pack.units for record in unit.records),
    )
    return Plan(
        purpose=PlanPurpose.RETROFIT,
        pack_digest=pack.digest,
        survey_digest=compute_digest(survey),
        report_digest=compute_digest(report),
        module=module.id,
        vin=survey.vin,
        identities=_list_identities(parts.seen, steps),
        month_before=parts.options.month_before,
        month_after=parts.options.month_after,
        month_reason=parts.options.month_reason,
        options_before=parts.options.options_before,
        options_after=parts.options.options_after,
        option_changes=parts.options.changes,
        edits=parts.records.list_edits(),
        steps=steps,
        supply=supply,
        seconds=ordered.seconds,
        order=ordered.order,
        expected_faults=expected,
        cautions=_choose_cautions(parts, steps, wires, plug_differs=bool(wire_findings)),
        wires=wires,
        checks=list_hand_checks(pack, module),
        questions=(*parts.records.questions, *((vin_question,) if vin_question else ())),
        findings=(
            *list_survey_doubts(survey),
            *((vin_finding,) if vin_finding else ()),
            *parts.options.findings,
            *parts.software.findings,
            *parts.keepers.findings,
            *parts.records.findings,
            *_list_silent(parts, steps),
            *supply_findings,
            *wire_findings,
            *((unmentioned,) if unmentioned else ()),
            *note_faults(pack, survey, list_causes_now(source)),
            *_say_order(ordered),
            *ordered.findings,
        ),
    )
