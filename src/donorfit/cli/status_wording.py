"""A job's status as lines."""

from donorfit.cli.columns import clean, count, fold, tabulate
from donorfit.cli.wording import word_digest
from donorfit.job.status import JobStatus


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
    return [*lines, "", f"Next: {status.next_step}"]
