"""Which retrofits of a job stand in the car: begun, and not taken back to the end.

A job may plan, stop and plan anew. Each retrofit that was begun lies on the one before it, and the
way back takes the newest off first. What lies below keeps its own plan and its own backups, so
that the last way back brings the car to what it was before anything was changed.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from donorfit.job.store import JobStore, StoredRecord, StoredRun, decode_stored
from donorfit.records.change_record import ChangeRecord
from donorfit.records.plan import Plan, PlanPurpose
from donorfit.records.preparation import Preparation

APPLY = "apply"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A retrofit that was begun and not taken back.

    Attributes:
        plan_digest: its plan.
        preparation_digest: the preparation that its last run relied on.
        runs: its runs since it was begun, or begun again after it had been taken back; empty
            where the job file has none and only a change record speaks of it.
    """

    plan_digest: str
    preparation_digest: str
    runs: tuple[StoredRun, ...]

    @property
    def cut(self) -> bool:
        """Whether one of its runs has not ended: every run that ended left a record."""
        return any(not run.ended_at for run in self.runs)


def list_standing(store: JobStore) -> tuple[Standing, ...]:
    """Retrofits that stand in the car, the oldest first.

    Raises:
        JournalError: a record cannot be read.
    """
    records = store.list_records()
    plans = {each.digest: decode_stored(each, Plan) for each in records if each.kind == "plan"}
    undone = dict(_list_undone(records, plans))
    # A plan without steps leaves nothing in the car.
    empty = {digest for digest, plan in plans.items() if not plan.steps} - undone.keys()
    finished = {
        (change.plan_digest, change.preparation_digest)
        for change in (
            decode_stored(each, ChangeRecord) for each in records if each.kind == "change"
        )
        if change.finished
    }
    standing: list[Standing] = []
    for run in _list_apply_runs(store, records):
        plan_digest, _, preparation_digest = run.context.partition(" ")
        if plan_digest in empty:
            continue
        if plan_digest not in undone:
            _begin(standing, plan_digest, preparation_digest, run)
        elif (plan_digest, preparation_digest) in finished:
            _take_off(standing, undone[plan_digest])
    return tuple(standing)


def list_runs_of(store: JobStore, plan: Plan, plan_digest: str) -> tuple[StoredRun, ...]:
    """Runs whose work on a plan still counts; of a retrofit none from before it was taken back."""
    if plan.purpose is PlanPurpose.RETROFIT:
        standing = reversed(list_standing(store))
        return next((each.runs for each in standing if each.plan_digest == plan_digest), ())
    return tuple(
        run
        for run in store.list_runs()
        if run.stage == APPLY and run.context.partition(" ")[0] == plan_digest
    )


def find_change_of(store: JobStore, runs: tuple[StoredRun, ...]) -> ChangeRecord | None:
    """The newest change record that one of some runs has left; None where none has."""
    contexts = {run.context for run in runs}
    for stored in reversed(store.list_records()):
        if stored.kind == "change":
            change = decode_stored(stored, ChangeRecord)
            if f"{change.plan_digest} {change.preparation_digest}" in contexts:
                return change
    return None


def find_change_before(store: JobStore, runs: tuple[StoredRun, ...]) -> ChangeRecord | None:
    """The newest change record of runs that ended, as it was when one that has not ended began.

    A program that is killed between the record of a run and its end leaves a run that is taken up
    although it has a record: what is replayed must not be told by that one.
    """
    ended = Counter(
        run.context for run in store.list_runs() if run.stage == APPLY and run.ended_at
    )
    left = {run.context: ended[run.context] for run in runs if not run.ended_at}
    newest = None
    contexts = {run.context for run in runs}
    for stored in store.list_records():
        if stored.kind != "change":
            continue
        change = decode_stored(stored, ChangeRecord)
        context = f"{change.plan_digest} {change.preparation_digest}"
        if context not in contexts:
            continue
        if context in left:
            # Every run that ended has left one; those after them are of the run that has not.
            left[context] -= 1
            if left[context] < 0:
                continue
        newest = change
    return newest


def _list_undone(
    records: tuple[StoredRecord, ...], plans: Mapping[str, Plan]
) -> Iterator[tuple[str, str]]:
    """Digests of plans of a way back, each with the digest of the plan that it takes back."""
    prepared: Mapping[str, str] = {
        each.digest: decode_stored(each, Preparation).plan_digest
        for each in records
        if each.kind == "preparation"
    }
    for digest, plan in plans.items():
        if plan.purpose is PlanPurpose.UNDO:
            yield digest, prepared.get(plan.preparation_digest, "")


def _list_apply_runs(store: JobStore, records: tuple[StoredRecord, ...]) -> list[StoredRun]:
    runs = [run for run in store.list_runs() if run.stage == APPLY]
    if runs:
        return runs
    changes = [decode_stored(each, ChangeRecord) for each in records if each.kind == "change"]
    return [
        StoredRun(
            run=0,
            stage=APPLY,
            context=f"{each.plan_digest} {each.preparation_digest}",
            begun_at="",
            ended_at="not known",
        )
        for each in changes
    ]


def _begin(
    standing: list[Standing], plan_digest: str, preparation_digest: str, run: StoredRun
) -> None:
    if standing and standing[-1].plan_digest == plan_digest:
        runs = (*standing[-1].runs, run)
        standing[-1] = replace(standing[-1], preparation_digest=preparation_digest, runs=runs)
    else:
        standing.append(
            Standing(plan_digest=plan_digest, preparation_digest=preparation_digest, runs=(run,))
        )


def _take_off(standing: list[Standing], plan_digest: str) -> None:
    for place in range(len(standing) - 1, -1, -1):
        if standing[place].plan_digest == plan_digest:
            del standing[place]
            return
