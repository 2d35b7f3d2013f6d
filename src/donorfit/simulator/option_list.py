"""The option list as keepers store it: month in two BCD bytes, then codes or bits."""

from functools import lru_cache

from donorfit.simulator.scenario import KeeperEncoding
from donorfit.vehicle.identity import BuildMonth

CODE_BYTES = 4
_HEAD_BYTES = 2
_CENTURY = 2000
_BYTE_BITS = 8
_TENS = 10
_MONTHS_A_YEAR = 12

OptionBits = tuple[tuple[str, int], ...]


def write_list(
    month: BuildMonth,
    codes: frozenset[str],
    *,
    encoding: KeeperEncoding,
    length_bytes: int,
    bits: OptionBits,
) -> bytes:
    """The whole record of a keeper.

    Raises:
        ValueError: the list does not fit, a code has no bit or is not four ASCII characters, or
            the year is not 2000 to 2099.
    """
    if not 0 <= month.year - _CENTURY < _TENS * _TENS:
        message = f"{month} cannot be written in two digits of a year from 2000 on"
        raise ValueError(message)
    head = bytes((_to_bcd(month.year - _CENTURY), _to_bcd(month.month)))
    room = length_bytes - _HEAD_BYTES
    if encoding is KeeperEncoding.CODES:
        wrong = sorted(code for code in codes if not (code.isascii() and len(code) == CODE_BYTES))
        if wrong:
            message = f"{wrong[0]!r} is no code of four ASCII characters"
            raise ValueError(message)
        body = "".join(sorted(codes)).encode("ascii")
        if len(body) > room:
            message = f"{len(codes)} codes need {len(body) + _HEAD_BYTES} bytes"
            raise ValueError(message)
        return head + body.ljust(room, b"\0")
    return head + _write_bits(codes, dict(bits), room)


def _write_bits(codes: frozenset[str], places: dict[str, int], room: int) -> bytes:
    body = bytearray(room)
    for code in sorted(codes):
        place = places.get(code, -1)
        if place < 0:
            message = f"{code} has no bit in option_bits"
            raise ValueError(message)
        if place // _BYTE_BITS >= room:
            message = f"bit {place} of {code} lies beyond the record"
            raise ValueError(message)
        body[place // _BYTE_BITS] |= 1 << place % _BYTE_BITS
    return bytes(body)


@lru_cache(maxsize=256)
def read_list(
    content: bytes, encoding: KeeperEncoding, bits: OptionBits
) -> tuple[BuildMonth | None, frozenset[str]]:
    """Month (None where the two bytes are no month) and codes; unknown bits read as ``bit N``."""
    month = _read_month(content[:_HEAD_BYTES])
    body = content[_HEAD_BYTES:]
    if encoding is KeeperEncoding.CODES:
        pieces = (body[at : at + CODE_BYTES] for at in range(0, len(body), CODE_BYTES))
        return month, frozenset(piece.decode("latin-1") for piece in pieces if any(piece))
    names = {place: code for code, place in bits}
    return month, frozenset(
        names.get(place, f"bit {place}")
        for place in range(len(body) * _BYTE_BITS)
        if body[place // _BYTE_BITS] >> place % _BYTE_BITS & 1
    )


def is_well_formed(content: bytes, encoding: KeeperEncoding) -> bool:
    """Whether a keeper stores these bytes: a real month, and codes ascending, then only 0x00."""
    if _read_month(content[:_HEAD_BYTES]) is None:
        return False
    if encoding is KeeperEncoding.BITS:
        return True
    body = content[_HEAD_BYTES:].rstrip(b"\0")
    if len(body) % CODE_BYTES:
        return False
    codes = [body[at : at + CODE_BYTES] for at in range(0, len(body), CODE_BYTES)]
    return codes == sorted(set(codes)) and all(32 < value < 127 for value in body)  # noqa: PLR2004 - printing ASCII


def _read_month(head: bytes) -> BuildMonth | None:
    digits = head.hex()
    if not digits.isdecimal() or not 1 <= int(digits[2:]) <= _MONTHS_A_YEAR:
        return None
    return BuildMonth((_CENTURY + int(digits[:2])) * _MONTHS_A_YEAR + int(digits[2:]) - 1)


def _to_bcd(value: int) -> int:
    return value // _TENS << 4 | value % _TENS
