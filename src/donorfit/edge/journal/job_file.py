"""One job, one SQLite file: records with digests, backups by SHA-256, the journal of every run.

Intents and outcomes of binding asks are written with ``synchronous=FULL`` before the loop goes on;
readings are written without waiting for the disk, since they are made afresh after a crash.
"""

import hashlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from donorfit.diagnostics.conversation import Outcome
from donorfit.edge.journal.fold import fold_entries
from donorfit.edge.journal.schema import APPLICATION_ID, MIGRATIONS
from donorfit.errors import JournalError
from donorfit.job.journal import PastAsk, outcome_to_plain
from donorfit.job.store import StoredRecord, StoredRun

LOG_SUFFIX = "-wal"
"""What SQLite puts behind the file's name for the log beside it."""
_HEADER = b"SQLite format 3\x00"


class JobFile:
    """An open job file; only one program can have it open at a time."""

    def __init__(self, path: Path, connection: sqlite3.Connection, now: Callable[[], str]) -> None:
        self.path = path
        self._connection = connection
        self._now = now

    @classmethod
    def create(cls, path: Path, now: Callable[[], str]) -> Self:
        """Make a new, empty job file.

        Raises:
            JournalError: something of that name is there, or it cannot be written.
        """
        if path.exists():
            raise JournalError(
                what="There is a file of that name already.",
                where=str(path),
                next_step="Name another job file, or go on with this one.",
            )
        return cls._open(path, now)

    @classmethod
    def open(cls, path: Path, now: Callable[[], str]) -> Self:
        """Open a job file that is there, bringing it to the present form.

        Raises:
            JournalError: it is missing, damaged, not a job file, of a newer donorfit, read only,
                or open elsewhere.
        """
        check_is_job_file(path)
        _check_may_be_written(path)
        return cls._open(path, now)

    @classmethod
    def _open(cls, path: Path, now: Callable[[], str]) -> Self:
        with _as_journal_error(path):
            connection = sqlite3.connect(path, timeout=0.5, isolation_level=None)
            try:
                _prepare(connection, path)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection, now)

    def __enter__(self) -> Self:
        """Use as a context; leaving closes the file."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    def close(self) -> None:
        """Close the file; everything is in the one file afterwards."""
        try:
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error:
            # The log beside the file still holds everything; the next opening takes it up.
            pass
        finally:
            self._connection.close()

    def _write(self, statement: str, values: tuple[object, ...], *, durable: bool) -> int:
        with _as_journal_error(self.path):
            self._connection.execute(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
            return self._connection.execute(statement, values).lastrowid or 0

    # What the job is

    def set_fact(self, name: str, value: str, *, durable: bool = True) -> None:
        """Keep one fact of the job, such as the pack's path."""
        self._write(
            "INSERT INTO meta VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value=excluded.value",
            (name, value),
            durable=durable,
        )

    def read_fact(self, name: str) -> str:
        """One fact of the job; empty where it was never set."""
        with _as_journal_error(self.path):
            row = self._connection.execute(
                "SELECT value FROM meta WHERE name = ?", (name,)
            ).fetchone()
        return str(row[0]) if row else ""

    # Records

    def add_record(self, kind: str, data: bytes) -> str:
        """Add a record of a kind; return its digest."""
        digest = hashlib.sha256(data).hexdigest()
        self._write(
            "INSERT INTO records (kind, digest, data, made_at) VALUES (?, ?, ?, ?)",
            (kind, digest, data, self._now()),
            durable=True,
        )
        return digest

    def list_records(self) -> tuple[StoredRecord, ...]:
        """All records, oldest first; each checked against its digest.

        Raises:
            JournalError: a record's bytes do not fit its digest.
        """
        with _as_journal_error(self.path):
            rows = self._connection.execute(
                "SELECT sequence, kind, digest, data, made_at FROM records ORDER BY sequence"
            ).fetchall()
        records = tuple(
            StoredRecord(sequence=row[0], kind=row[1], digest=row[2], data=row[3], made_at=row[4])
            for row in rows
        )
        for record in records:
            if hashlib.sha256(record.data).hexdigest() != record.digest:
                raise JournalError(
                    what="A record in the job file is damaged.",
                    where=f"{self.path}, record {record.sequence} ({record.kind})",
                    why="Its bytes do not give the digest written beside it.",
                    next_step="Use a copy of the job file made earlier.",
                )
        return records

    def find_latest(self, kind: str) -> StoredRecord | None:
        """The newest record of a kind."""
        return next((each for each in reversed(self.list_records()) if each.kind == kind), None)

    # Backups

    def add_backup(self, data: bytes) -> str:
        """Keep the bytes of a backup; return their SHA-256. The same bytes are kept once."""
        digest = hashlib.sha256(data).hexdigest()
        self._write("INSERT OR IGNORE INTO backups VALUES (?, ?)", (digest, data), durable=True)
        return digest

    def read_backup(self, digest: str) -> bytes | None:
        """The bytes of a backup; None where there is none, or it no longer gives its digest."""
        with _as_journal_error(self.path):
            row = self._connection.execute(
                "SELECT data FROM backups WHERE sha256 = ?", (digest,)
            ).fetchone()
        if row is None or hashlib.sha256(row[0]).hexdigest() != digest:
            return None
        return bytes(row[0])

    # Runs

    def begin_run(self, stage: str, context: str) -> "FileRun":
        """Begin a run, or take up the one of this stage and context that has not ended."""
        with _as_journal_error(self.path):
            row = self._connection.execute(
                "SELECT run FROM runs WHERE stage = ? AND context = ? AND ended_at IS NULL "
                "ORDER BY run DESC LIMIT 1",
                (stage, context),
            ).fetchone()
        run = (
            int(row[0])
            if row
            else self._write(
                "INSERT INTO runs (stage, context, begun_at) VALUES (?, ?, ?)",
                (stage, context, self._now()),
                durable=True,
            )
        )
        return FileRun(self, run, taken_up=row is not None)

    def list_runs(self) -> tuple[StoredRun, ...]:
        """All runs, oldest first."""
        with _as_journal_error(self.path):
            rows = self._connection.execute(
                "SELECT run, stage, context, begun_at, ended_at FROM runs ORDER BY run"
            ).fetchall()
        return tuple(
            StoredRun(
                run=row[0], stage=row[1], context=row[2], begun_at=row[3], ended_at=row[4] or ""
            )
            for row in rows
        )

    def read_run(self, run: int) -> dict[str, tuple[PastAsk, ...]]:
        """Asks of one run that still count, by strand."""
        return FileRun(self, run, taken_up=True).read_past()


