"""Which program of this computer talks to which car: a second one is told.

The job file's own lock keeps two programs from one job. These claims keep two jobs from one car.
They lie in one small SQLite file, so that taking one over from a program that died is one
transaction. Programs on other computers show by the gateway's routing activation code 0x03.
"""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from donorfit.edge.host.processes import ProcessMark, is_same, read_process
from donorfit.errors import SafetyError

FILE_NAME = "cars.sqlite"
_TABLE = (
    "CREATE TABLE IF NOT EXISTS claims (car TEXT PRIMARY KEY, process INTEGER NOT NULL, "
    "started REAL NOT NULL, job TEXT NOT NULL, since TEXT NOT NULL)"
)
_ADDED = "since_boot"
"""A column that files of before do not have; -1 where it is not known."""
_ADD = f"ALTER TABLE claims ADD COLUMN {_ADDED} REAL NOT NULL DEFAULT -1"
_COLUMNS = f"car, process, started, job, since, {_ADDED}"
_UNKNOWN_S = -1.0e9
_BUSY_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One program's claim on one car.

    Attributes:
        car: VIN or place.
        mark: its process.
        job: its job file.
        since: ISO 8601 time of the claim.
    """

    car: str
    mark: ProcessMark
    job: str
    since: str

    @property
    def process(self) -> int:
        """Its process number."""
        return self.mark.number


def _make_claim(row: tuple[str, int, float, str, str, float]) -> Claim:
    car, number, started_s, job, since, since_boot_s = row
    known_s = since_boot_s if since_boot_s >= 0 else _UNKNOWN_S
    mark = ProcessMark(number=number, started_s=started_s, since_boot_s=known_s)
    return Claim(car=car, mark=mark, job=job, since=since)


class CarClaims:
    """The claims of one program; :meth:`release` gives them all back.

    Attributes:
        notes: what people should know: claims taken over, and why claims cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        *,
        job: Path,
        now: Callable[[], str],
        read_process: Callable[[int], ProcessMark | None] = read_process,
    ) -> None:
        self.notes: list[str] = []
        self._folder = folder
        self._job = str(job.absolute())
        self._now = now
        self._read_process = read_process
        self._held: set[str] = set()

    def claim(self, car: str) -> None:
        """Claim a car by its VIN or its place; once is enough.

        Raises:
            SafetyError: another program that still runs has it.
        """
        if car in self._held:
            return
        try:
            holder = self._take(car)
        except (sqlite3.Error, OSError) as error:
            self.notes.append(
                f"whether another donorfit talks to this car cannot be seen: {self._folder}: "
                f"{getattr(error, 'strerror', None) or error}"
            )
            return
        if holder is not None:
            raise SafetyError(
                what="Another donorfit on this computer is at work on this car.",
                where=car,
                why=f"process {holder.process} has it since {holder.since} for the job "
                f"{holder.job}",
                next_step="Finish or stop that one first; two at once would disturb each other.",
            )
        self._held.add(car)

    def find_job_holder(self) -> Claim | None:
        """Another program that still runs and is at work on this very job, as far as is known."""
        if not (self._folder / FILE_NAME).is_file():
            return None
        try:
            with self._open() as connection:
                rows = connection.execute(
                    f"SELECT {_COLUMNS} FROM claims WHERE job = ?",  # noqa: S608 - our own columns
                    (self._job,),
                ).fetchall()
        except (sqlite3.Error, OSError):
            return None
        holders = (_make_claim(row) for row in rows if row[1] != os.getpid())
        return next((each for each in holders if self._is_alive(each)), None)

    def release(self) -> None:
        """Give back what was claimed; twice is harmless."""
        if not self._held:
            return
        try:
            with self._open() as connection:
                connection.executemany(
                    "DELETE FROM claims WHERE car = ? AND process = ?",
                    [(car, os.getpid()) for car in self._held],
                )
        except (sqlite3.Error, OSError):
            pass  # a claim of a process that has ended counts for nothing
        self._held.clear()

    def _take(self, car: str) -> Claim | None:
        """Who else has it; None once it is ours."""
        with self._open() as connection:
            row = connection.execute(
                f"SELECT {_COLUMNS} FROM claims WHERE car = ?",  # noqa: S608 - our own columns
                (car,),
            ).fetchone()
            if row is not None:
                holder = _make_claim(row)
                if self._is_alive(holder):
                    return holder
                self.notes.append(
                    f"process {holder.process} ended without letting go of {car} "
                    f"(job {holder.job}); look at that job: donorfit status JOB"
                )
            own = self._read_process(os.getpid())
            connection.execute(
                f"INSERT OR REPLACE INTO claims ({_COLUMNS}) "  # noqa: S608 - our own columns
                "VALUES (?, ?, ?, ?, ?, ?)",
                (
                    car,
                    os.getpid(),
                    own.started_s if own else 0.0,
                    self._job,
                    self._now(),
                    own.since_boot_s if own else -1.0,
                ),
            )
            return None

    def _is_alive(self, claim: Claim) -> bool:
        """Whether the process is there and is still the same; in doubt it is."""
        now = self._read_process(claim.process)
        return now is not None and is_same(claim.mark, now)

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._folder / FILE_NAME
        with closing(sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)) as connection:
            connection.execute(_TABLE)
            connection.execute("BEGIN IMMEDIATE")
            columns = connection.execute("PRAGMA table_info(claims)").fetchall()
            if all(column[1] != _ADDED for column in columns):
                connection.execute(_ADD)
            yield connection
            connection.execute("COMMIT")
