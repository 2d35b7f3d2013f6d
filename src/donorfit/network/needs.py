"""Does every signal that a module needs reach it, in the layout and rhythm that it expects."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from donorfit.network.layouts import list_differences
from donorfit.network.signal_matching import Place, match_signals
from donorfit.vehicle.donor import NeededSignal
from donorfit.vehicle.network import Message, Network, Signal


class SignalVerdict(Enum):
    """What a needed signal comes to."""

    PRESENT = "present"
    ELSEWHERE = "present elsewhere"
    OTHER_LAYOUT = "other layout"
    TOO_SLOW = "too slow"
    ON_EVENTS = "sent on events only"
    MISSING = "missing"
    UNKNOWN = "network not described"


_ABSENT = frozenset((SignalVerdict.MISSING, SignalVerdict.UNKNOWN, SignalVerdict.OTHER_LAYOUT))


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalCheck:
    """One needed signal.

    Attributes:
        need: what the module needs.
        verdict: what it comes to.
        network: where it was found; empty where it was not.
        message: message it was found in.
        cycle_ms: that message's cycle; None where it has none.
        senders: units that send that message.
        differences: how the layout differs from what the module expects.
        reason: the finding in one sentence.
        effect: what the driver notices; empty where the signal is present.
        remedy: what could be done; empty where nothing has to be.
        nearest: signals of the host that mean the nearest to it, with score and reasons; only
            where it is not sent under its own name and the module's own car is described.
        protection: counter, check or authenticator that the description states for the message;
            empty where it states none.
    """

    need: NeededSignal
    verdict: SignalVerdict
    network: str = ""
    message: str = ""
    cycle_ms: int | None = None
    senders: tuple[str, ...] = ()
    differences: tuple[str, ...] = ()
    reason: str = ""
    effect: str = ""
    remedy: str = ""
    nearest: tuple[str, ...] = ()
    protection: str = ""


@dataclass(frozen=True, slots=True)
class _Place:
    network: Network
    message: Message
    signal: Signal


def check_signals(
    needed: Iterable[NeededSignal],
    networks: Sequence[Network],
    *,
    expected: Sequence[Network] = (),
) -> tuple[SignalCheck, ...]:
    """Check every needed signal against the host's networks.

    Args:
        needed: what the module has to receive.
        networks: the host's networks.
        expected: networks as the module's own car describes them; where they describe a needed
            signal, its layout and identifier are compared too.

    Returns:
        One check a need, in the given order. Names are compared as they are written.
    """
    places = list(_list_places(networks))
    own = {(p.network.name, p.message.name, p.signal.name): p for p in _list_places(expected)}
    described = {network.name: network for network in networks}
    checks = [
        _check(
            need,
            [p for p in places if p.signal.name == need.signal],
            described.get(need.network),
            own.get((need.network, need.message, need.signal)),
        )
        for need in needed
    ]
    return _add_nearest(checks, own, networks)


def _add_nearest(
    checks: list[SignalCheck],
    own: dict[tuple[str, str, str], _Place],
    networks: Sequence[Network],
) -> tuple[SignalCheck, ...]:
    """Candidates by meaning for needs that no signal of their name meets."""
    sent = {place.signal.name for place in _list_places(networks)}
    absent = {}
    for number, check in enumerate(checks):
        need = check.need
        place = own.get((need.network, need.message, need.signal))
        if place is not None and check.verdict in _ABSENT and check.need.signal not in sent:
            absent[number] = Place(
                network=place.network.name, message=place.message, signal=place.signal
            )
    for number, match in zip(absent, match_signals(list(absent.values()), networks), strict=True):
        nearest = tuple(
            f"{each.place.network}/{each.place.message.name}/{each.place.signal.name} "
            f"({each.score:.2f}: {'; '.join(each.reasons)})"
            for each in match.candidates
        )
        checks[number] = replace(checks[number], nearest=nearest)
    return tuple(checks)


def _list_places(networks: Iterable[Network]) -> Iterator[_Place]:
    for network in networks:
        for message in network.messages:
            for signal in message.signals:
                yield _Place(network, message, signal)


def _check(
    need: NeededSignal, places: list[_Place], network: Network | None, expected: _Place | None
) -> SignalCheck:
    exact = [
        p for p in places if p.network.name == need.network and p.message.name == need.message
    ]
    if exact:
        return _judge_exact(need, exact[0], expected)
    here = [p for p in places if p.network.name == need.network]
    if here or places:
        return _judge_elsewhere(need, min(here or places, key=_rank_rhythm), expected)
    if network is None or not network.messages:
        return _answer(
            need,
            SignalVerdict.UNKNOWN,
            None,
            reason=f"nothing is known of the messages on {need.network}",
            remedy="describe the network, or record it with the ignition on",
        )
    return _judge_absent(need, network)


def _rank_rhythm(place: _Place) -> float:
    """The fastest place is the best one; events come last."""
    return float("inf") if place.message.cycle_ms is None else place.message.cycle_ms


def _judge_elsewhere(need: NeededSignal, place: _Place, expected: _Place | None) -> SignalCheck:
    """Sent in another message or network; its rhythm and layout are what a gateway would get."""
    message, cycle = place.message, place.message.cycle_ms
    reason = (
        f"it is sent in message {message.name} instead of {need.message}"
        if place.network.name == need.network
        else f"it is sent on {place.network.name}, not on {need.network}"
    )
    if cycle is None:
        reason = f"{reason}, and on events only"
    elif cycle > need.longest_gap_ms:
        reason = f"{reason}, and every {cycle} ms where {need.longest_gap_ms} ms is tolerated"
    return _answer(
        need,
        SignalVerdict.ELSEWHERE,
        place,
        reason=reason,
        remedy=_translate(place, need),
        differences=() if expected is None else list_differences(expected.signal, place.signal),
        expected=expected,
    )


def _judge_absent(need: NeededSignal, network: Network) -> SignalCheck:
    message = next((m for m in network.messages if m.name == need.message), None)
    if message is not None and message.signals:
        return SignalCheck(
            need=need,
            verdict=SignalVerdict.OTHER_LAYOUT,
            network=network.name,
            message=message.name,
            cycle_ms=message.cycle_ms,
            senders=message.senders,
            differences=(f"message {message.name} has no signal {need.signal}",),
            reason=f"message {message.name} is sent, but without {need.signal}",
            effect=need.effect,
            remedy="a unit or software that sends it in the expected layout",
        )
    return _answer(
        need,
        SignalVerdict.MISSING,
        None,
        reason=f"no network described sends {need.signal}",
        remedy="a companion unit that sends it",
    )


def _judge_exact(need: NeededSignal, place: _Place, expected: _Place | None) -> SignalCheck:
    differences = _list_all_differences(place, expected) if expected is not None else ()
    cycle = place.message.cycle_ms
    if differences:
        return _answer(
            need,
            SignalVerdict.OTHER_LAYOUT,
            place,
            reason=f"the module reads {need.signal} in another layout",
            remedy="translate the message, or a unit that sends the expected layout",
            differences=differences,
            expected=expected,
        )
    if cycle is None:
        return _answer(
            need,
            SignalVerdict.ON_EVENTS,
            place,
            reason=f"{need.message} has no cycle; {need.longest_gap_ms} ms cannot be promised",
            remedy="record the network and look at the longest gap",
        )
    if cycle > need.longest_gap_ms:
        return _answer(
            need,
            SignalVerdict.TOO_SLOW,
            place,
            reason=f"{need.message} comes every {cycle} ms, {need.longest_gap_ms} ms is tolerated",
            remedy="a unit or software that sends it more often, or a gateway that repeats it",
        )
    return SignalCheck(
        need=need,
        verdict=SignalVerdict.PRESENT,
        network=place.network.name,
        message=place.message.name,
        cycle_ms=cycle,
        senders=place.message.senders,
        protection=describe_protection(place.message),
        reason=f"{need.message} comes every {cycle} ms, {need.longest_gap_ms} ms is tolerated",
    )


def _list_all_differences(place: _Place, expected: _Place) -> tuple[str, ...]:
    frame: tuple[str, ...] = ()
    here, there = expected.message, place.message
    if (here.frame_id, here.extended) != (there.frame_id, there.extended):
        frame = (f"identifier {there.frame_id:#x} instead of {here.frame_id:#x}",)
    return (*frame, *list_differences(expected.signal, place.signal))


def describe_protection(message: Message) -> str:
    """What a description states of a message's protection, in words; empty where nothing."""
    if message.secured:
        return "an authenticator made with a key"
    return message.end_to_end


