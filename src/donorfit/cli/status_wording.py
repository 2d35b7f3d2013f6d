"""A job's status as lines."""

from dataclasses import replace

from donorfit.cli.columns import clean, count, fold, tabulate
from donorfit.cli.progress_lines import word_place
from donorfit.cli.wording import word_digest, word_list
from donorfit.job.progress import SessionPlace
from donorfit.job.status import JobStatus, OpenRun
from donorfit.job.work import AtWork, Running, WorkNote, WorkPart


def word_status(status: JobStatus) -> list[str]:
    """Records, unfinished runs and the next step."""
    lines = [
        f"Car   {clean(status.vin) or 'not read yet'}",
        f"Pack  {clean(status.pack) or 'none yet'}",
        "",
    ]
    rows = [(record.kind, word_digest(record.digest), record.made_at) for record in status.records]
    lines += tabulate(rows, head=("record", "digest", "made at")) if rows else ["No records yet."]
    if status.given:
        lines += ["", "Answers given, and what was measured with them:"]
        for each in status.given:
            lines += fold(clean(each.words), first=f"  {each.at}  {each.subject}: ", rest="    ")
    if status.at_work is not None and status.at_work.running is not Running.CUT:
        lines += ["", *_word_at_work(status.at_work)]
    for run in status.open_runs:
        lines += ["", *fold(_word_run(run, status.at_work))]
        lines += _word_lanes(run)
    if status.at_work is not None and status.at_work.running is Running.CUT:
        lines += ["", "What it noted last:", *_word_note(status.at_work.note, cut=True)]
    return [*lines, "", f"Next: {status.next_step}"]


def _word_at_work(at_work: AtWork) -> list[str]:
    """Who works on the job, and how far that is."""
    note = at_work.note
    sure = at_work.running is Running.AT_WORK
    lines = fold(
        f"{'At work now' if sure else 'Perhaps at work'}: {note.stage}, since {note.since}, by "
        f"process {at_work.process} on {clean(at_work.host)}"
        + ("." if sure else ": whether it still runs cannot be seen from here.")
    )
    return [*lines, *_word_note(note)]


def _word_note(note: WorkNote, *, cut: bool = False) -> list[str]:
    """How far a stage is, or was, by its own note."""
    if note.waits_for:
        waits = f"It {'was waiting' if cut else 'waits'} for an answer since {note.noted_at}"
        return [
            *fold(f"{waits}: {note.waits_for}", first="  "),
            *_word_note(replace(note, waits_for="")),
        ]
    if not note.steps:
        return [f"  {count(note.answers, 'value')} read so far (noted at {note.noted_at})"]
    place = SessionPlace(steps_done=note.steps_done, steps=note.steps, left_s=note.left_s or 0.0)
    lines = [f"  {word_place(place)} (noted at {note.noted_at})"]
    for part in note.parts:
        lines += fold(f"{part.unit}: {part.what}{_word_bytes(part)}", first=f"  {part.step:<4} ")
    return lines


def _word_bytes(part: WorkPart) -> str:
    if not part.total_bytes:
        return ""
    return f", {part.done_bytes} of {count(part.total_bytes, 'byte')}"


def _word_run(run: OpenRun, at_work: AtWork | None) -> str:
    mine = at_work if at_work is not None and at_work.note.stage == run.stage else None
    if mine is None or mine.running is not Running.AT_WORK:
        begun = f"Not finished: {run.stage}, begun {run.begun_at}"
    else:
        begun = f"Begun {run.begun_at}"
    if mine is not None and mine.running is Running.CUT:
        begun += f", cut: process {mine.process} ended without a word after {mine.note.noted_at}"
    if not run.plan:
        # Other stages read and ask, and change nothing.
        return f"{begun}; {count(run.changes - run.uncertain, 'answer')} of a person on record."
    changes = count(run.changes, "change")
    begun = f"{begun}, of the plan {word_digest(run.plan)}; {changes} sent"
    if mine is not None and mine.running is Running.AT_WORK:
        under_way = f", {run.uncertain} of them under way" if run.uncertain else ""
        return f"{begun}{under_way}."
    looked = "which is" if run.uncertain == 1 else "which are"
    doubt = (
        f"{run.uncertain} without a known outcome, {looked} looked at before anything else is "
        "written."
        if run.uncertain
        else "each with a known outcome."
    )
    rest = ""
    if run.left_s is not None:
        place = SessionPlace(steps_done=run.steps_done, steps=run.steps, left_s=run.left_s)
        rest = f" {word_place(place)} once it goes on."
    return f"{begun}, {doubt}{rest}"


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
