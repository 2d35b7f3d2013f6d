"""Apply once more: what earlier parts of the work claim to have done is looked at first.

A journal that is replayed, and a record of an earlier run, say what was so then. Since then the
car may have been taken back, or changed from a copy of the job file, or by somebody else.
"""

from collections.abc import Generator, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from donorfit.diagnostics.readings import Missing, read_identifier, read_text
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.records.preparation import Preparation
from donorfit.stages.apply.deeds import StepOutcome
from donorfit.stages.apply.lanes import GOOD_STATES, describe_step
from donorfit.stages.apply.run import CHANGED_STATES, apply
from donorfit.vehicle.control_unit import SOFTWARE_IDENTIFIER, ControlUnit
from donorfit.vehicle.pack import Pack

_WRITES = frozenset((StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD))
_LASTING = _WRITES | {StepKind.PROGRAM}
_EARLIER = "done in an earlier part of the work"


@dataclass(frozen=True, slots=True, kw_only=True)
class Claims:
    """What earlier parts of the work say about the steps of a plan, by the steps' ids.

    Attributes:
        closed: steps that this run closed before it was cut, and that are only replayed.
        earlier: steps that earlier runs of this plan did, or may have done.
    """

    closed: frozenset[str] = frozenset()
    earlier: frozenset[str] = frozenset()


NO_CLAIMS = Claims()


def apply_again(
    pack: Pack,
    plan: Plan,
    preparation: Preparation,
    software: Mapping[str, bytes],
    *,
    begun: frozenset[str] = frozenset(),
    claims: Claims = NO_CLAIMS,
) -> Generator[Any, Any, ChangeRecord]:
    """Carry out a plan of which something may be done already; see :func:`apply`.

    Where the car no longer holds what this run had closed, nothing more is written: whoever
    changed it meant something. What earlier runs did is said as it is found now.

    Args:
        pack: the car family.
        plan: what to do.
        preparation: backups and identities.
        software: bytes of every software file that the plan names.
        begun: steps that an earlier run of this plan left uncertain.
        claims: what earlier parts of the work say.
    """
    wanted = [step for step in plan.steps if step.id in claims.closed | claims.earlier]
    seen = yield from _look(pack, plan, wanted)
    gone = [seen[id_] for id_ in sorted(claims.closed & seen.keys()) if _is_gone(seen[id_])]
    if gone:
        return _stop(plan, preparation, seen, gone)
    change: ChangeRecord = yield from apply(pack, plan, preparation, software, begun)
    # A unit that was in its boot loader shows its records now.
    unseen = {id_ for id_ in claims.closed & seen.keys() if _is_unseen(seen[id_])}
    later = yield from _look(pack, plan, [step for step in wanted if step.id in unseen])
    return _join(plan, change, seen | later, unseen)


def _look(
    pack: Pack, plan: Plan, steps: Iterable[Step]
) -> Generator[Any, Any, dict[str, StepResult]]:
    """What the car holds where some steps wrote; nothing is said of steps that only do."""
    places = [(each.unit, each.identifier) for each in plan.steps if each.kind in _WRITES]
    seen = {}
    for step in steps:
        unit = pack.find_unit(step.unit)
        if unit is None or step.kind not in _LASTING:
            continue
        if step.kind is StepKind.PROGRAM:
            outcome = yield from _look_at_software(plan, unit, step)
        elif places.count((step.unit, step.identifier)) == 1:
            outcome = yield from _look_at_record(unit, step)
        else:
            continue
        seen[step.id] = describe_step(step, outcome)
    return seen


def _look_at_record(unit: ControlUnit, step: Step) -> Generator[Any, Any, StepOutcome]:
    held = yield from read_identifier(unit, step.identifier, f"look again at {step.what}")
    if isinstance(held, Missing):
        return StepOutcome(
            state=StepState.UNCERTAIN, detail=f"{_EARLIER}; it cannot be read now: {held.why}"
        )
    if held == step.after:
        return StepOutcome(state=StepState.DONE, detail=f"{_EARLIER}, read back equal now")
    if held == step.before:
        return StepOutcome(
            state=StepState.NOT_REACHED, detail=f"{_EARLIER}, but it holds the old bytes again"
        )
    return StepOutcome(
        state=StepState.DIFFERS,
        detail=f"{_EARLIER}, but it holds {held.hex().upper()} now; old "
        f"{step.before.hex().upper()}, new {step.after.hex().upper()}",
        held=held,
    )


def _look_at_software(
    plan: Plan, unit: ControlUnit, step: Step
) -> Generator[Any, Any, StepOutcome]:
    """Software counts where the unit reports it, or what a later download of its row brings."""
    version = yield from read_text(unit, SOFTWARE_IDENTIFIER, "look again at the software version")
    row = [each for each in plan.steps if each.kind is step.kind and each.unit == step.unit]
    good = {each.software_after for each in row[row.index(step) :]}
    if step.only_if_begun:
        good.add(step.software_before)
    if version in good:
        return StepOutcome(state=StepState.DONE, detail=f"{_EARLIER}, reports {version} now")
    if version in {each.software_before for each in row}:
        return StepOutcome(
            state=StepState.NOT_REACHED, detail=f"{_EARLIER}, but it reports {version} again"
        )
    said = version.why if isinstance(version, Missing) else f"it reports {version}"
    return StepOutcome(state=StepState.UNCERTAIN, detail=f"{_EARLIER}; now {said}")


def _is_gone(result: StepResult) -> bool:
    return result.state in {StepState.NOT_REACHED, StepState.DIFFERS}


def _is_unseen(result: StepResult) -> bool:
    return result.state is StepState.UNCERTAIN


def _say_gone(results: Iterable[StepResult]) -> str:
    found = "; ".join(f"{each.step} {each.what}: {each.detail}" for each in results)
    return f"the car is not as this run left it: {found}"


def _stop(
    plan: Plan,
    preparation: Preparation,
    seen: Mapping[str, StepResult],
    gone: Iterable[StepResult],
) -> ChangeRecord:
    left = StepOutcome(state=StepState.NOT_REACHED)
    steps = tuple(seen.get(step.id) or describe_step(step, left) for step in plan.steps)
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=steps,
        finished=False,
        changed=_list_changed(plan, steps, ()),
        stop_reason=_say_gone(gone),
    )


def _join(
    plan: Plan, change: ChangeRecord, seen: Mapping[str, StepResult], unseen: Iterable[str]
) -> ChangeRecord:
    """The record with what was looked at in the place of what was not reached or only replayed."""
    steps = tuple(
        seen[each.step]
        if each.step in seen
        and (
            (each.state is StepState.NOT_REACHED and not each.detail)
            or (each.step in unseen and seen[each.step].state not in GOOD_STATES)
        )
        else each
        for each in change.steps
    )
    lost = [each for each in steps if each.step in unseen and each.state not in GOOD_STATES]
    reasons = [change.stop_reason] if change.stop_reason else []
    reasons += [_say_gone(lost)] if lost and change.finished else []
    return replace(
        change,
        steps=steps,
        finished=not reasons,
        changed=_list_changed(plan, steps, change.changed),
        stop_reason="; ".join(reasons),
    )


def _list_changed(
    plan: Plan, steps: Iterable[StepResult], known: Iterable[str]
) -> tuple[str, ...]:
    lasting = {step.id for step in plan.steps if step.kind in _LASTING}
    found = (
        each.unit
        for each in steps
        if each.step in lasting and (each.state in CHANGED_STATES or each.held)
    )
    return tuple(dict.fromkeys((*known, *found)))
