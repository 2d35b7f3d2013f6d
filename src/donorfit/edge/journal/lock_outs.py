"""Security lock-outs in the job file, so that a restart does not guess again too early."""

import json
import time
from collections.abc import Callable

from donorfit.edge.journal.job_file import JobFile
from donorfit.vehicle.identity import UnitId

_FACT = "lock-out {unit} {level}"


class LastingLockOuts:
    """Lock-outs by unit and level, kept by wall time.

    The wall clock may jump; what is left is therefore never more than what was set.
    """

    def __init__(self, store: JobFile, wall_clock: Callable[[], float] = time.time) -> None:
        self._store = store
        self._wall_clock = wall_clock

    def get_seconds_left(self, unit: UnitId, level: int) -> float:
        """Seconds yet; 0 where the unit may be asked."""
        text = self._store.read_fact(_FACT.format(unit=unit, level=level))
        if not text:
            return 0.0
        entry = json.loads(text)
        left = float(entry["until"]) - self._wall_clock()
        return min(max(0.0, left), float(entry["seconds"]))

    def set_seconds(self, unit: UnitId, level: int, seconds: float) -> None:
        """Leave the unit alone for this time from now on."""
        entry = {"until": self._wall_clock() + seconds, "seconds": seconds}
        self._store.set_fact(_FACT.format(unit=unit, level=level), json.dumps(entry))
