"""The steps of a plan in rounds: the shortest session within the limits, with every reason."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from donorfit.ordering import Limits, Order, Round, order_tasks
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import PlanPurpose, Step, StepKind, SupplyForecast
from donorfit.records.session_order import PlannedLane, PlannedRound, SessionOrder
from donorfit.stages.plan.supply import forecast
from donorfit.stages.plan.turns import Work, list_work
from donorfit.vehicle.pack import Pack, SideBySide

_ONE_BY_ONE = SideBySide()


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedSteps:
    """The steps in the order of the rounds, with their numbers; and what has to be said."""

    steps: tuple[Step, ...]
    order: SessionOrder | None
    findings: tuple[Finding, ...]

    @property
    def seconds(self) -> float:
        """Planned length of the session."""
        return self.order.seconds if self.order else 0.0

    @property
    def load(self) -> tuple[Step, ...]:
        """The load of the session, as one step a round.

        It is the most that the round can take over all its length, since nobody knows beforehand
        what will run beside what.
        """
        if self.order is None:
            return ()
        first = {each.round: each for each in reversed(self.steps)}
        return tuple(
            replace(first[each.number], seconds=each.seconds, current_a=each.current_a)
            for each in self.order.rounds
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One ordering.

    Attributes:
        by_task: the work by its task.
        base_a: current of the awake car.
        allowed: what may be done at the same time.
        most_current_a: most that the car may take; infinite where nothing limits it.
    """

    by_task: Mapping[str, Work]
    base_a: float
    allowed: SideBySide
    most_current_a: float

    def make_limits(self) -> Limits:
        """Limits on what comes on top of the awake car."""
        load = self.allowed.gateway_bytes_per_s
        return Limits(
            lanes=self.allowed.most_units,
            current_a=max(0.0, self.most_current_a - self.base_a),
            bytes_per_s=math.inf if load is None else load,
        )


def order_steps(
    pack: Pack,
    steps: Sequence[Step],
    purpose: PlanPurpose,
    support_current_a: float | None = None,
) -> OrderedSteps:
    """Put steps into rounds.

    Args:
        pack: the car family; where it does not say what may be done at the same time, it is one
            unit after the other.
        steps: the steps in a row that could be followed as it is.
        purpose: what the plan is for.
        support_current_a: what the person's supply can hold, where that limits the session.
    """
    if not steps:
        return OrderedSteps(steps=(), order=None, findings=())
    allowed = pack.side_by_side or _ONE_BY_ONE
    currents = (allowed.most_current_a, support_current_a)
    base_a = min(step.current_a for step in steps)
    work = list_work(pack, steps, purpose, base_a)
    case = _Case(
        by_task={each.task.id: each for each in work},
        base_a=base_a,
        allowed=allowed,
        most_current_a=min((each for each in currents if each is not None), default=math.inf),
    )
    order = order_tasks([each.task for each in work], case.make_limits())
    ordered, rounds = _number(case, order)
    session = SessionOrder(
        rounds=rounds,
        seconds=order.seconds,
        row_seconds=order.row_seconds,
        bound_seconds=order.bound_seconds,
        proved=order.proved,
        most_units=allowed.most_units,
        most_current_a=None if math.isinf(case.most_current_a) else case.most_current_a,
        gateway_bytes_per_s=allowed.gateway_bytes_per_s,
    )
    findings = (
        *_say_what_is_unknown(pack, session),
        *_say_what_is_too_much(case, order),
        *_say_what_is_not_proved(session),
    )
    return OrderedSteps(steps=ordered, order=session, findings=findings)


def order_within_support(
    pack: Pack, row: Sequence[Step], support_current_a: float | None
) -> tuple[OrderedSteps, SupplyForecast | None, tuple[Finding, ...]]:
    """Order a retrofit and forecast its supply; less is done at once where the supply is weak.

    What a supply has to hold is more than the car takes, since the battery swallows some of it:
    where the forecast asks for more than there is, the rounds are made anew with that much less.
    """
    ordered = order_steps(pack, row, PlanPurpose.RETROFIT, support_current_a)
    supply, findings = forecast(pack, ordered.load)
    if supply is None or support_current_a is None:
        return ordered, supply, findings
    missing_a = supply.support_current_a - support_current_a
    least_a = max(step.current_a for step in row)
    if missing_a > 0 and supply.peak_current_a > least_a:
        limit_a = max(least_a, supply.peak_current_a - missing_a)
        ordered = order_steps(pack, row, PlanPurpose.RETROFIT, limit_a)
        supply, findings = forecast(pack, ordered.load)
    return ordered, supply, findings


