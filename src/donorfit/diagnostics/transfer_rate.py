"""How fast a download goes and how long it will take yet."""

from collections import deque

WINDOW_S = 30.0
_FEWEST_S = 0.001


class TransferRate:
    """Bytes a second over the last while; pauses are forgotten, so that they do not count."""

    __slots__ = ("_points",)

    def __init__(self) -> None:
        self._points: deque[tuple[float, int]] = deque()

    def pause(self) -> None:
        """What comes next begins anew."""
        self._points.clear()

    def take(self, done_bytes: int, at_s: float) -> float:
        """Bytes a second so far; 0 where that cannot be said yet.

        Time in which no byte was carried, as between two pieces, is taken out.
        """
        if self._points and done_bytes < self._points[-1][1]:
            self._points.clear()
        if self._points and done_bytes == self._points[-1][1]:
            idle_s = at_s - self._points[-1][0]
            self._points = deque((then_s + idle_s, done) for then_s, done in self._points)
        self._points.append((at_s, done_bytes))
        while at_s - self._points[0][0] > WINDOW_S and len(self._points) > 2:  # noqa: PLR2004
            self._points.popleft()
        first_s, first_bytes = self._points[0]
        passed_s = at_s - first_s
        return (done_bytes - first_bytes) / passed_s if passed_s > _FEWEST_S else 0.0
