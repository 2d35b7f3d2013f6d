"""ISO-TP (ISO 15765-2) from the side: frames of others put together to messages, nothing sent.

One :class:`IsotpListener` follows one CAN identifier. It only ever believes what it saw; a message
with a missing frame is told as broken, never guessed.
"""

from dataclasses import dataclass
from enum import Enum

from donorfit.records.counted import count

_SINGLE, _FIRST, _CONSECUTIVE, _FLOW_CONTROL = range(4)
_SEQUENCE_NUMBERS = 16
_CLASSIC_BYTES = 8
_LONGEST_CLASSIC = 0xFFF


class FlowStatus(Enum):
    """What a flow control frame says."""

    GO_ON = "go on"
    WAIT = "wait"
    OVERFLOW = "overflow: the message is too long"
    RESERVED = "a reserved status"


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeMessage:
    """A message of which every frame was seen."""

    pdu: bytes
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Pacing:
    """A flow control frame: the receiver's wishes about the frames that follow."""

    status: FlowStatus
    block_size: int
    separation: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Partial:
    """The frame belongs to a message that is not whole yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """A frame that fits nowhere, or a message that cannot become whole any more."""

    why: str


Seen = WholeMessage | Pacing | Partial | Broken


class IsotpListener:
    """Follows the frames of one identifier.

    Args:
        prefix_bytes: address bytes in front of each frame's own; 1 with extended addressing.
    """

    def __init__(self, *, prefix_bytes: int = 0) -> None:
        self._prefix = prefix_bytes
        self._data = bytearray()
        self._total = 0
        self._next = 0
        self._frames = 0

    def take(self, frame: bytes) -> tuple[Seen, ...]:
        """What a frame's data bytes lead to, in order."""
        data = frame[self._prefix :]
        if not data:
            return (Broken(why="an empty frame"),)
        kind = data[0] >> 4
        if kind == _CONSECUTIVE:
            return (self._take_consecutive(data),)
        if kind == _FLOW_CONTROL:
            return (_read_flow_control(data),)
        cut = self._drop("a new message began before it was whole")
        if kind == _SINGLE:
            return (*cut, _read_single(data, long_frame=len(frame) > _CLASSIC_BYTES))
        if kind == _FIRST:
            return (*cut, self._take_first(data))
        return (*cut, Broken(why=f"a frame of the unknown kind {kind:X}"))

    def end(self) -> tuple[Broken, ...]:
        """What is left over once no more frames come."""
        return self._drop("the record ended before it was whole")

    def _drop(self, why: str) -> tuple[Broken, ...]:
        if not self._total:
            return ()
        text = f"{len(self._data)} of {count(self._total, 'byte')}, {why}"
        self._data.clear()
        self._total = 0
        return (Broken(why=text),)

    def _take_first(self, data: bytes) -> Seen:
        total, start = (data[0] & 0x0F) << 8 | (data[1] if len(data) > 1 else 0), 2
        if total == 0 and len(data) > 6:  # noqa: PLR2004 - the escape form has a 32-bit length
            total, start = int.from_bytes(data[2:6], "big"), 6
            if total <= _LONGEST_CLASSIC:
                return Broken(why=f"a first frame in long form for only {count(total, 'byte')}")
        if total <= len(data) - start or len(data) < _CLASSIC_BYTES - self._prefix:
            return Broken(why="a first frame whose length cannot be")
        self._data[:] = data[start:]
        self._total, self._next, self._frames = total, 1, 1
        return Partial()

    def _take_consecutive(self, data: bytes) -> Seen:
        if not self._total:
            return Broken(why="a consecutive frame of no message")
        number = data[0] & 0x0F
        if number != self._next:
            wanted = self._next
            return self._drop(f"frame {number:X} came instead of {wanted:X}")[0]
        self._next = (self._next + 1) % _SEQUENCE_NUMBERS
        self._frames += 1
        self._data += data[1 : 1 + self._total - len(self._data)]
        if len(self._data) < self._total:
            return Partial()
        pdu, self._total = bytes(self._data), 0
        self._data.clear()
        return WholeMessage(pdu=pdu, frames=self._frames)


def _read_single(data: bytes, *, long_frame: bool) -> Seen:
    length, start = data[0] & 0x0F, 1
    if length == 0 and long_frame and len(data) > 1:
        length, start = data[1], 2
    if not 0 < length <= len(data) - start:
        return Broken(why="a single frame whose length cannot be")
    return WholeMessage(pdu=data[start : start + length], frames=1)


def _read_flow_control(data: bytes) -> Seen:
    if len(data) < 3:  # noqa: PLR2004 - status, block size, separation time
        return Broken(why="a flow control frame that is too short")
    statuses = (FlowStatus.GO_ON, FlowStatus.WAIT, FlowStatus.OVERFLOW)
    place = data[0] & 0x0F
    status = statuses[place] if place < len(statuses) else FlowStatus.RESERVED
    return Pacing(status=status, block_size=data[1], separation=data[2])
