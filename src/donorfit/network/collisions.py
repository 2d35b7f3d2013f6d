"""Identifiers that two messages share, and messages that several units send."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from donorfit.network.layouts import list_differences
from donorfit.records.counted import count
from donorfit.vehicle.network import Message, Network

_MOST_NAMED = 4


class CollisionKind(Enum):
    """What two messages with one identifier come to."""

    TWO_SENDERS = "two units send the same identifier"
    OTHER_LAYOUT = "same identifier, other content"
    SAME_MESSAGE = "same identifier, same content"
    SEVERAL_SENDERS = "one message, several units send it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Collision:
    """Two messages with one identifier on one network.

    Attributes:
        network: where.
        frame_id: the identifier.
        extended: 29 bits instead of 11.
        first: the message described on the network.
        second: the message that comes in, or the second one described.
        kind: what it comes to.
        why: the differences in words.
    """

    network: str
    frame_id: int
    extended: bool
    first: str
    second: str
    kind: CollisionKind
    why: str


def find_collisions(network: Network, added: Iterable[Message] = ()) -> tuple[Collision, ...]:
    """Collisions on a network, with messages that a module would add to it.

    Equal identifiers alone mean nothing between cars, so the content is compared as well. Two
    frames with one identifier and different senders destroy each other on the bus (ISO 11898-1).
    """
    groups: dict[tuple[int, bool], list[Message]] = defaultdict(list)
    for message in (*network.messages, *added):
        groups[message.frame_id, message.extended].append(message)
    found = []
    for _, messages in sorted(groups.items()):
        found += [_judge_senders(network.name, each) for each in messages if len(each.senders) > 1]
        found += [_compare(network.name, messages[0], other) for other in messages[1:]]
    return tuple(found)


def _judge_senders(network: str, message: Message) -> Collision:
    return Collision(
        network=network,
        frame_id=message.frame_id,
        extended=message.extended,
        first=message.name,
        second=message.name,
        kind=CollisionKind.SEVERAL_SENDERS,
        why=f"{', '.join(message.senders)} are all named as its sender",
    )


def _compare(network: str, first: Message, second: Message) -> Collision:
    senders = set(first.senders), set(second.senders)
    other_sender = bool(senders[0] and senders[1] and senders[0] != senders[1])
    layout = _describe_difference(first, second)
    if other_sender:
        kind = CollisionKind.TWO_SENDERS
        why = f"{', '.join(first.senders)} and {', '.join(second.senders)} send it"
        why = f"{why}; {layout}" if layout else why
    elif layout:
        kind, why = CollisionKind.OTHER_LAYOUT, layout
    else:
        kind, why = CollisionKind.SAME_MESSAGE, "nothing differs"
    return Collision(
        network=network,
        frame_id=first.frame_id,
        extended=first.extended,
        first=first.name,
        second=second.name,
        kind=kind,
        why=why,
    )


def _describe_difference(first: Message, second: Message) -> str:
    parts = []
    if first.length_bytes != second.length_bytes:
        parts.append(f"{first.length_bytes} and {count(second.length_bytes, 'byte')}")
    if first.can_fd != second.can_fd:
        parts.append("one is a classic frame, the other CAN FD")
    names = {s.name for s in first.signals}, {s.name for s in second.signals}
    if (names[0] or names[1]) and not names[0] & names[1]:
        parts.append("no signal in common")
    elif names[0] != names[1]:
        parts.append(f"only one has {_list_some(sorted(names[0] ^ names[1]))}")
    known = {s.name: s for s in first.signals}
    changed = [
        f"{s.name} ({', '.join(differences)})"
        for s in sorted(second.signals, key=lambda s: s.name)
        if s.name in known and (differences := list_differences(known[s.name], s))
    ]
    if changed:
        parts.append(f"read otherwise: {_list_some(changed)}")
    return "; ".join(parts)


def _list_some(texts: list[str]) -> str:
    more = len(texts) - _MOST_NAMED
    return ", ".join(texts[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
