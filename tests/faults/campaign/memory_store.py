"""A job file in memory that can lose its last words, be full, or fail, as a disk would."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from donorfit.edge.journal.memory import MemoryRun
from donorfit.errors import JournalError
from donorfit.job.store import StoredRecord, StoredRun

if TYPE_CHECKING:
    from donorfit.diagnostics.conversation import Outcome
    from donorfit.job.journal import PastAsk


class DiskFullError(JournalError):
    """As the real job file says it."""

    def __init__(self) -> None:
        super().__init__(what="The disk is full, so the job file cannot be written.")


@dataclass
class Run:
    stage: str
    context: str
    entries: list[tuple[Any, ...]] = field(default_factory=list)
    durable: int = 0
    """Entries that a loss of power leaves: what was there at the last durable write."""
    ended: bool = False
    begun_at: str = ""


class MemoryStore:
    """Records, backups and runs; see :class:`donorfit.job.store.JobStore`.

    Attributes:
        full_writes: how many writes from now on fail, because the disk is full.
        on_write: is called before every write, so that a test can strike there.
        now: wall time, for when a run began.
    """

    def __init__(self) -> None:
        self.full_writes = 0
        self.writes = 0
        self.on_write = lambda: None
        self.now = lambda: ""
        self._facts: dict[str, str] = {}
        self._records: list[StoredRecord] = []
        self._latest: dict[str, StoredRecord] = {}
        self._backups: dict[str, bytes] = {}
        self._runs: list[Run] = []

    def copy(self) -> MemoryStore:
        """The same job file beside this one, before any run."""
        other = MemoryStore()
        other._facts = dict(self._facts)
        other._records = list(self._records)
        other._latest = dict(self._latest)
        other._backups = dict(self._backups)
        return other

    def copy_file(self) -> MemoryStore:
        """The same job file with all its runs, as somebody may put it aside at any moment."""
        other = self.copy()
        other._runs = [replace(run, entries=list(run.entries)) for run in self._runs]
        return other

    def count_all(self) -> tuple[int, int, int, int]:
        """Numbers of records, backups, runs and entries: what a refusal must leave as it is."""
        entries = sum(len(run.entries) for run in self._runs)
        return len(self._records), len(self._backups), len(self._runs), entries

    def strike(self) -> None:
        """Before every write: whatever a test has in store for it."""
        self.writes += 1
        self.on_write()
        if self.full_writes > 0:
            self.full_writes -= 1
            raise DiskFullError

    def lose_power(self) -> None:
        """What was not written durably is gone; the record being written is torn."""
        for run in self._runs:
            del run.entries[run.durable :]

    def set_fact(self, name: str, value: str) -> None:
        self.strike()
        self._facts[name] = value

    def read_fact(self, name: str) -> str:
        return self._facts.get(name, "")

    def add_record(self, kind: str, data: bytes) -> str:
        self.strike()
        digest = hashlib.sha256(data).hexdigest()
        record = StoredRecord(
            sequence=len(self._records) + 1, kind=kind, digest=digest, data=data, made_at=""
        )
        self._records.append(record)
        self._latest[kind] = record
        return digest

    def list_records(self) -> tuple[StoredRecord, ...]:
        return tuple(self._records)

    def find_latest(self, kind: str) -> StoredRecord | None:
        return self._latest.get(kind)

    def add_backup(self, data: bytes) -> str:
        self.strike()
        digest = hashlib.sha256(data).hexdigest()
        self._backups[digest] = data
        return digest

    def read_backup(self, digest: str) -> bytes | None:
        return self._backups.get(digest)

    def begin_run(self, stage: str, context: str) -> StoreRun:
        for run in reversed(self._runs):
            if (run.stage, run.context, run.ended) == (stage, context, False):
                return StoreRun(self, run, taken_up=True)
        self.strike()
        self._runs.append(Run(stage, context, begun_at=self.now()))
        return StoreRun(self, self._runs[-1], taken_up=False)

    def list_runs(self) -> tuple[StoredRun, ...]:
        return tuple(
            StoredRun(
                run=n,
                stage=run.stage,
                context=run.context,
                begun_at=run.begun_at,
                ended_at="x" if run.ended else "",
            )
            for n, run in enumerate(self._runs)
        )

    def read_run(self, run: int) -> dict[str, tuple[PastAsk, ...]]:
        return MemoryRun(self._runs[run].entries).read_past()


class StoreRun(MemoryRun):
    """The journal of one run; what is binding is durable, and makes all before it durable."""

    def __init__(self, store: MemoryStore, run: Run, *, taken_up: bool) -> None:
        super().__init__(run.entries)
        self.taken_up = taken_up
        self._store = store
        self._run = run

    def write_cut(self, strand: str, number: int) -> None:
        self._store.strike()
        super().write_cut(strand, number)
        self._run.durable = len(self.entries)

    def write_intent(self, strand: str, past: PastAsk, what: str) -> None:
        self._store.strike()
        super().write_intent(strand, past, what)
        if past.binding:
            self._run.durable = len(self.entries)

    def write_outcome(self, strand: str, number: int, outcome: Outcome, *, binding: bool) -> None:
        self._store.strike()
        super().write_outcome(strand, number, outcome, binding=binding)
        if binding:
            self._run.durable = len(self.entries)

    def end(self) -> None:
        self._store.strike()
        self._run.ended = True