def _translate(place: _Place, need: NeededSignal) -> str:
    if place.message.secured:
        return "a unit that may hold the key; a gateway could read it, and could not prove it"
    return (
        f"a gateway row from {place.network.name}/{place.message.name} to "
        f"{need.network}/{need.message}"
    )


def _answer(
    need: NeededSignal,
    verdict: SignalVerdict,
    place: _Place | None,
    *,
    reason: str,
    remedy: str,
    differences: tuple[str, ...] = (),
    expected: _Place | None = None,
) -> SignalCheck:
    return SignalCheck(
        need=need,
        verdict=verdict,
        network=place.network.name if place else "",
        message=place.message.name if place else "",
        cycle_ms=place.message.cycle_ms if place else None,
        senders=place.message.senders if place else (),
        differences=differences,
        reason=reason,
        effect=need.effect,
        remedy=_limit_remedy(remedy, place, expected),
        protection=describe_protection(place.message) if place else "",
    )


def _limit_remedy(remedy: str, place: _Place | None, expected: _Place | None) -> str:
    """What stands in the way of a gateway that would make the message that the module expects."""
    wanted = expected.message if expected is not None else None
    if wanted is None or place is None or not describe_protection(wanted):
        return remedy
    if wanted.secured:
        return "none by a gateway: the module expects an authenticator, and that needs a key"
    return f"{remedy}; it would have to make {wanted.end_to_end}"
