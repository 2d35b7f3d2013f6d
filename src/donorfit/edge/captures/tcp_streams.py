"""TCP segments put in order (RFC 9293), one direction of one connection at a time."""

from donorfit.edge.captures.packet_layers import Segment

_MOST_WAITING = 512
_HALF = 1 << 31
_WRAP = 1 << 32


class TcpStream:
    """Puts the segments of one direction in order.

    Attributes:
        lost_bytes: bytes that never came, as far as later ones show.
    """

    def __init__(self) -> None:
        self.lost_bytes = 0
        self._next: int | None = None
        self._waiting: dict[int, bytes] = {}

    def take(self, segment: Segment) -> list[bytes | None]:
        """The bytes that are in order now; None between two where some were lost."""
        if segment.begins:
            self._waiting.clear()
            self._next = (segment.sequence + 1) % _WRAP
            return []
        if not segment.data:
            return []
        if self._next is None:
            self._next = segment.sequence
        ahead = self._measure(segment.sequence)
        if ahead > 0:
            # What is sent again may be cut otherwise: the longest piece from a place holds most.
            if len(segment.data) > len(self._waiting.get(segment.sequence, b"")):
                self._waiting[segment.sequence] = segment.data
            return self._skip_gap() if len(self._waiting) > _MOST_WAITING else []
        found: list[bytes | None] = []
        self._add(found, segment.sequence, segment.data)
        self._drain(found)
        return found

    def end(self) -> list[bytes | None]:
        """What still waits for bytes that never came."""
        found: list[bytes | None] = []
        while self._waiting:
            found += self._skip_gap()
        return found

    def _measure(self, sequence: int) -> int:
        """How far a sequence number lies ahead of what is wanted; negative behind."""
        ahead = (sequence - (self._next or 0)) % _WRAP
        return ahead - _WRAP if ahead >= _HALF else ahead

    def _add(self, found: list[bytes | None], sequence: int, data: bytes) -> None:
        fresh = data[-self._measure(sequence) :] if self._measure(sequence) else data
        if -self._measure(sequence) < len(data):
            found.append(fresh)
            self._next = ((self._next or 0) + len(fresh)) % _WRAP

    def _drain(self, found: list[bytes | None]) -> None:
        while True:
            ready = [each for each in self._waiting if self._measure(each) <= 0]
            if not ready:
                return
            for sequence in sorted(ready, key=self._measure):
                self._add(found, sequence, self._waiting.pop(sequence))

    def _skip_gap(self) -> list[bytes | None]:
        nearest = min(self._waiting, key=self._measure)
        self.lost_bytes += self._measure(nearest)
        self._next = nearest
        found: list[bytes | None] = [None]
        self._drain(found)
        return found
