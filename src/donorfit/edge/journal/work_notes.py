"""The note of the program that is at work on a job file, kept in that file.

It is written without waiting for the disk: a program that is killed leaves it behind all the same,
and after a loss of power it matters to nobody.
"""

from dataclasses import dataclass
from pathlib import Path

from donorfit.edge.host.processes import (
    ProcessMark,
    is_running,
    read_host_name,
    read_own_process,
)
from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import JournalError
from donorfit.job.remaining import Measured
from donorfit.job.work import AtWork, Running, WorkNote
from donorfit.records.encoding import UnreadableRecordError, decode, encode

_FACT = "at work"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """A note as it stands in the file.

    Attributes:
        process: who wrote it.
        host: on which computer.
        file: the file's own number on its disk.
        ended: whether that program has let go of the job since.
        note: the note.
    """

    process: ProcessMark
    host: str
    file: str
    ended: bool
    note: WorkNote


class WorkNotes:
    """Keeps the notes of this program in a job file; never raises, since nothing hangs on them."""

    def __init__(self, store: JobFile) -> None:
        self._store = store
        self._process = read_own_process()
        self._host = read_host_name()
        self._file = _identify(store.path)
        self._newest: WorkNote | None = None

    def keep(self, note: WorkNote) -> None:
        """Put a note in the place of the one before."""
        self._write(note, ended=False)
        self._newest = note

    def end(self) -> None:
        """Say that this program is not at work any more."""
        if self._newest is not None:
            self._write(self._newest, ended=True)

    def find_measured(self, plan_digest: str) -> tuple[Measured, ...]:
        """What the newest note holds of an earlier part of this plan's session."""
        kept = _read(self._store)
        return kept.note.measured if kept and kept.note.plan_digest == plan_digest else ()

    def _write(self, note: WorkNote, *, ended: bool) -> None:
        kept = _Kept(
            process=self._process, host=self._host, file=self._file, ended=ended, note=note
        )
        try:
            self._store.set_fact(_FACT, encode(kept).decode(), durable=False)
        except JournalError:
            # A full disk stops the next change by itself, with its own words.
            return


def _read(store: JobFile) -> _Kept | None:
    text = store.read_fact(_FACT)
    try:
        return decode(text.encode(), _Kept) if text else None
    except UnreadableRecordError:
        # Written by another version; the run itself is told from the journal.
        return None


def read_at_work(store: JobFile, path: Path) -> AtWork | None:
    """Who is, or was last, at work on the job file at ``path``; None where nobody is.

    ``store`` may be a copy of it. A note that came into the file with somebody else's copy counts
    as cut: that program is not at work on this file.
    """
    kept = _read(store)
    if kept is None or kept.ended:
        return None
    if kept.host != read_host_name():
        running = Running.NOT_SEEN
    elif kept.file == _identify(path) and is_running(kept.process):
        running = Running.AT_WORK
    else:
        running = Running.CUT
    return AtWork(running=running, process=kept.process.number, host=kept.host, note=kept.note)


def _identify(path: Path) -> str:
    return str(path.stat().st_ino)
