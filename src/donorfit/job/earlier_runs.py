"""What earlier runs of the same plan leave to say: a step that was done does not become untouched.

A run that stops early has not reached steps that a run before it had done. Undo restores what the
newest change record names, so nothing may be forgotten from one record to the next.
"""

from collections.abc import Iterable
from dataclasses import replace

from donorfit.job.claims import TOUCHED
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, StepKind
from donorfit.records.preparation import Preparation
from donorfit.records.session_order import BEGUN_LANE, name_lane
from donorfit.records.survey import Survey

_PROGRAM = StepKind.PROGRAM
_DEEDS = frozenset((StepKind.RESET, StepKind.CLEAR_FAULTS))
_EARLIER = "so in an earlier run"
_CUT = "the run was cut before its end"
_DOUBT = "the part of this run before it was cut may have done it"


def keep_earlier(change: ChangeRecord, earlier: ChangeRecord | None, plan: Plan) -> ChangeRecord:
    """The change record with the earlier result of every step that this run did not reach.

    A step that was refused, or not begun, now and touched before is uncertain. So is one that
    nobody has looked at in this run: what a unit holds may have changed since. A deed that leaves
    nothing to look at stays done.

    Args:
        change: what the newest run says.
        earlier: the newest record of this plan before it; None where there is none.
        plan: the plan.
    """
    if earlier is None:
        return change
    before = {each.step: each for each in earlier.steps}
    deeds = {each.id for each in plan.steps if each.kind in _DEEDS}
    steps = tuple(
        _choose(each, before.get(each.step), lasting=each.step not in deeds)
        for each in change.steps
    )
    kept = {new.unit for new, old in zip(steps, change.steps, strict=True) if new is not old}
    again = tuple(unit for unit in earlier.changed if unit in kept)
    return replace(change, steps=steps, changed=tuple(dict.fromkeys((*change.changed, *again))))


def _choose(result: StepResult, earlier: StepResult | None, *, lasting: bool) -> StepResult:
    if earlier is None or earlier.state not in TOUCHED:
        return result
    if result.state in {StepState.REFUSED, StepState.NOT_BEGUN}:
        # A unit that refuses to be looked at has not lost what an earlier run may have written.
        return replace(result, state=StepState.UNCERTAIN)
    if result.state is not StepState.NOT_REACHED or result.detail:
        return result
    detail = earlier.detail
    if _EARLIER not in detail:
        detail = f"{detail} ({_EARLIER})".strip()
    state = StepState.UNCERTAIN if lasting else earlier.state
    return replace(earlier, state=state, detail=detail)


def doubt_begun(change: ChangeRecord, plan: Plan, strands: frozenset[str]) -> ChangeRecord:
    """The change record without the claim that a step was not reached where a cut part began it.

    A run that is taken up looks at the car anew, and may stop at that. What the part before the
    cut asked for is then in the journal only.

    Args:
        change: what the run says.
        plan: its plan.
        strands: strands of the run in which something was asked that may have changed the car.
    """
    begun = _list_steps(plan, strands)
    steps = tuple(
        replace(each, state=StepState.UNCERTAIN, detail=_DOUBT)
        if each.state is StepState.NOT_REACHED and not each.detail and each.step in begun
        else each
        for each in change.steps
    )
    doubted = [new.unit for new, old in zip(steps, change.steps, strict=True) if new is not old]
    return replace(change, steps=steps, changed=tuple(dict.fromkeys((*change.changed, *doubted))))


def _list_steps(plan: Plan, strands: frozenset[str]) -> frozenset[str]:
    if plan.order is None:
        return frozenset(step.id for step in plan.steps) if strands else frozenset()
    lanes = {name.rpartition("/")[2] for name in strands}
    steps = {
        step
        for each in plan.order.rounds
        for lane in each.lanes
        for step in lane.steps
        if name_lane(each.number, lane.network) in lanes
    }
    if BEGUN_LANE in lanes:
        steps.update(step.id for step in plan.steps if step.kind is StepKind.PROGRAM)
    return frozenset(steps)


