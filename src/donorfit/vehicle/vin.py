"""Vehicle identification numbers: shape and check digit.

Sources: ISO 3779 (shape); 49 CFR 565.15(c), tables III (letter values) and IV (weights).
"""

from donorfit.vehicle.identity import CheckDigit

VIN_LENGTH = 17
_LETTERS = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", map(int, "12345678123457923456789"), strict=True))
_VALUES = _LETTERS | {str(digit): digit for digit in range(10)}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK_PLACE = 8
_MODULUS = 11
_NORTH_AMERICA = frozenset("12345")


def describe_vin_mistake(text: str) -> str:
    """Say what is wrong with the shape of a VIN; empty where nothing is."""
    if len(text) != VIN_LENGTH:
        return f"it has {len(text)} characters instead of {VIN_LENGTH}"
    wrong = sorted({character for character in text if character not in _VALUES})
    if wrong:
        return f"it holds {' '.join(map(repr, wrong))} (only capitals without I, O, Q and digits)"
    return ""


def compute_check_digit(vin: str) -> str:
    """Check digit of a well-formed VIN: ``0``..``9`` or ``X``.

    Raises:
        ValueError: the VIN is not well formed.
    """
    mistake = describe_vin_mistake(vin)
    if mistake:
        raise ValueError(mistake)
    total = sum(
        _VALUES[character] * weight for character, weight in zip(vin, _WEIGHTS, strict=True)
    )
    remainder = total % _MODULUS
    return "X" if remainder == _MODULUS - 1 else str(remainder)


def judge_check_digit(vin: str) -> CheckDigit:
    """Compare the ninth place with the computed digit.

    Only numbers of North American makers (first place 1 to 5) must carry the digit, so a
    difference elsewhere is ``NOT_APPLICABLE``, never ``WRONG``.
    """
    if compute_check_digit(vin) == vin[_CHECK_PLACE]:
        return CheckDigit.OK
    return CheckDigit.WRONG if vin[0] in _NORTH_AMERICA else CheckDigit.NOT_APPLICABLE
