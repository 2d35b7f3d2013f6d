"""Find the signal that means the same under another name, another message, another network.

An equal identifier says nothing between cars, and names are moved between messages, so signals are
compared by what they mean: words of the name, unit, range, choices, resolution. Pairs are chosen
together, so that no signal is used twice. Weights are common practice, no source.
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from donorfit.network.layouts import list_differences
from donorfit.vehicle.network import Message, Network, Signal

MOST_SIGNALS = 4000
SHOWN = 3
LEAST_SCORE = 0.35
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_WORD = re.compile(r"[a-z]+|\d+")
_NAME, _CHOICES, _UNIT, _RANGE, _RESOLUTION = 0.55, 0.15, 0.12, 0.12, 0.06
_UNITS = {
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a signal stands."""

    network: str
    message: Message
    signal: Signal


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """One candidate for a signal.

    Attributes:
        place: the candidate.
        score: 0..1.
        reasons: what speaks for it and what against.
        differences: how its layout differs.
    """

    place: Place
    score: float
    reasons: tuple[str, ...]
    differences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalMatch:
    """Candidates for one wanted signal, the best first.

    Attributes:
        wanted: the signal as the module's own car describes it.
        chosen: the best candidate that no better pair takes; None where none is alike enough.
        candidates: up to three, whether taken by another or not.
    """

    wanted: Place
    chosen: Likeness | None
    candidates: tuple[Likeness, ...]


def match_signals(wanted: Sequence[Place], networks: Sequence[Network]) -> tuple[SignalMatch, ...]:
    """Match wanted signals with those of the host, one answer a wanted signal, in order.

    Pairs are taken from the best score down; each host signal is taken once.
    """
    offered = [_describe(each) for each in list(list_places(networks))[:MOST_SIGNALS]]
    wants = [_describe(each) for each in wanted[:MOST_SIGNALS]]
    weights = _weigh_words((*wants, *offered))
    tables = []
    for want in wants:
        scored = [(_score(want, each, weights), each) for each in offered]
        ranked = sorted(
            (pair for pair in scored if pair[0] >= LEAST_SCORE), key=lambda pair: -pair[0]
        )
        tables.append([_explain(want, each, score) for score, each in ranked[: SHOWN * 4]])
    return tuple(
        SignalMatch(wanted=want, chosen=choice, candidates=tuple(table[:SHOWN]))
        for want, choice, table in zip(wanted, _choose(tables), tables, strict=False)
    )


def list_places(networks: Iterable[Network]) -> Iterator[Place]:
    """Every signal of some networks."""
    for network in networks:
        for message in network.messages:
            for signal in message.signals:
                yield Place(network=network.name, message=message, signal=signal)


def split_name(name: str) -> tuple[str, ...]:
    """Words of a name: ``VehicleSpeed_km`` gives ``vehicle speed km``."""
    return tuple(_WORD.findall(_CAMEL.sub(" ", name).lower()))


def _choose(tables: list[list[Likeness]]) -> list[Likeness | None]:
    pairs = sorted(
        (
            (each.score, row, rank)
            for row, table in enumerate(tables)
            for rank, each in enumerate(table)
        ),
        key=lambda pair: (-pair[0], pair[1], pair[2]),
    )
    chosen: list[Likeness | None] = [None] * len(tables)
    taken: set[tuple[str, str, str]] = set()
    for _, row, rank in pairs:
        place = tables[row][rank].place
        key = (place.network, place.message.name, place.signal.name)
        if chosen[row] is None and key not in taken:
            chosen[row] = tables[row][rank]
            taken.add(key)
    return chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class _Traits:
    """What a signal is compared by."""

    place: Place
    words: frozenset[str]
    choices: frozenset[str]
    unit: str
    kind: str
    low: float | None
    high: float | None
    resolution: float


def _describe(place: Place) -> _Traits:
    signal = place.signal
    unit = signal.unit.casefold()
    kind, factor = _UNITS.get(unit, (unit, 1.0))
    low, high = signal.minimum, signal.maximum
    stated = low is not None and high is not None and low < high
    return _Traits(
        place=place,
        words=frozenset(split_name(signal.name)),
        choices=frozenset(text.casefold() for _, text in signal.choices),
        unit=unit,
        kind=kind,
        low=low * factor if stated and low is not None else None,
        high=high * factor if stated and high is not None else None,
        resolution=abs(signal.factor) * factor,
    )


def _weigh_words(traits: Iterable[_Traits]) -> dict[str, float]:
    """Rare words say more than common ones."""
    counts = Counter(word for each in traits for word in each.words)
    return {word: 1.0 / (1.0 + count) ** 0.5 for word, count in counts.items()}


def _score(want: _Traits, offer: _Traits, weights: dict[str, float]) -> float:
    """Weighted mean over what both sides state, 0..1."""
    shared = want.words & offer.words
    if not shared and not want.choices & offer.choices:
        return 0.0
    every = sum(weights[word] for word in want.words | offer.words)
    names = sum(weights[word] for word in shared) / every if every else 0.0
    total, score = _NAME, _NAME * names
    if want.choices and offer.choices:
        alike = len(want.choices & offer.choices) / len(want.choices | offer.choices)
        total, score = total + _CHOICES, score + _CHOICES * alike
    if want.unit and offer.unit:
        alike = 1.0 if want.unit == offer.unit else 0.9 * (want.kind == offer.kind)
        total, score = total + _UNIT, score + _UNIT * alike
    alike_range = _compare_ranges(want, offer)
    if alike_range is not None:
        total, score = total + _RANGE, score + _RANGE * alike_range
    if want.resolution and offer.resolution:
        finer, coarser = sorted((want.resolution, offer.resolution))
        total, score = total + _RESOLUTION, score + _RESOLUTION * finer / coarser
    return round(score / total, 4)


def _compare_ranges(want: _Traits, offer: _Traits) -> float | None:
    """Shared part of both ranges; None where one is not stated."""
    if want.low is None or want.high is None or offer.low is None or offer.high is None:
        return None
    overlap = min(want.high, offer.high) - max(want.low, offer.low)
    width = max(want.high, offer.high) - min(want.low, offer.low)
    return max(0.0, overlap) / width


def _explain(want: _Traits, offer: _Traits, score: float) -> Likeness:
    here, there = want.place.signal, offer.place.signal
    shared = " ".join(sorted(want.words & offer.words))
    reasons = [f"shares {shared}" if shared else "shares no word"]
    if want.unit and offer.unit:
        if want.unit == offer.unit:
            reasons.append(f"both in {here.unit}")
        elif want.kind == offer.kind:
            reasons.append(f"{there.unit} can be turned into {here.unit}")
        else:
            reasons.append(f"{there.unit} is not {here.unit}")
    if want.choices and offer.choices:
        alike, every = len(want.choices & offer.choices), len(want.choices | offer.choices)
        reasons.append(f"{alike} of {every} named values agree")
    return Likeness(
        place=offer.place,
        score=score,
        reasons=tuple(reasons),
        differences=list_differences(here, there),
    )


def find_unit_factor(wanted: str, offered: str) -> float | None:
    """What an offered value is multiplied with to be in the wanted unit; None if unknown."""
    mine, its = wanted.casefold(), offered.casefold()
    if mine == its:
        return 1.0
    if mine in _UNITS and its in _UNITS and _UNITS[mine][0] == _UNITS[its][0]:
        return _UNITS[its][1] / _UNITS[mine][1]
    return None
