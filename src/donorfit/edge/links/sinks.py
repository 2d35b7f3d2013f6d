"""Who wants to hear what arrives on a link, kept the same way by every link."""

from collections.abc import Callable
from typing import TypeVar

from donorfit.diagnostics.pdu import Arriving, LinkLost, Pdu, TracedFrame
from donorfit.job.ports import Detach, PduSink, TraceSink
from donorfit.vehicle.identity import Address

S = TypeVar("S")


class Sinks:
    """Sinks of one link: by source address, for all, and for traced frames.

    Attributes:
        lost: why the link is lost; None while it is there.
        traced: whether anybody wants frames, so that none are made for nobody.
    """

    def __init__(self) -> None:
        self.lost: str | None = None
        self.traced = False
        self._by_source: dict[Address, tuple[PduSink, ...]] = {}
        self._for_all: tuple[PduSink, ...] = ()
        self._traces: tuple[TraceSink, ...] = ()

    def attach(self, source: Address | None, sink: PduSink) -> Detach:
        """Add a sink; a link that is lost already says so at once."""
        if source is None:
            self._for_all += (sink,)
        else:
            self._by_source[source] = (*self._by_source.get(source, ()), sink)
        if self.lost is not None:
            sink(LinkLost(reason=self.lost))
        return _once(lambda: self._detach(source, sink))

    def _detach(self, source: Address | None, sink: PduSink) -> None:
        if source is None:
            self._for_all = _without(self._for_all, sink)
        else:
            self._by_source[source] = _without(self._by_source.get(source, ()), sink)

    def trace(self, sink: TraceSink) -> Detach:
        """Add a sink for frames."""
        self._traces += (sink,)
        self.traced = True
        return _once(lambda: self._untrace(sink))

    def _untrace(self, sink: TraceSink) -> None:
        self._traces = _without(self._traces, sink)
        self.traced = bool(self._traces)

    def deliver(self, pdu: Pdu | Arriving) -> None:
        """Give a message to those who want it; loss comes last, so nothing follows it."""
        if self.lost is not None:
            return
        for sink in self._by_source.get(pdu.source, ()):
            sink(pdu)
        for sink in self._for_all:
            sink(pdu)

    def deliver_frame(self, frame: TracedFrame) -> None:
        """Give a frame to those who trace."""
        for sink in self._traces:
            sink(frame)

    def lose(self, reason: str) -> None:
        """Tell everybody once that the link is lost."""
        if self.lost is not None:
            return
        self.lost = reason
        for sink in (*self._for_all, *(s for sinks in self._by_source.values() for s in sinks)):
            sink(LinkLost(reason=reason))


def _without(sinks: tuple[S, ...], gone: S) -> tuple[S, ...]:
    at = sinks.index(gone)
    return sinks[:at] + sinks[at + 1 :]


def _once(deed: Callable[[], None]) -> Detach:
    done = False

    def detach() -> None:
        nonlocal done
        if not done:
            done = True
            deed()

    return detach
