"""Words in the names of signals, and units that can be turned into each other."""

import re
from functools import cache

_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_WORD = re.compile(r"[a-z]+|\d+")
BEGINNING, SKELETON = 0.85, 0.7
"""How much an abbreviation counts: the word's beginning, or some of its letters in order."""
_LEAST_LETTERS = 3
UNITS: dict[str, tuple[str, float]] = {
    "km/h": ("speed", 1 / 3.6),
    "kph": ("speed", 1 / 3.6),
    "m/s": ("speed", 1.0),
    "mph": ("speed", 0.44704),
    "rpm": ("turning", 1.0),
    "1/min": ("turning", 1.0),
    "v": ("voltage", 1.0),
    "mv": ("voltage", 0.001),
    "a": ("current", 1.0),
    "ma": ("current", 0.001),
    "degc": ("temperature", 1.0),
    "cel": ("temperature", 1.0),
    "°c": ("temperature", 1.0),
    "deg": ("angle", 1.0),
    "°": ("angle", 1.0),
    "rad": ("angle", 57.29577951308232),
    "%": ("share", 1.0),
    "s": ("time", 1.0),
    "ms": ("time", 0.001),
    "m": ("length", 1.0),
    "km": ("length", 1000.0),
    "cm": ("length", 0.01),
    "mm": ("length", 0.001),
    "bar": ("pressure", 100.0),
    "kpa": ("pressure", 1.0),
    "pa": ("pressure", 0.001),
}
"""Unit in small letters: what it measures, and how many of that kind's own unit it is."""


@cache
def split_name(name: str) -> tuple[str, ...]:
    """Words of a name: ``VehicleSpeed_km`` gives ``vehicle speed km``."""
    return tuple(_WORD.findall(_CAMEL.sub(" ", name).lower()))


def compare_words(first: str, second: str) -> float:
    """How much one word may stand for the other: 1 where equal, 0 where not at all.

    ``temp`` begins ``temperature``; ``spd`` has letters of ``speed`` in their order.
    """
    if first == second:
        return 1.0
    short, long = sorted((first, second), key=len)
    if len(short) < _LEAST_LETTERS or short[0] != long[0] or not long.isalpha():
        return 0.0
    if long.startswith(short):
        return BEGINNING
    rest = iter(long)
    # Letters left out are vowels more often than not; what is kept holds all or most consonants.
    in_order = all(letter in rest for letter in short)
    return SKELETON if in_order and len(short) < len(long) else 0.0


def find_unit_factor(wanted: str, offered: str) -> float | None:
    """What an offered value is multiplied with to be in the wanted unit; None if unknown."""
    mine, its = wanted.casefold(), offered.casefold()
    if mine == its:
        return 1.0
    if mine in UNITS and its in UNITS and UNITS[mine][0] == UNITS[its][0]:
        return UNITS[its][1] / UNITS[mine][1]
    return None
