"""What a job file holds that was begun and did not come to its end."""

from dataclasses import dataclass

from donorfit.job.store import JobStore, StoredRun, decode_stored
from donorfit.records.change_record import ChangeRecord

_LATER = {
    "bench survey": frozenset(("prepare", "apply")),
    "survey": frozenset(("prepare", "apply")),
    "prepare": frozenset(("apply",)),
    "prove": frozenset(("apply",)),
}
"""Stages that go on without what a stage that only reads would have left."""


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
    """Runs that did not end and that nothing later has taken the place of.

    That is a later run of their stage, or, of a stage that only reads, one that went on without
    it; a preparation also falls with the plan that it was made for.
    """
    runs = store.list_runs()
    newest = {run.stage: run for run in runs}
    plan = store.find_latest("plan")
    return tuple(
        run
        for run in newest.values()
        if not run.ended_at
        and not any(each.run > run.run for each in runs if each.stage in _LATER.get(run.stage, ()))
        and (run.stage != "prepare" or plan is None or run.context == plan.digest)
    )


def name_plan(run: StoredRun) -> str:
    """Digest of the plan that a run of apply carries out; empty for other stages."""
    return run.context.partition(" ")[0] if run.stage == "apply" else ""


def find_unfinished(store: JobStore) -> Unfinished:
    """What was begun last and did not come to its end.

    A run of apply belongs to the plan that was confirmed when it began, whatever was planned
    since: nobody has confirmed another one. It comes before a preparation that was begun later,
    such as that of the way back, which ``undo`` begins and goes on with.
    """
    runs = sorted(list_open_runs(store), key=lambda run: (run.stage == "apply", run.run))
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
