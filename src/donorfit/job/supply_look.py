"""The last reading of the supply, shared by all downloads of one carrier."""

from donorfit.diagnostics.conversation import SupplyWatch
from donorfit.diagnostics.talk import Supply
from donorfit.job.ports import Clock


class SupplyLook:
    """Keeps the last reading of each unit that measures the supply, and its time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._last: dict[SupplyWatch, tuple[float, Supply]] = {}

    def find(self, watch: SupplyWatch, not_older_s: float) -> Supply | None:
        """The last reading; None where it is older than this."""
        at_s, supply = self._last.get(watch, (0.0, None))
        return supply if supply and self._clock.now() - at_s < not_older_s else None

    def keep(self, watch: SupplyWatch, supply: Supply) -> Supply:
        """Remember a reading."""
        self._last[watch] = (self._clock.now(), supply)
        return supply
