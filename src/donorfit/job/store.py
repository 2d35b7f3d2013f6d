"""What the job needs of the job file: records, backups, runs and their journals."""

from dataclasses import dataclass
from typing import Protocol, TypeVar

from donorfit.errors import JournalError
from donorfit.job.journal import PastAsk, RunJournal
from donorfit.records.encoding import UnreadableRecordError, decode

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRecord:
    """One record in the job file."""

    sequence: int
    kind: str
    digest: str
    data: bytes
    made_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRun:
    """One run of one stage; ``ended_at`` is empty while it can be resumed."""

    run: int
    stage: str
    context: str
    begun_at: str
    ended_at: str


class JobRun(RunJournal, Protocol):
    """The journal of one run, which can be ended."""

    @property
    def taken_up(self) -> bool:
        """Whether an earlier run that had not ended goes on here."""

    def end(self) -> None:
        """Say that the run came to its result."""


class JobStore(Protocol):
    """The job file."""

    def set_fact(self, name: str, value: str) -> None:
        """Keep one fact of the job."""

    def read_fact(self, name: str) -> str:
        """One fact of the job; empty where it was never set."""

    def add_record(self, kind: str, data: bytes) -> str:
        """Add a record of a kind; return its digest."""

    def list_records(self) -> tuple[StoredRecord, ...]:
        """All records, oldest first."""

    def find_latest(self, kind: str) -> StoredRecord | None:
        """The newest record of a kind."""

    def add_backup(self, data: bytes) -> str:
        """Keep the bytes of a backup; return their SHA-256."""

    def read_backup(self, digest: str) -> bytes | None:
        """The bytes of a backup; None where there is none or it is damaged."""

    def begin_run(self, stage: str, context: str) -> JobRun:
        """Begin a run, or take up the one of this stage and context that has not ended."""

    def list_runs(self) -> tuple[StoredRun, ...]:
        """All runs, oldest first."""

    def read_run(self, run: int) -> dict[str, tuple[PastAsk, ...]]:
        """Asks of one run that still count, by strand."""


def decode_stored(record: StoredRecord, kind: type[T]) -> T:
    """Read a stored record.

    Raises:
        JournalError: it is not of that kind.
    """
    try:
        return decode(record.data, kind)
    except UnreadableRecordError as error:
        raise JournalError(
            what="A record in the job file cannot be read.",
            where=f"record {record.sequence} ({record.kind})",
            why=str(error),
            next_step="Use the version of donorfit that wrote it, or a copy made earlier.",
        ) from error
