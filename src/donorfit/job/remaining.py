"""How long the rest of a session will take.

The plan foresees a duration for every step and says which run side by side. What the session has
measured corrects that: steps of one kind by how long such steps took, a download by its own speed.
What is told follows the reckoning gradually, so that it does not jump.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from donorfit.records.plan import Plan, Step, StepKind

OVERDUE = 0.1
"""A step that takes longer than foreseen is expected to take this share of its time more."""
PRIOR_STEPS = 1.0
"""How many measured steps of a kind the plan's own figure weighs as much as."""
FOLLOW_SHARE = 0.1
"""What is told comes nearer to the reckoning within this share of the rest, but for 1/e."""
FOLLOW_LEAST_S = 1.0
FULL_TRUST = 0.2
"""From this share of a download on its own speed counts alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Steps of one kind that were measured: how long they were planned and how long they took."""

    kind: StepKind
    steps: int
    planned_s: float
    taken_s: float


@dataclass(frozen=True, slots=True)
class _Transfer:
    """A download under way: share done, and seconds that the rest takes by its own speed."""

    done: float
    left_s: float
    at_s: float


class RemainingTime:
    """Reckons and tells the rest of one session.

    Args:
        plan: what is carried out.
        measured: what an earlier part of it has measured.
        after_download_s: by step, how much of a download's duration comes after its transfer.
    """

    def __init__(
        self,
        plan: Plan,
        measured: Iterable[Measured] = (),
        after_download_s: Mapping[str, float] | None = None,
    ) -> None:
        self._steps = {step.id: step for step in plan.steps}
        self._rounds = _list_rounds(plan)
        self._after_s = dict(after_download_s or {})
        self._measured = {each.kind: each for each in measured}
        self._usual_s = _average(plan)
        self._closed: set[str] = set()
        self._opened_at_s: dict[str, float] = {}
        self._parts: set[str] = set()
        self._transfers: dict[str, _Transfer] = {}
        self._told_s: float | None = None
        self._told_at_s = 0.0

    @property
    def steps(self) -> int:
        """Steps in all."""
        return len(self._steps)

    @property
    def steps_done(self) -> int:
        """Steps that are closed."""
        return len(self._closed)

    @property
    def opened(self) -> tuple[Step, ...]:
        """Steps that are being done, oldest first."""
        return tuple(self._steps[id_] for id_ in self._opened_at_s)

    def list_measured(self) -> tuple[Measured, ...]:
        """What was measured so far, earlier parts of the session included."""
        return tuple(self._measured[kind] for kind in StepKind if kind in self._measured)

    def open(self, step: str, at_s: float, *, whole: bool = True) -> None:
        """A step begins; ``whole`` is false where a part of it was done before."""
        if step not in self._steps:
            return
        self._opened_at_s[step] = at_s
        self._transfers.pop(step, None)
        if not whole:
            self._parts.add(step)

    def close(self, step: str, at_s: float) -> None:
        """A step is done."""
        if step not in self._steps:
            return
        begun_s = self._opened_at_s.pop(step, None)
        self._transfers.pop(step, None)
        self._closed.add(step)
        if begun_s is not None and step not in self._parts:
            self._learn(self._steps[step], at_s - begun_s)

    def follow_download(self, step: str, done: float, left_s: float, at_s: float) -> None:
        """A download is so far, 0..1, and takes so long yet by its own speed; 0 for not known."""
        if step in self._opened_at_s and left_s > 0.0:
            self._transfers[step] = _Transfer(done, left_s, at_s)
        elif step in self._transfers:
            self._transfers[step] = _Transfer(done, 0.0, at_s)

    def reckon(self, at_s: float) -> float:
        """Seconds of the rest as they follow from plan and measurements alone; 0 at the end."""
        return sum(
            max((sum(self._reckon_step(id_, at_s) for id_ in lane) for lane in lanes), default=0.0)
            for lanes in self._rounds
        )

    def begin_telling(self) -> None:
        """Let the next telling be what is reckoned: nothing was told of this place before."""
        self._told_s = None

    def tell(self, at_s: float) -> float:
        """Seconds of the rest as they are told: never below 0, 0 at the end and only there.

        Between two tellings it runs down with the clock and comes nearer to what is reckoned, by
        a share that depends on the time between them alone.
        """
        reckoned_s = self.reckon(at_s)
        if self._told_s is None or reckoned_s <= 0.0:
            told_s = reckoned_s
        else:
            passed_s = max(0.0, at_s - self._told_at_s)
            expected_s = max(0.0, self._told_s - passed_s)
            within_s = max(FOLLOW_LEAST_S, FOLLOW_SHARE * reckoned_s)
            share = 1.0 - math.exp(-passed_s / within_s)
            told_s = expected_s + share * (reckoned_s - expected_s)
        self._told_s, self._told_at_s = told_s, at_s
        return told_s

    def _learn(self, step: Step, taken_s: float) -> None:
        known = self._measured.get(step.kind)
        self._measured[step.kind] = Measured(
            kind=step.kind,
            steps=(known.steps if known else 0) + 1,
            planned_s=(known.planned_s if known else 0.0) + step.seconds,
            taken_s=(known.taken_s if known else 0.0) + taken_s,
        )

    def _correct(self, step: Step) -> float:
        """Planned seconds of a step, corrected by those of its kind that were measured."""
        known = self._measured.get(step.kind)
        prior_s = PRIOR_STEPS * self._usual_s[step.kind]
        if known is None or known.planned_s + prior_s <= 0.0:
            return step.seconds
        return step.seconds * (known.taken_s + prior_s) / (known.planned_s + prior_s)

    def _reckon_step(self, id_: str, at_s: float) -> float:
        if id_ in self._closed:
            return 0.0
        step = self._steps[id_]
        planned_s = self._correct(step)
        begun_s = self._opened_at_s.get(id_)
        if begun_s is None:
            return planned_s
        passed_s = max(0.0, at_s - begun_s)
        by_plan_s = max(planned_s - passed_s, OVERDUE * passed_s)
        transfer = self._transfers.get(id_)
        if transfer is None or not (transfer.left_s or transfer.done):
            return by_plan_s
        left_s = max(0.0, transfer.left_s - (at_s - transfer.at_s))
        by_speed_s = left_s + min(self._after_s.get(id_, 0.0), planned_s)
        trust = min(1.0, transfer.done / FULL_TRUST)
        return trust * by_speed_s + (1.0 - trust) * by_plan_s


def _list_rounds(plan: Plan) -> tuple[tuple[tuple[str, ...], ...], ...]:
    """Lanes of steps, round by round; a plan without rounds is one lane."""
    if plan.order is None:
        return ((tuple(step.id for step in plan.steps),),)
    return tuple(tuple(lane.steps for lane in each.lanes) for each in plan.order.rounds)


def _average(plan: Plan) -> dict[StepKind, float]:
    """Usual planned duration of a step, by kind."""
    counts = Counter(step.kind for step in plan.steps)
    total: Counter[StepKind] = Counter()
    for step in plan.steps:
        total[step.kind] += step.seconds  # type: ignore[assignment]
    return {kind: total[kind] / number for kind, number in counts.items()}
