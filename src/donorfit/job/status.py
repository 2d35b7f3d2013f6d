"""Where a job stands, from its file alone."""

from collections.abc import Mapping
from dataclasses import dataclass

from donorfit.diagnostics.conversation import Noted, NotSent, Unknown
from donorfit.job.claims import find_begun, list_closed
from donorfit.job.given_answers import GivenLine, list_given
from donorfit.job.journal import PastAsk
from donorfit.job.remaining import RemainingTime
from donorfit.job.standing import find_change_before, list_runs_of
from donorfit.job.store import JobStore, decode_stored
from donorfit.job.unfinished import list_open_runs, name_plan
from donorfit.job.work import AtWork, Running
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Severity
from donorfit.records.plan import Plan, PlanPurpose
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.records.session_order import name_lane

SHOWN_DIGITS = 12
"""Digits of a digest that a command takes."""
_RESUME = "donorfit resume JOB"
_ANEW = "then check and plan anew"
_WAIT = "wait for the one that is at work; this command can be given again at any time"
_ANSWER = "give the answer where it is asked; this command can be given again at any time"
_ORDER = ("survey", "fit report", "plan", "preparation", "change", "proof", "hand-over")
_NEXT = {
    "survey": "donorfit survey JOB --pack PACK --car HOST:PORT",
    "fit report": "donorfit check JOB --module MODULE",
    "plan": "donorfit plan JOB",
    "preparation": "donorfit prepare JOB --car HOST:PORT",
    "proof": "donorfit prove JOB --car HOST:PORT",
    "hand-over": "donorfit record JOB",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLine:
    """One record of the job."""

    kind: str
    digest: str
    made_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLane:
    """One lane of the round that a run is in.

    Attributes:
        network: its network.
        closed: steps that are done and read back.
        begun: the step that was begun and is not closed; empty where there is none.
        left: steps that were not begun.
    """

    network: str
    closed: tuple[str, ...]
    begun: str
    left: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRun:
    """A run that has not ended.

    Attributes:
        stage: its stage.
        begun_at: when it began.
        plan: digest of the plan that it carries out; empty for stages that carry none out.
        changes: changing requests and answers of the person that were begun.
        uncertain: those of them whose outcome is not known, and whose step was not closed since.
        round: the round that it is in; 0 where it has none.
        rounds: rounds in all.
        lanes: how far each lane of that round is.
        steps_done: steps of the plan that are closed.
        steps: steps of the plan in all; 0 in stages without steps.
        left_s: seconds that the rest takes by the plan and by what was measured; None where that
            is not known.
    """

    stage: str
    begun_at: str
    plan: str = ""
    changes: int
    uncertain: int
    round: int = 0
    rounds: int = 0
    lanes: tuple[OpenLane, ...] = ()
    steps_done: int = 0
    steps: int = 0
    left_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobStatus:
    """Where a job stands.

    Attributes:
        vin: the car.
        pack: path of its pack.
        records: records, oldest first.
        open_runs: runs that have not ended.
        next_step: the command that comes next.
        at_work: the program that is at work on the job file, or was when it was cut; None where
            nothing is unfinished.
        given: what was answered and measured for the newest preparation, and when.
    """

    vin: str
    pack: str
    records: tuple[RecordLine, ...]
    open_runs: tuple[OpenRun, ...]
    next_step: str
    at_work: AtWork | None = None
    given: tuple[GivenLine, ...] = ()


def describe_status(
    store: JobStore,
    pasts: Mapping[int, Mapping[str, tuple[PastAsk, ...]]],
    at_work: AtWork | None = None,
) -> JobStatus:
    """Where the job stands.

    Args:
        store: the job file, or a copy of it.
        pasts: the asks of every run by its number.
        at_work: the newest note of a program at work, whether it still runs or not.
    """
    records = store.list_records()
    open_runs = []
    for run in list_open_runs(store):
        strands = pasts.get(run.run, {})
        asks = [ask for strand in strands.values() for ask in strand]
        plan_digest = name_plan(run)
        plan = next(
            (
                decode_stored(each, Plan)
                for each in records
                if each.kind == "plan" and each.digest == plan_digest
            ),
            None,
        )
        begun = _find_begun(store, plan) if plan else frozenset()
        place = _find_place(plan, begun, strands) if plan else _NO_PLACE
        rest = _reckon_rest(plan, begun, strands, at_work) if plan else None
        open_runs.append(
            OpenRun(
                stage=run.stage,
                begun_at=run.begun_at,
                plan=plan_digest,
                changes=sum(_is_change(ask) for ask in asks),
                uncertain=sum(map(_count_uncertain, strands.values())),
                round=place.round,
                rounds=place.rounds,
                lanes=place.lanes,
                steps_done=rest.steps_done if rest else 0,
                steps=rest.steps if rest else 0,
                left_s=rest.reckon(0.0) if rest else None,
            )
        )
    if at_work is not None and at_work.note.stage not in {run.stage for run in open_runs}:
        # It came to its end since, so the note says nothing any more.
        at_work = None
    return JobStatus(
        vin=store.read_fact("vin"),
        pack=store.read_fact("pack path"),
        records=tuple(
            RecordLine(kind=each.kind, digest=each.digest, made_at=each.made_at)
            for each in records
        ),
        open_runs=tuple(open_runs),
        next_step=_say_next(store, open_runs, at_work),
        at_work=at_work,
        given=list_given(store),
    )


def _say_next(store: JobStore, runs: list[OpenRun], at_work: AtWork | None) -> str:
    if at_work is not None and at_work.running is Running.AT_WORK:
        return _ANSWER if at_work.note.waits_for else _WAIT
    if not runs:
        return _choose_next(store)
    ended = _say_resume(store, runs)
    if at_work is not None and at_work.running is Running.NOT_SEEN:
        return f"see on {at_work.host} whether it still runs; if it does not: {ended}"
    return ended


def _is_change(ask: PastAsk) -> bool:
    return ask.binding and not isinstance(ask.outcome, Noted)


def _count_uncertain(asks: tuple[PastAsk, ...]) -> int:
    """Changes of a strand without a known outcome; a step that was closed since was looked at."""
    closings = [at for at, ask in enumerate(asks) if _is_closing(ask)]
    return sum(
        ask.outcome is None or isinstance(ask.outcome, Unknown | NotSent)
        for ask in asks[closings[-1] + 1 if closings else 0 :]
        if _is_change(ask)
    )


def _say_resume(store: JobStore, runs: list[OpenRun]) -> str:
    """How to go on, and how to go back where the way back is planned already."""
    stored = store.find_latest("plan")
    forward = f"{_RESUME} --car HOST:PORT"
    if stored is None or all(run.plan in {"", stored.digest} for run in runs):
        return forward
    plan = decode_stored(stored, Plan)
    if plan.purpose is not PlanPurpose.UNDO:
        return forward
    return f"{forward} to go on, or {_say_undo(stored.digest)} to go back"


def _say_undo(digest: str) -> str:
    return f"donorfit undo JOB --car HOST:PORT --write {digest[:SHOWN_DIGITS]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where in the rounds of its plan a run is."""

    round: int = 0
    rounds: int = 0
    lanes: tuple[OpenLane, ...] = ()


_NO_PLACE = _Place()


def _find_begun(store: JobStore, plan: Plan) -> frozenset[str]:
    """Downloads that come before all rounds, as they did when the run began."""
    runs = list_runs_of(store, plan, compute_digest(plan))
    return find_begun(plan, find_change_before(store, runs))


def _find_place(
    plan: Plan, begun: frozenset[str], strands: Mapping[str, tuple[PastAsk, ...]]
) -> _Place:
    """The last round of which the journal holds anything, lane by lane."""
    if plan.order is None:
        return _NO_PLACE
    first = {step.id for step in plan.list_first(begun)}
    for each in reversed(plan.order.rounds):
        names = {
            lane.network: f"apply/{name_lane(each.number, lane.network)}" for lane in each.lanes
        }
        if not any(strands.get(name) for name in names.values()):
            continue
        lanes = []
        for lane in each.lanes:
            steps = tuple(step for step in lane.steps if step not in first)
            asks = strands.get(names[lane.network], ())
            closings = [at for at, ask in enumerate(asks) if _is_closing(ask)]
            done = len(closings)
            after = asks[closings[-1] + 1 :] if closings else asks
            now = steps[done] if after and done < len(steps) else ""
            lanes.append(
                OpenLane(
                    network=lane.network,
                    closed=steps[:done],
                    begun=now,
                    left=steps[done + bool(now) :],
                )
            )
        return _Place(round=each.number, rounds=len(plan.order.rounds), lanes=tuple(lanes))
    return _NO_PLACE


def _reckon_rest(
    plan: Plan,
    begun: frozenset[str],
    strands: Mapping[str, tuple[PastAsk, ...]],
    at_work: AtWork | None,
) -> RemainingTime | None:
    """The rest of a plan whose closed steps the journal holds; None where it marks no steps."""
    if plan.order is None:
        return None
    measured = at_work.note.measured if at_work is not None else ()
    rest = RemainingTime(plan, measured)
    for step in list_closed(plan, begun, strands):
        rest.close(step, 0.0)
    return rest


def _is_closing(ask: PastAsk) -> bool:
    return ask.binding and isinstance(ask.outcome, Noted)


def _choose_next(store: JobStore) -> str:
    missing = next((kind for kind in _ORDER if store.find_latest(kind) is None), None)
    stored_plan = store.find_latest("plan")
    if missing in {"survey", "fit report", "plan"} or stored_plan is None:
        return _NEXT[missing or "plan"]
    plan = decode_stored(stored_plan, Plan)
    digest = compute_digest(plan)
    stored = store.find_latest("change")
    change = decode_stored(stored, ChangeRecord) if stored else None
    if change is None or change.plan_digest != digest:
        return _say_carry_out(store, plan, digest)
    if not change.finished:
        return f"{_RESUME} --car HOST:PORT"
    return _choose_after_change(store, plan, compute_digest(change))


def _choose_after_change(store: JobStore, plan: Plan, change_digest: str) -> str:
    """What comes once a plan was carried out to its end."""
    proof = store.find_latest("proof")
    shown = decode_stored(proof, Proof) if proof else None
    if proof is None or shown is None or shown.change_digest != change_digest:
        return _NEXT["proof"]
    if not shown.proved:
        back = ", or donorfit undo JOB to go back" if plan.purpose is PlanPurpose.RETROFIT else ""
        return f"{_NEXT['proof']}, once what the proof found is mended{back}"
    handover = store.find_latest("hand-over")
    if handover is None or handover.sequence < proof.sequence:
        return _NEXT["hand-over"]
    return "nothing; the record is written"


def _say_carry_out(store: JobStore, plan: Plan, digest: str) -> str:
    """The command that brings a plan nearer to being carried out."""
    if plan.purpose is PlanPurpose.UNDO:
        return _say_undo(digest)
    if any(each.severity is Severity.BLOCKING for each in plan.findings):
        return (
            "donorfit survey JOB --car HOST:PORT, once what forbids this plan is mended; " + _ANEW
        )
    if any(not each.chosen for each in plan.questions):
        return "donorfit plan JOB --choose ID=CHOICE for each open question"
    stored = store.find_latest("preparation")
    preparation = decode_stored(stored, Preparation) if stored else None
    if preparation is None or preparation.plan_digest != digest or not preparation.ready:
        return _NEXT["preparation"]
    return f"donorfit apply JOB --car HOST:PORT --write {digest[:SHOWN_DIGITS]}"
