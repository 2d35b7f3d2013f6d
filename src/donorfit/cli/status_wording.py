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
        lines += [
            "",
            *fold(
                f"Not finished: {run.stage}, begun {run.begun_at}; "
                f"{count(run.changes, 'change')} or answers on record, {run.uncertain} without a "
                "known outcome. Those are looked at before anything else is written."
            ),
        ]
        lines += _word_lanes(run)
    return [*lines, "", f"Next: {status.next_step}"]


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
