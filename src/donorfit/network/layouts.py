"""Compare how two descriptions read one value."""

from donorfit.vehicle.network import Signal


def list_differences(expected: Signal, found: Signal) -> tuple[str, ...]:
    """Differences that change the value read, each in words; empty where there are none."""
    places = (
        ("first bit", expected.first_bit, found.first_bit),
        ("length in bits", expected.bit_length, found.bit_length),
        ("byte order", _order(expected), _order(found)),
        ("sign", _sign(expected), _sign(found)),
        ("scale", f"{expected.factor:g}", f"{found.factor:g}"),
        ("offset", f"{expected.offset:g}", f"{found.offset:g}"),
        ("unit", expected.unit or "none", found.unit or "none"),
    )
    differences = [
        f"{name} {there} instead of {here}" for name, here, there in places if here != there
    ]
    if expected.choices and found.choices and expected.choices != found.choices:
        meanings = dict(found.choices)
        changed = [
            f"{raw} means {meanings.get(raw, 'nothing')} instead of {text}"
            for raw, text in expected.choices
            if meanings.get(raw) != text
        ]
        differences += changed
    return tuple(differences)


def _order(signal: Signal) -> str:
    if signal.bit_length <= 1:
        return "any"
    return "big endian" if signal.big_endian else "little endian"


def _sign(signal: Signal) -> str:
    if signal.floating:
        return "floating"
    return "signed" if signal.signed else "unsigned"
