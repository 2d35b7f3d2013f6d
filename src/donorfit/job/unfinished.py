"""What a job file holds that was begun and did not come to its end."""

from dataclasses import dataclass

from donorfit.job.store import JobStore, StoredRun, decode_stored
from donorfit.records.change_record import ChangeRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Unfinished:
    """What resuming takes up.

    Attributes:
        stage: the stage; empty where nothing is unfinished.
        plan_digest: for apply, the plan that the person confirmed; empty elsewhere.
        preparation_digest: for apply, the preparation that it relied on.
    """

    stage: str
    plan_digest: str = ""
    preparation_digest: str = ""


def list_open_runs(store: JobStore) -> tuple[StoredRun, ...]:
    """Runs that did not end and that no later run of their stage has taken the place of."""
    newest = {run.stage: run for run in store.list_runs()}
    return tuple(run for run in newest.values() if not run.ended_at)


def name_plan(run: StoredRun) -> str:
    """Digest of the plan that a run of apply carries out; empty for other stages."""
    return run.context.partition(" ")[0] if run.stage == "apply" else ""


def find_unfinished(store: JobStore) -> Unfinished:
    """What was begun last and did not come to its end.

    A run of apply belongs to the plan that was confirmed when it began, whatever was planned
    since: nobody has confirmed another one.
    """
    runs = sorted(list_open_runs(store), key=lambda run: run.run)
    if runs:
        plan, _, preparation = runs[-1].context.partition(" ")
        if runs[-1].stage == "apply":
            return Unfinished(stage="apply", plan_digest=plan, preparation_digest=preparation)
        return Unfinished(stage=runs[-1].stage)
    stored = store.find_latest("change")
    change = decode_stored(stored, ChangeRecord) if stored else None
    if change is not None and not change.finished:
        return Unfinished(
            stage="apply",
            plan_digest=change.plan_digest,
            preparation_digest=change.preparation_digest,
        )
    return Unfinished(stage="")