def presume_change(
    plan: Plan, preparation: Preparation, earlier: ChangeRecord | None
) -> ChangeRecord:
    """A run that was cut: any step may be done, and undo looks before it writes.

    Args:
        plan: what was being carried out.
        preparation: the preparation it relied on.
        earlier: the record of a run before it, of whatever plan; what it says was done stands.
    """
    known = {
        each.step: each
        for each in (earlier.steps if earlier is not None else ())
        if each.state in TOUCHED
    }
    uncertain = tuple(
        known.get(
            step.id,
            StepResult(step=step.id, unit=step.unit, what=step.what, state=StepState.UNCERTAIN),
        )
        for step in plan.steps
    )
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=uncertain,
        finished=False,
        changed=tuple(dict.fromkeys(step.unit for step in plan.steps)),
        stop_reason=_CUT,
    )


def warn_of_begun(plan: Plan, standing: tuple[str, ...]) -> Plan:
    """A plan that is made over a retrofit of the same job says how far its undo goes back.

    Args:
        plan: the new plan.
        standing: digests of the plans that were begun and not taken back, the oldest first.
    """
    if not standing:
        return plan
    warning = Finding(
        id="undo-goes-back-to-today",
        severity=Severity.WARNING,
        what="This job has changed the car before: undo of this plan goes back to the car as it "
        "was surveyed last, not to its first state.",
        why="Each way back restores the backups of its own plan, the newest plan first.",
        evidence=_name_plans(standing),
        next_step="To have the first state back, now or later: donorfit undo JOB, again after "
        "each way back, until nothing is left to take back.",
    )
    return replace(plan, findings=(*plan.findings, warning))


def forbid_over_begun_download(plan: Plan, survey: Survey, standing: Iterable[Plan]) -> Plan:
    """A plan from a survey of a unit that a download of this job may have left in its boot loader.

    Such a unit shows neither its software nor its records, so that the plan would take its boot
    loader for the state before the work. It may be looked at and not be carried out.

    Args:
        plan: the new plan.
        survey: the survey that it was made from.
        standing: plans that were begun and not taken back.
    """
    downloads = [step for each in standing for step in each.steps if step.kind is _PROGRAM]
    known = {
        unit: {
            version
            for step in downloads
            if step.unit == unit
            for version in (step.software_before, step.software_after)
        }
        for unit in {step.unit for step in downloads}
    }
    findings = []
    for unit, versions in sorted(known.items()):
        read = survey.find_unit(unit)
        if read is None or not read.answered or read.software in versions:
            continue
        shown = " or ".join(sorted(versions))
        findings.append(
            Finding(
                id="download-not-ended",
                severity=Severity.BLOCKING,
                what=f"{unit} reports software {read.software or 'not at all'}, so a download of "
                "this job may have left it in its boot loader.",
                where=unit,
                why=f"This job knows it with {shown}. Its boot loader is not its state before the "
                "work, and shows no records.",
                next_step="donorfit resume JOB or donorfit undo JOB, then survey and plan anew. "
                "If it was programmed elsewhere: begin a new job file.",
            )
        )
    return replace(plan, findings=(*plan.findings, *findings)) if findings else plan


def tell_what_stays(plan: Plan, below: tuple[str, ...]) -> Plan:
    """A way back that leaves earlier retrofits of the same job in the car says so.

    Args:
        plan: the way back.
        below: digests of the plans that still stand after it, the oldest first.
    """
    if not below:
        return plan
    note = Finding(
        id="more-to-take-back",
        severity=Severity.WARNING,
        what="This way back ends at the car as it was surveyed for the newest plan; what was "
        "begun before it stays.",
        evidence=_name_plans(below),
        next_step="When it is carried out, donorfit undo JOB plans the next way back.",
    )
    return replace(plan, findings=(*plan.findings, note))


def _name_plans(digests: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"begun before: plan {each[:12]}" for each in digests)
