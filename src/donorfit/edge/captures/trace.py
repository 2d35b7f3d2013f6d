"""A capture as diagnostic messages: every frame in its order, and a count of what was not read."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from donorfit.diagnostics.doip import Frame, FrameReader, HeaderFault
from donorfit.diagnostics.doip_codes import TCP_DATA_PORT
from donorfit.diagnostics.doip_messages import DiagnosticMessage, decode_message
from donorfit.diagnostics.doip_words import describe_doip, describe_header_fault, find_addresses
from donorfit.diagnostics.isotp_listening import (
    Broken,
    IsotpListener,
    Pacing,
    Partial,
    Seen,
    WholeMessage,
)
from donorfit.diagnostics.uds_words import describe_pdu, find_service, is_answer
from donorfit.edge.captures.packet_files import FileEnd, Packet
from donorfit.edge.captures.packet_layers import BusFrame, Datagram, Other, Segment, unwrap
from donorfit.edge.captures.tcp_streams import TcpStream
from donorfit.edge.captures.trace_names import CanSide, TraceNames

_TLS_PORT = 3496
_TESTER = "tester"

Ends = tuple[tuple[str, int], tuple[str, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceEvent:
    """One frame or message.

    Attributes:
        number: packet that completed it.
        at_s: Unix time in seconds.
        link: what it travelled over.
        source: who sent it, for people.
        target: to whom, for people.
        units: addresses of the control units that it concerns.
        words: what it says.
        pdu: its UDS bytes; empty where it carries none.
        frames: CAN frames that it took; 1 elsewhere.
        is_part: whether it is a frame of a message that is not whole, or steers one.
        is_readable: whether it was understood.
    """

    number: int
    at_s: float
    link: str
    source: str
    target: str
    units: tuple[int, ...]
    words: str
    pdu: bytes = b""
    frames: int = 1
    is_part: bool = False
    is_readable: bool = True

    @property
    def service(self) -> int | None:
        """The UDS service that it is about."""
        return find_service(self.pdu)

    @property
    def is_refusal(self) -> bool:
        """Whether a unit says no, or not yet."""
        return self.pdu[:1] == b"\x7f"


class CaptureTrace:
    """Reads packets one by one and gives events.

    Attributes:
        packets: packets read so far.
        left_out: packets that carry no diagnostics, by kind.
        unread: what should have been readable and was not, by reason.
    """

    def __init__(self, names: TraceNames, *, ports: Iterable[int] = (TCP_DATA_PORT,)) -> None:
        self.packets = 0
        self.left_out: Counter[str] = Counter()
        self.unread: Counter[str] = Counter()
        self._names = names
        self._ports = frozenset(ports)
        self._streams: dict[Ends, TcpStream] = {}
        self._readers: dict[Ends, FrameReader] = {}
        self._listeners: dict[tuple[int, bool, int], IsotpListener] = {}
        self._last: Packet | None = None

    def read(self, packets: Iterable[Packet | FileEnd]) -> Iterator[TraceEvent]:
        """Events of all packets; afterwards the counts are complete."""
        for packet in packets:
            if isinstance(packet, FileEnd):
                self.unread[packet.why] += 1
                continue
            self.packets += 1
            self._last = packet
            yield from self._take(packet)
        yield from self._finish()

    def _take(self, packet: Packet) -> Iterator[TraceEvent]:
        match unwrap(packet):
            case Other(what=what, damaged=damaged):
                (self.unread if damaged else self.left_out)[what] += 1
            case BusFrame() as frame:
                yield from self._take_frame(packet, frame)
            case Datagram(source=source, target=target, data=data):
                if not self._ports & {source[1], target[1]}:
                    self.left_out["UDP of other ports"] += 1
                    return
                reader = FrameReader()
                yield from self._feed(packet, reader, data, (source, target), "DoIP/UDP")
                if reader.pending_bytes:
                    self.unread["a datagram that holds only part of a DoIP frame"] += 1
            case Segment() as segment:
                yield from self._take_segment(packet, segment)

    # DoIP

    def _take_segment(self, packet: Packet, segment: Segment) -> Iterator[TraceEvent]:
        ends = segment.source, segment.target
        ports = {segment.source[1], segment.target[1]}
        if not self._ports & ports:
            tls = _TLS_PORT in ports
            self.left_out["TLS (port 3496), encrypted" if tls else "TCP of other ports"] += 1
            return
        if segment.begins:
            yield from self._end_stream(packet, ends)
        stream = self._streams.setdefault(ends, TcpStream())
        for piece in stream.take(segment):
            yield from self._feed_stream(packet, ends, piece)

    def _feed_stream(
        self, packet: Packet, ends: Ends, piece: bytes | None
    ) -> Iterator[TraceEvent]:
        if piece is None:
            self.unread["a gap in a TCP connection"] += 1
            self._readers.pop(ends, None)
            return
        reader = self._readers.setdefault(ends, FrameReader())
        yield from self._feed(packet, reader, piece, ends, "DoIP/TCP")
        if reader.broken:
            # The next segment may begin with a header again; here nothing more can be found.
            del self._readers[ends]

    def _end_stream(self, packet: Packet, ends: Ends) -> Iterator[TraceEvent]:
        stream = self._streams.pop(ends, None)
        for piece in stream.end() if stream else []:
            yield from self._feed_stream(packet, ends, piece)
        reader = self._readers.pop(ends, None)
        if reader is not None and reader.pending_bytes:
            self.unread["a DoIP frame whose end was not captured"] += 1

    def _feed(
        self, packet: Packet, reader: FrameReader, data: bytes, ends: Ends, link: str
    ) -> Iterator[TraceEvent]:
        for found in reader.feed(data):
            yield self._word_doip(packet, found, ends, link)

    def _word_doip(
        self, packet: Packet, found: Frame | HeaderFault, ends: Ends, link: str
    ) -> TraceEvent:
        source, target = (_write_end(each) for each in ends)
        if isinstance(found, HeaderFault):
            words = f"{describe_header_fault(found.reason)} ({found.header.hex(' ').upper()})"
            self.unread["a DoIP header that is not accepted"] += 1
            return _make(packet, link, (source, target), (), words, is_readable=False)
        message = decode_message(found)
        addresses = find_addresses(message)
        names = self._names
        source = names.name(addresses[0]) if addresses[0] is not None else source
        target = names.name(addresses[1]) if addresses[1] is not None else target
        units = tuple(each for each in addresses if each is not None)
        if not isinstance(message, DiagnosticMessage):
            return _make(packet, link, (source, target), units, describe_doip(message))
        words = describe_pdu(message.pdu, names.find_details(*units))
        return _make(packet, link, (source, target), units, words, pdu=message.pdu)

    # CAN

    def _take_frame(self, packet: Packet, frame: BusFrame) -> Iterator[TraceEvent]:
        names = self._names
        side = names.find_side(frame.identifier, frame.data, wide=frame.wide)
        if side is None and names.sides:
            self.left_out["CAN frames of no diagnostic identifier of the pack"] += 1
            return
        prefix = side.prefix_bytes if side else 0
        first = frame.data[0] if prefix and frame.data else -1
        key = (frame.identifier, frame.wide, first)
        listener = self._listeners.get(key)
        if listener is None:
            listener = self._listeners[key] = IsotpListener(prefix_bytes=prefix)
        for seen in listener.take(frame.data):
            yield self._word_can(packet, (frame.identifier, frame.wide), side, seen)

    def _word_can(
        self, packet: Packet, key: tuple[int, bool], side: CanSide | None, seen: Seen
    ) -> TraceEvent:
        answer = side.is_answer if side else False
        words, pdu, frames, part, readable = "", b"", 1, False, True
        match seen:
            case WholeMessage(pdu=pdu, frames=frames):
                answer = side.is_answer if side else is_answer(pdu)
                words = describe_pdu(pdu, self._names.find_details(side.unit if side else None))
            case Pacing():
                part = True
                words = (
                    f"flow control: {seen.status.value}, block size {seen.block_size}, "
                    f"separation {seen.separation:02X}"
                )
            case Partial():
                words, part = "part of a longer message", True
            case Broken(why=why):
                words, readable = f"not read: {why}", False
                self.unread["an ISO-TP message or frame that is not whole"] += 1
        identifier = f"{key[0]:08X}" if key[1] else f"{key[0]:03X}"
        ends = (self._names.name(side.unit), _TESTER) if side else (identifier, "bus")
        if side is not None and not answer:
            ends = ends[1], ends[0]
        return _make(
            packet,
            f"CAN {identifier}",
            ends,
            (side.unit,) if side else (),
            words,
            pdu=pdu,
            frames=frames,
            is_part=part,
            is_readable=readable,
        )

    def _finish(self) -> Iterator[TraceEvent]:
        if self._last is None:
            return
        for ends in tuple(self._streams):
            yield from self._end_stream(self._last, ends)
        for (identifier, wide, first), listener in self._listeners.items():
            front = bytes((first,)) if first >= 0 else b""
            side = self._names.find_side(identifier, front, wide=wide)
            for broken in listener.end():
                yield self._word_can(self._last, (identifier, wide), side, broken)


def _write_end(end: tuple[str, int]) -> str:
    return f"[{end[0]}]:{end[1]}" if ":" in end[0] else f"{end[0]}:{end[1]}"


def _make(
    packet: Packet,
    link: str,
    ends: tuple[str, str],
    units: tuple[int, ...],
    words: str,
    *,
    pdu: bytes = b"",
    frames: int = 1,
    is_part: bool = False,
    is_readable: bool = True,
) -> TraceEvent:
    return TraceEvent(
        number=packet.number,
        at_s=packet.at_s,
        link=link,
        source=ends[0],
        target=ends[1],
        units=units,
        words=words,
        pdu=pdu,
        frames=frames,
        is_part=is_part,
        is_readable=is_readable,
    )
