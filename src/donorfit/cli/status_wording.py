"""A job's status as lines."""

from donorfit.cli.columns import clean, count, fold, tabulate
from donorfit.cli.wording import word_digest, word_list
from donorfit.job.status import JobStatus, OpenRun


def word_status(status: JobStatus) -> list[str]:
    """Records, unfinished runs and the next step."""
    lines = [
        f"Car   {clean(status.vin) or 'not read yet'}",
        f"Pack  {clean(status.pack) or 'none yet'}",
        "",
    ]
    rows = [(record.kind, word_digest(record.digest), record.made_at) for record in status.records]
    lines += tabulate(rows, head=("record", "digest", "made at")) if rows else ["No records yet."]
    for run in status.open_runs:
        lines += ["", *fold(_word_run(run))]
        lines += _word_lanes(run)
    return [*lines, "", f"Next: {status.next_step}"]


def _word_run(run: OpenRun) -> str:
    begun = f"Not finished: {run.stage}, begun {run.begun_at}"
    if not run.plan:
        # Other stages read and ask, and change nothing.
        return f"{begun}; {count(run.changes - run.uncertain, 'answer')} on record."
    looked = "which is" if run.uncertain == 1 else "which are"
    doubt = (
        f"{run.uncertain} without a known outcome, {looked} looked at before anything else is "
        "written."
        if run.uncertain
        else "each with a known outcome."
    )
    changes = count(run.changes, "change")
    return f"{begun}, of the plan {word_digest(run.plan)}; {changes} sent, {doubt}"


def _word_lanes(run: OpenRun) -> list[str]:
    """How far each lane of the round is in which the run stopped."""
    if not run.lanes:
        return []
    rows = [
        (
            lane.network,
            word_list(lane.closed) if lane.closed else "none",
            f"{lane.begun} begun" if lane.begun else "",
            word_list(lane.left) if lane.left else "none",
        )
        for lane in run.lanes
    ]
    head = ("network", "closed", "", "not begun")
    return [f"It is in round {run.round} of {run.rounds}:", *tabulate(rows, head=head)]