class FileRun:
    """The journal of one run inside a job file (see :class:`donorfit.job.journal.RunJournal`)."""

    def __init__(self, job: JobFile, run: int, *, taken_up: bool) -> None:
        self._job = job
        self._run = run
        self.taken_up = taken_up

    def read_past(self) -> dict[str, tuple[PastAsk, ...]]:
        """Asks of earlier runs that still count, by strand."""
        with _as_journal_error(self._job.path):
            rows = self._job._connection.execute(  # noqa: SLF001 - the run is part of the file
                "SELECT kind, strand, number, binding, digest, outcome FROM entries "
                "WHERE run = ? ORDER BY sequence",
                (self._run,),
            ).fetchall()
        return fold_entries(rows, where=str(self._job.path))

    def _add(
        self,
        kind: str,
        strand: str,
        number: int,
        *,
        binding: bool,
        digest: str = "",
        what: str = "",
        outcome: str | None = None,
    ) -> None:
        self._job._write(  # noqa: SLF001 - the run is part of the file
            "INSERT INTO entries (run, kind, strand, number, binding, digest, what, outcome, at) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                self._run,
                kind,
                strand,
                number,
                int(binding),
                digest,
                what,
                outcome,
                self._job._now(),  # noqa: SLF001
            ),
            durable=binding,
        )

    def write_cut(self, strand: str, number: int) -> None:
        """Say that asks from a number on no longer count."""
        self._add("cut", strand, number, binding=True)

    def write_intent(self, strand: str, past: PastAsk, what: str) -> None:
        """Write what is about to be asked, durably where it is binding."""
        self._add(
            "intent", strand, past.number, binding=past.binding, digest=past.digest, what=what
        )

    def write_outcome(self, strand: str, number: int, outcome: Outcome, *, binding: bool) -> None:
        """Write what came of it."""
        text = json.dumps(outcome_to_plain(outcome), sort_keys=True)
        self._add("outcome", strand, number, binding=binding, outcome=text)

    def end(self) -> None:
        """Say that the run came to its result and is not to be taken up again."""
        self._job._write(  # noqa: SLF001 - the run is part of the file
            "UPDATE runs SET ended_at = ? WHERE run = ?",
            (self._job._now(), self._run),  # noqa: SLF001
            durable=True,
        )


def check_is_job_file(path: Path, *, may_be_empty: bool = False) -> None:
    """See that a file is there and begins like a job file.

    Raises:
        JournalError: it does not, or cannot be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(len(_HEADER))
    except OSError as error:
        raise JournalError(
            what="The job file cannot be opened.",
            where=str(path),
            why=error.strerror or str(error),
            next_step="Name a job file that is there, or begin one with: donorfit survey JOB",
        ) from error
    if head != _HEADER and not (may_be_empty and not head):
        raise JournalError(
            what="This is not a job file.",
            where=str(path),
            why="It does not begin like a SQLite file.",
            next_step="Name a job file made by donorfit.",
        )


def _check_may_be_written(path: Path) -> None:
    if not (os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK)):
        raise JournalError(
            what="The job file cannot be written.",
            where=str(path),
            why="The file, its folder or the disk is read only.",
            next_step="Make it writable, or work on a copy. To look at it: donorfit status JOB",
        )


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("PRAGMA locking_mode=EXCLUSIVE")
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if tables and application != APPLICATION_ID:
        raise JournalError(
            what="This is not a job file.",
            where=str(path),
            why="It is a SQLite file of something else.",
            next_step="Name a job file made by donorfit.",
        )
    if version > len(MIGRATIONS):
        raise JournalError(
            what="The job file was made by a newer donorfit.",
            where=str(path),
            why=f"It has form {version}, this donorfit knows up to {len(MIGRATIONS)}.",
            next_step="Update donorfit.",
        )
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")
    # Taking the write lock now tells a second program at once, not at its first write.
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version={len(MIGRATIONS)}")
    for migration in MIGRATIONS[version:]:
        for statement in migration.split(";"):
            if statement.strip():
                connection.execute(statement)
    connection.execute("COMMIT")


@contextmanager
def _as_journal_error(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _explain(error, path) from error


def _explain(error: sqlite3.Error, path: Path) -> JournalError:
    text = str(error)
    if "locked" in text:
        what = "The job file is open in another donorfit."
        next_step = "Finish or stop the other one first."
    elif "readonly" in text or "unable to open" in text:
        what = "The job file cannot be written."
        next_step = "Make the file and its folder writable."
    elif "full" in text:
        what = "The disk is full, so the job file cannot be written."
        next_step = "Free some space, then: donorfit resume JOB"
    else:
        what = "The job file is damaged or cannot be used."
        next_step = "Use a copy of the job file made earlier."
    return JournalError(
        what=what,
        where=str(path),
        why=text,
        state="Nothing more was sent to the car: a change leaves once its intent is on disk.",
        next_step=next_step,
    )
