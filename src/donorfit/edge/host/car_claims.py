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

from donorfit.errors import SafetyError

FILE_NAME = "cars.sqlite"
_TABLE = (
    "CREATE TABLE IF NOT EXISTS claims (car TEXT PRIMARY KEY, process INTEGER NOT NULL, "
    "started REAL NOT NULL, job TEXT NOT NULL, since TEXT NOT NULL)"
)
_BUSY_S = 5.0
_SAME_START_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One program's claim on one car.

    Attributes:
        car: VIN or place.
        process: its process number.
        started: when that process began, in seconds of the wall clock.
        job: its job file.
        since: ISO 8601 time of the claim.
    """

    car: str
    process: int
    started: float
    job: str
    since: str


def read_start(process: int) -> float | None:
    """When a process began, in seconds of the wall clock; None where there is none."""
    import psutil  # noqa: PLC0415 - slow to import, and needed once a session

    try:
        return float(psutil.Process(process).create_time())
    except psutil.NoSuchProcess:
        return None
    except psutil.Error:
        return 0.0  # it is there, and will not say


def _make_claim(row: tuple[str, int, float, str, str]) -> Claim:
    return Claim(car=row[0], process=row[1], started=row[2], job=row[3], since=row[4])


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
        read_start: Callable[[int], float | None] = read_start,
    ) -> None:
        self.notes: list[str] = []
        self._folder = folder
        self._job = str(job.absolute())
        self._now = now
        self._read_start = read_start
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
                    "SELECT car, process, started, job, since FROM claims WHERE job = ?",
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
                "SELECT car, process, started, job, since FROM claims WHERE car = ?", (car,)
            ).fetchone()
            if row is not None:
                holder = _make_claim(row)
                if self._is_alive(holder):
                    return holder
                self.notes.append(
                    f"process {holder.process} ended without letting go of {car} "
                    f"(job {holder.job}); look at that job: donorfit status JOB"
                )
            connection.execute(
                "INSERT OR REPLACE INTO claims VALUES (?, ?, ?, ?, ?)",
                (car, os.getpid(), self._read_start(os.getpid()) or 0.0, self._job, self._now()),
            )
            return None

    def _is_alive(self, claim: Claim) -> bool:
        """Whether the process is there and is still the same; in doubt it is."""
        started = self._read_start(claim.process)
        if started is None:
            return False
        return not (started and claim.started) or abs(started - claim.started) < _SAME_START_S

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._folder / FILE_NAME
        with closing(sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)) as connection:
            connection.execute(_TABLE)
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
