"""Find the signal that means the same under another name, another message, another network.

An equal identifier says nothing between cars, and names are moved between messages, so signals are
compared by what they mean: words of the name and their abbreviations, unit, range, choices,
resolution. Pairs are chosen together, as an assignment problem, so that no signal is used twice
and the sum of scores is the highest. Weights are common practice, no source; how often the right
signal comes out is measured in the reference tests.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from donorfit.network.assignment import choose_pairs
from donorfit.network.layouts import list_differences
from donorfit.network.signal_words import UNITS, compare_words, split_name
from donorfit.vehicle.network import Message, Network, Signal

MOST_SIGNALS = 4000
SHOWN = 3
WIDTH = 24
"""Candidates for each signal that take part in the assignment."""
LEAST_SCORE = 0.35
_NAME, _CHOICES, _UNIT, _RANGE, _RESOLUTION = 0.55, 0.15, 0.12, 0.12, 0.06


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

    The pairs have the highest sum of scores; each host signal is taken once.
    """
    offered = [_describe(each) for each in list(list_places(networks))[:MOST_SIGNALS]]
    wants = [_describe(each) for each in wanted[:MOST_SIGNALS]]
    weights = _weigh_words((*wants, *offered))
    index = _WordIndex(offered)
    tables = []
    for want in wants:
        alike = index.find_alike(want.words)
        scored = ((_score(want, offered[n], weights, alike), n) for n in index.list_near(want))
        ranked = sorted(
            (pair for pair in scored if pair[0] >= LEAST_SCORE), key=lambda p: (-p[0], p[1])
        )
        tables.append(
            [(n, _explain(want, offered[n], score, alike)) for score, n in ranked[:WIDTH]]
        )
    pairs = choose_pairs([{n: each.score for n, each in table} for table in tables])
    return tuple(
        SignalMatch(
            wanted=want,
            chosen=next((each for n, each in table if n == pair), None),
            candidates=tuple(each for _, each in table[:SHOWN]),
        )
        for want, pair, table in zip(wanted, pairs, tables, strict=False)
    )


def list_places(networks: Iterable[Network]) -> Iterator[Place]:
    """Every signal of some networks."""
    for network in networks:
        for message in network.messages:
            for signal in message.signals:
                yield Place(network=network.name, message=message, signal=signal)


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
    kind, factor = UNITS.get(unit, (unit, 1.0))
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


class _WordIndex:
    """Which words of the host are alike a word, and which signals hold them."""

    def __init__(self, offered: Sequence[_Traits]) -> None:
        self._holders: dict[str, list[int]] = {}
        self._choices: dict[str, list[int]] = {}
        for number, each in enumerate(offered):
            for word in each.words:
                self._holders.setdefault(word, []).append(number)
            for text in each.choices:
                self._choices.setdefault(text, []).append(number)
        self._known: dict[str, dict[str, float]] = {}

    def find_alike(self, words: Iterable[str]) -> dict[str, dict[str, float]]:
        """For each word the host's words alike it, with how much."""
        for word in words:
            if word not in self._known:
                alike = ((other, compare_words(word, other)) for other in self._holders)
                self._known[word] = {other: share for other, share in alike if share}
        return {word: self._known[word] for word in words}

    def list_near(self, want: _Traits) -> list[int]:
        """Signals that share a word alike, or a named value."""
        near = {n for text in want.choices for n in self._choices.get(text, ())}
        for word in want.words:
            for other in self._known[word]:
                near.update(self._holders[other])
        return sorted(near)


def _score_names(
    want: _Traits,
    offer: _Traits,
    weights: dict[str, float],
    alike: dict[str, dict[str, float]],
) -> float:
    """Weighted share of words that have a partner on the other side, 0..1."""
    total = shared = 0.0
    best: dict[str, float] = {}
    for word in want.words:
        partners = [
            (share, other) for other in offer.words if (share := alike[word].get(other, 0.0))
        ]
        share, _ = max(partners, default=(0.0, ""))
        total, shared = total + weights[word], shared + weights[word] * share
        for mine, other in partners:
            best[other] = max(best.get(other, 0.0), mine)
    for word in offer.words:
        total, shared = total + weights[word], shared + weights[word] * best.get(word, 0.0)
    return shared / total if total else 0.0


def _score(
    want: _Traits, offer: _Traits, weights: dict[str, float], alike: dict[str, dict[str, float]]
) -> float:
    """Weighted mean over what both sides state, 0..1."""
    names = _score_names(want, offer, weights, alike)
    total, score = _NAME, _NAME * names
    if want.choices and offer.choices:
        same = len(want.choices & offer.choices) / len(want.choices | offer.choices)
        total, score = total + _CHOICES, score + _CHOICES * same
    if want.unit and offer.unit:
        same = 1.0 if want.unit == offer.unit else 0.9 * (want.kind == offer.kind)
        total, score = total + _UNIT, score + _UNIT * same
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


def _explain(
    want: _Traits, offer: _Traits, score: float, alike: dict[str, dict[str, float]]
) -> Likeness:
    here, there = want.place.signal, offer.place.signal
    shared = " ".join(sorted(want.words & offer.words))
    reasons = [f"shares {shared}" if shared else "shares no word"]
    short = [
        f"{other} for {word}"
        for word in sorted(want.words)
        for other in sorted(offer.words)
        if other != word and other in alike[word]
    ]
    if short:
        reasons.append(f"may stand for each other: {', '.join(short)}")
    if want.unit and offer.unit:
        if want.unit == offer.unit:
            reasons.append(f"both in {here.unit}")
        elif want.kind == offer.kind:
            reasons.append(f"{there.unit} can be turned into {here.unit}")
        else:
            reasons.append(f"{there.unit} is not {here.unit}")
    if want.choices and offer.choices:
        same, every = len(want.choices & offer.choices), len(want.choices | offer.choices)
        reasons.append(f"{same} of {every} named values agree")
    overlap = _compare_ranges(want, offer)
    if overlap is not None:
        reasons.append(f"ranges share {overlap:.0%}")
    if want.resolution and offer.resolution and want.resolution == offer.resolution:
        reasons.append("same resolution")
    return Likeness(
        place=offer.place,
        score=score,
        reasons=tuple(reasons),
        differences=list_differences(here, there),
    )
