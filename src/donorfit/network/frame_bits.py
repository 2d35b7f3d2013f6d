"""Length of a classic CAN frame in bits, and its place in the arbitration.

Source: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis:
refuted, revisited and revised", Real-Time Systems 35 (2007), equations (1) to (3). The older bound
``(269 + 48 n) / 5`` stuffs one bit in five instead of one in four and is optimistic; not used.
"""

from donorfit.errors import InputError
from donorfit.records.counted import count
from donorfit.vehicle.network import Message

LARGEST_CLASSIC_BYTES = 8
INTERFRAME_AND_FIXED_BITS = 13
STANDARD_STUFFABLE = 34
EXTENDED_STUFFABLE = 54
_BASE_SHIFT = 18
_REST_MASK = (1 << _BASE_SHIFT) - 1


def compute_worst_bits(length_bytes: int, *, extended: bool) -> int:
    """Longest frame, stuffed and with the 3-bit gap: ``8s + g + 13 + floor((g + 8s - 1) / 4)``.

    Raises:
        InputError: more than 8 bytes (not a classic frame) or fewer than none.
    """
    stuffable = _stuffable(length_bytes, extended=extended)
    return stuffable + INTERFRAME_AND_FIXED_BITS + (stuffable - 1) // 4


def compute_plain_bits(length_bytes: int, *, extended: bool) -> int:
    """The same frame without any stuff bit: ``47 + 8s`` or ``67 + 8s``."""
    return _stuffable(length_bytes, extended=extended) + INTERFRAME_AND_FIXED_BITS


def compute_priority(message: Message) -> tuple[int, int, int]:
    """Sorting key of the arbitration: lower wins.

    A standard frame beats an extended one with the same 11 base bits, because its RTR bit is
    dominant where the extended frame sends the recessive SRR (ISO 11898-1).
    """
    if not message.extended:
        return message.frame_id, 0, 0
    return message.frame_id >> _BASE_SHIFT, 1, message.frame_id & _REST_MASK


def _stuffable(length_bytes: int, *, extended: bool) -> int:
    if not 0 <= length_bytes <= LARGEST_CLASSIC_BYTES:
        raise InputError(
            what=f"a classic CAN frame cannot carry {count(length_bytes, 'byte')}",
            where="frame length",
            why="ISO 11898-1 allows 0 to 8; longer frames are CAN FD and are not analysed",
            next_step="leave the message out",
        )
    return 8 * length_bytes + (EXTENDED_STUFFABLE if extended else STANDARD_STUFFABLE)
