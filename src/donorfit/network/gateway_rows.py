"""Rows that a gateway would need so that the module hears what the host sends.

A row is a proposal for a person to judge. None is made into a network or a message of a system
that is only read (restraint, braking, steering, immobiliser, high voltage), none for a message
that needs a key, none that would feed a message from itself, none without a scale.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from donorfit.network.signal_matching import Likeness, Place, SignalMatch
from donorfit.network.signal_words import find_unit_factor, split_name
from donorfit.vehicle.network import Message, Signal

SLOWEST_REPEAT_MS = 1000
LEAST_ROW_SCORE = 0.5
"""Likeness below which a pair is shown but makes no row (common practice, no source)."""
_NOT_AVAILABLE = frozenset(("available", "invalid", "na", "sna", "unavailable", "unknown"))
"""Words of named values that stand for a source that is not heard, "not available" among them."""
GUARDED_WORDS = frozenset(
    (
        "abs",
        "airbag",
        "airbags",
        "brake",
        "brakes",
        "braking",
        "chassis",
        "crash",
        "esc",
        "esp",
        "hv",
        "immobiliser",
        "immobilizer",
        "inverter",
        "pretensioner",
        "restraint",
        "restraints",
        "steer",
        "steering",
        "traction",
    )
)
"""Words of network, unit and message names that close a target, where no pack says more (common
practice, no source). Names of signals do not count: a brake light is a lamp."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayRow:
    """One signal carried over; ``target = source * factor + offset`` in physical values.

    Attributes:
        source_network: where it is heard.
        source_message: message it is in.
        source_signal: its name there.
        target_network: where the module listens.
        target_message: message that the module expects.
        target_signal: signal in it.
        factor: between physical values.
        offset: between physical values.
        every_ms: how often the target message is sent.
        default_raw: raw value before the source was heard and after it falls silent: the one that
            is named so, else all ones, the usual "not available" (common practice, no source);
            0 where all ones would mean something else.
        timeout_ms: silence after which the default is sent.
        vector: pairs of raw values, source and target, to test the row with.
        notes: what a person has to look at.
    """

    source_network: str
    source_message: str
    source_signal: str
    target_network: str
    target_message: str
    target_signal: str
    factor: float
    offset: float
    every_ms: int
    default_raw: int
    timeout_ms: int
    vector: tuple[tuple[int, int], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayProposal:
    """Rows, and what could not be made one, with the reason."""

    rows: tuple[GatewayRow, ...]
    refused: tuple[tuple[str, str], ...]


def propose_rows(
    matches: Sequence[SignalMatch],
    *,
    closed_networks: Collection[str] = (),
    closed_units: Collection[str] = (),
) -> GatewayProposal:
    """Propose a row for every matched signal.

    Args:
        matches: answers of :func:`donorfit.network.signal_matching.match_signals`.
        closed_networks: networks that nothing is sent into, such as those of the chassis.
        closed_units: units of systems that are only read; no message is made that one of them
            sends or receives. Names of networks, units and messages that sound like such a system
            close themselves.
    """
    units = frozenset(name.casefold() for name in closed_units)
    rows: list[GatewayRow] = []
    refused: list[tuple[str, str]] = []
    for match in matches:
        name = f"{match.wanted.network}/{match.wanted.message.name}/{match.wanted.signal.name}"
        reason = _refuse(match, closed_networks, units)
        if reason:
            refused.append((name, reason))
        elif match.chosen is not None:
            rows.append(_make_row(match.wanted, match.chosen))
    rows, cyclic = _drop_cycles(rows)
    refused += cyclic
    return GatewayProposal(rows=tuple(rows), refused=tuple(refused))


def _refuse(match: SignalMatch, closed: Collection[str], units: frozenset[str]) -> str:
    if match.chosen is None:
        return "nothing alike is sent in the host"
    wanted, source = match.wanted, match.chosen.place
    same = (source.network, source.message.name) == (wanted.network, wanted.message.name)
    number = source.message.frame_id == wanted.message.frame_id
    unit = f"{source.signal.unit} cannot be turned into {wanted.signal.unit}"
    guarded = _find_guarded(wanted, units)
    alike = f"{match.chosen.place.signal.name} is alike by {match.chosen.score:.0%} only"
    checks = (
        (match.chosen.score < LEAST_ROW_SCORE, alike),
        (bool(guarded), f"{guarded}: nothing is sent that a system for safety sends or hears"),
        (wanted.message.secured, "the message carries an authenticator: it needs a key"),
        (wanted.network in closed, f"nothing is sent into {wanted.network}"),
        (same and not match.chosen.differences, "it arrives already"),
        (
            number and source.network == wanted.network,
            "the same identifier is on that network already, with other content",
        ),
        (not wanted.signal.factor or not source.signal.factor, "a scale of 0 has no way back"),
        (_find_factor(wanted.signal, source.signal) is None, unit),
    )
    return next((why for applies, why in checks if applies), "")


def _find_guarded(wanted: Place, units: frozenset[str]) -> str:
    """What closes a target: a unit that is only read, or a name that sounds like one."""
    message = wanted.message
    nodes = (*message.senders, *message.receivers)
    known = next((each for each in nodes if each.casefold() in units), "")
    if known:
        return known
    named = (wanted.network, message.name, *nodes)
    return next((name for name in named if not GUARDED_WORDS.isdisjoint(split_name(name))), "")


def _find_factor(wanted: Signal, source: Signal) -> float | None:
    if not wanted.unit or not source.unit:
        return 1.0
    return find_unit_factor(wanted.unit, source.unit)


def _make_row(wanted: Place, likeness: Likeness) -> GatewayRow:
    source = likeness.place
    factor = _find_factor(wanted.signal, source.signal) or 1.0
    cycle = wanted.message.cycle_ms or source.message.cycle_ms or SLOWEST_REPEAT_MS
    return GatewayRow(
        source_network=source.network,
        source_message=source.message.name,
        source_signal=source.signal.name,
        target_network=wanted.network,
        target_message=wanted.message.name,
        target_signal=wanted.signal.name,
        factor=factor,
        offset=0.0,
        every_ms=cycle,
        default_raw=_choose_default(wanted.signal)[0],
        timeout_ms=max(3 * (source.message.cycle_ms or SLOWEST_REPEAT_MS), cycle),
        vector=tuple(_make_vector(wanted.signal, source.signal, factor)),
        notes=tuple(_list_notes(wanted, likeness)),
    )


def _choose_default(signal: Signal) -> tuple[int, str]:
    """Raw value for a source that is not heard, and what a person has to look at."""
    for raw, text in signal.choices:
        if not _NOT_AVAILABLE.isdisjoint(split_name(text)):
            return raw, ""
    ones = (1 << signal.bit_length) - 1
    named = dict(signal.choices).get(ones)
    if signal.bit_length == 1 or (signal.signed and not signal.floating) or named is not None:
        meaning = f"all ones means {named or (-1 if signal.signed else 'on')}"
        return 0, f"{meaning}, so 0 stands for a silent source: see that it does no harm"
    limits = signal.minimum is not None and signal.maximum is not None
    if limits and not signal.floating and _is_allowed(signal, ones):
        return ones, "all ones stands for a silent source, and lies within the limits"
    return ones, ""


def _make_vector(wanted: Signal, source: Signal, factor: float) -> Iterator[tuple[int, int]]:
    """Raw values over the source's range, and what they become within the target's limits."""
    low, high = _find_raw_range(source)
    floor, ceiling = _find_raw_range(wanted)
    for raw in dict.fromkeys(low + (high - low) * part // 4 for part in range(5)):
        value = (raw * source.factor + source.offset) * factor
        target = round((value - wanted.offset) / wanted.factor)
        if floor <= target <= ceiling and _is_allowed(wanted, target):
            yield raw, target


def _is_allowed(signal: Signal, raw: int) -> bool:
    """Whether a raw value lies within the stated limits; limits that are no range do not count."""
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or low >= high:
        return True
    return low <= raw * signal.factor + signal.offset <= high


def _find_raw_range(signal: Signal) -> tuple[int, int]:
    if signal.signed:
        half = 1 << (signal.bit_length - 1)
        return -half, half - 1
    return 0, (1 << signal.bit_length) - 1


def _list_notes(wanted: Place, likeness: Likeness) -> Iterator[str]:
    yield f"alike by {likeness.score:.0%}: {'; '.join(likeness.reasons) or 'no word in common'}"
    source = likeness.place
    if source.signal.choices and source.signal.choices != wanted.signal.choices:
        yield "named values differ: a table of values is needed, not a scale"
    if not wanted.signal.unit or not source.signal.unit:
        yield "one side has no unit: the scale is a guess"
    if wanted.message.end_to_end:
        yield f"counter and check have to be made for it: {wanted.message.end_to_end}"
    if source.message.secured:
        yield "the source carries an authenticator, and the gateway cannot check it"
    elif source.message.end_to_end:
        yield f"check counter and check of the source first: {source.message.end_to_end}"
    doubt = _choose_default(wanted.signal)[1]
    if doubt:
        yield doubt
    slower = _is_slower(source.message, wanted.message)
    if slower:
        yield f"the source comes every {source.message.cycle_ms} ms: values repeat in between"
    if source.signal.floating != wanted.signal.floating:
        yield "floating and whole numbers meet"


def _is_slower(source: Message, wanted: Message) -> bool:
    return bool(source.cycle_ms and wanted.cycle_ms and source.cycle_ms > wanted.cycle_ms)


def _drop_cycles(
    rows: list[GatewayRow],
) -> tuple[list[GatewayRow], list[tuple[str, str]]]:
    """Rows in order, without those that close a circle of messages."""
    edges: dict[tuple[str, str], set[tuple[str, str]]] = {}
    kept: list[GatewayRow] = []
    refused: list[tuple[str, str]] = []
    for row in rows:
        start = (row.source_network, row.source_message)
        end = (row.target_network, row.target_message)
        if _reaches(edges, end, start):
            name = f"{row.target_network}/{row.target_message}/{row.target_signal}"
            refused.append((name, "it would feed a message from itself"))
        else:
            edges.setdefault(start, set()).add(end)
            kept.append(row)
    return kept, refused


def _reaches(
    edges: dict[tuple[str, str], set[tuple[str, str]]],
    start: tuple[str, str],
    goal: tuple[str, str],
) -> bool:
    waiting, seen = [start], {start}
    while waiting:
        here = waiting.pop()
        if here == goal:
            return True
        for there in edges.get(here, set()) - seen:
            seen.add(there)
            waiting.append(there)
    return False