def _number(case: _Case, order: Order) -> tuple[tuple[Step, ...], tuple[PlannedRound, ...]]:
    """Give the steps their numbers, rounds and reasons, and the rounds their steps."""
    steps: list[Step] = []
    rounds: list[PlannedRound] = []
    restorable = True
    for number, each in enumerate(order.rounds, start=1):
        because = _say_why_now(case, order.rounds[number - 2] if number > 1 else None, each)
        ends = tuple(lane.steps[-1] for lane in rounds[-1].lanes) if rounds else ()
        lanes, closing = [], []
        for lane in each.lanes:
            first = len(steps)
            for step in (step for task in lane.tasks for step in case.by_task[task].steps):
                waits_for, reason = ends, because
                if len(steps) > first:
                    waits_for, reason = (steps[-1].id,), _say_why_after(steps[-1], step)
                steps.append(
                    replace(
                        step,
                        id=f"s{len(steps) + 1:02d}",
                        round=number,
                        waits_for=waits_for,
                        waits_because=reason,
                    )
                )
            closing.append(steps[-1])
            ids = tuple(step.id for step in steps[first:])
            lanes.append(PlannedLane(network=lane.name, steps=ids, seconds=lane.seconds))
        restorable &= not any(
            step.kind is StepKind.PROGRAM for step in steps if step.round == number
        )
        rounds.append(
            PlannedRound(
                number=number,
                lanes=tuple(lanes),
                seconds=each.seconds,
                current_a=round(case.base_a + each.current_a, 3),
                bytes_per_s=each.bytes_per_s,
                because=because,
                safe=all(end.safe_after for end in closing),
                restorable=restorable,
            )
        )
    return tuple(steps), tuple(rounds)


def _say_why_after(before: Step, step: Step) -> str:
    if before.unit == step.unit and before.kind is step.kind is StepKind.PROGRAM:
        return f"software {before.software_after} has to run before what replaces it is loaded"
    if before.unit == step.unit:
        return "one change of a unit is closed before its next one begins"
    return "one unit at a time on a network"


def _say_why_now(case: _Case, before: Round | None, this: Round) -> str:
    """Why a round begins only when the one before it has ended."""
    if before is None:
        return ""
    work = [case.by_task[task] for lane in this.lanes for task in lane.tasks]
    earlier = [case.by_task[task] for lane in before.lanes for task in lane.tasks]
    if all(each.turn is not other.turn for each in work for other in earlier):
        return str(work[0].turn.value)
    alone = next((each for each in (*work, *earlier) if each.alone_because), None)
    if alone is not None:
        return f"{alone.steps[0].unit}: {alone.alone_because}"
    return _say_which_limit(case, before, this)


def _say_which_limit(case: _Case, before: Round, this: Round) -> str:
    peaks: dict[str, tuple[float, float]] = {}
    for lane in (*before.lanes, *this.lanes):
        for name in lane.tasks:
            task = case.by_task[name].task
            current, load = peaks.get(lane.name, (0.0, 0.0))
            peaks[lane.name] = max(current, task.current_a), max(load, task.bytes_per_s)
    current = case.base_a + sum(peak for peak, _ in peaks.values())
    load = sum(peak for _, peak in peaks.values())
    most_load = case.allowed.gateway_bytes_per_s
    if current > case.most_current_a:
        return f"together up to {current:.1f} A, and {case.most_current_a:g} A are the limit"
    if most_load is not None and load > most_load:
        return f"together up to {load:.0f} bytes a second, and the gateway passes {most_load:g}"
    if len(peaks) > case.allowed.most_units:
        return f"no more than {count(case.allowed.most_units, 'unit')} at once"
    return "the session is not longer for it"


def _say_what_is_unknown(pack: Pack, session: SessionOrder) -> list[Finding]:
    networks = {lane.network for each in session.rounds for lane in each.lanes}
    if pack.side_by_side is not None or len(networks) == 1:
        return []
    return [
        Finding(
            id="side-by-side-not-said",
            severity=Severity.NOTE,
            what="One unit is worked on after the other.",
            why="The pack does not say what this family may do at the same time.",
            next_step="If the family is known well, give side_by_side in the pack's session part.",
        )
    ]


def _say_what_is_too_much(case: _Case, order: Order) -> list[Finding]:
    findings = []
    if case.base_a > case.most_current_a:
        findings.append(
            Finding(
                id="current-limit",
                severity=Severity.BLOCKING,
                what=f"The awake car takes {case.base_a:.1f} A by itself, and "
                f"{case.most_current_a:g} A are the limit.",
                where="supply",
                next_step="Use a supply that holds more, or check the figures in the pack.",
            )
        )
    for name in order.too_heavy:
        task = case.by_task[name].task
        needed = case.base_a + task.current_a
        if needed > case.most_current_a:
            findings.append(
                Finding(
                    id="current-limit",
                    severity=Severity.BLOCKING,
                    what=f"The car takes {needed:.1f} A in {', '.join(_list_ids(case, name))}, "
                    f"and {case.most_current_a:g} A are the limit.",
                    where=case.by_task[name].steps[0].unit,
                    why="It is too much even with nothing beside it.",
                    next_step="Use a supply that holds more, or check the figures in the pack.",
                )
            )
    return findings


def _list_ids(case: _Case, name: str) -> list[str]:
    return [step.what for step in case.by_task[name].steps if step.kind is StepKind.PROGRAM] or [
        case.by_task[name].steps[0].what
    ]


def _say_what_is_not_proved(session: SessionOrder) -> list[Finding]:
    if session.proved:
        return []
    gap = session.seconds - session.bound_seconds
    return [
        Finding(
            id="order-not-proved",
            severity=Severity.NOTE,
            what=f"A shorter order may exist: at most {gap:.0f} s of "
            f"{session.seconds:.0f} s could be saved.",
            why="The search for the shortest order ended before it had looked at everything.",
        )
    ]
