"""CAN identifiers by which a control unit is asked and answers (ISO 15765-2 addressing)."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

_NARROW_IDENTIFIERS = 1 << 11
_WIDE_IDENTIFIERS = 1 << 29


@dataclass(frozen=True, slots=True, kw_only=True)
class CanIdentifiers:
    """How one control unit is reached on the diagnostic CAN bus.

    Attributes:
        request: identifier of requests to the unit.
        response: identifier of its answers.
        wide: whether both have 29 bits instead of 11.
        request_byte: first data byte of requests with extended addressing; None for normal.
        response_byte: first data byte of answers with extended addressing; None for normal.
        flexible_rate: whether the unit is talked to in CAN FD frames.
    """

    request: int
    response: int
    wide: bool = False
    request_byte: int | None = None
    response_byte: int | None = None
    flexible_rate: bool = False


def list_mistakes(
    units: Iterable[tuple[str, CanIdentifiers]],
) -> Iterator[tuple[int, str, str, str]]:
    """What is wrong with the identifiers of units that share one bus.

    Args:
        units: name and identifiers of each.

    Yields:
        place of the unit, key, what is wrong, what to do.
    """
    taken: dict[tuple[int, bool], dict[int | None, str]] = {}
    for place, (name, can) in enumerate(units):
        limit = _WIDE_IDENTIFIERS if can.wide else _NARROW_IDENTIFIERS
        bits = 29 if can.wide else 11
        for key, identifier in (("request", can.request), ("response", can.response)):
            if identifier >= limit:
                what = f"{name}: 0x{identifier:X} has more than {bits} bits"
                yield place, key, what, "correct it, or say identifier_bits = 29"
        if (can.request_byte is None) != (can.response_byte is None):
            key = "request_byte" if can.response_byte is None else "response_byte"
            what = f"{name}: extended addressing needs request_byte and response_byte"
            yield place, key, what, "give both, or none for normal addressing"
        ways = (
            ("request", can.request, can.request_byte),
            ("response", can.response, can.response_byte),
        )
        for key, identifier, byte in ways:
            # A bus knows an identifier with a byte in front of the data, or without, never both.
            users = taken.setdefault((identifier, can.wide), {})
            other = next(
                (users[each] for each in users if each == byte or None in {each, byte}), None
            )
            if other is not None:
                what = f"{name}: the {key} identifier 0x{identifier:X} is {other} too"
                yield place, key, what, "correct one of them"
            users.setdefault(byte, f"the {key} of {name}")
