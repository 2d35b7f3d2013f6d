"""Does a LIN bus hold one more node: addresses, identifiers, and the time that each slot leaves.

Frame times of LIN 2.x (specification, section on time definitions, as restated on a public help
page of an interface maker): header ``34`` bits, response ``10 * (bytes + 1)`` bits, and both may
take ``1.4`` times as long. That page prints 14 instead of 1.4 for the header; 14 headers would be
longer than any slot in use. A slot has to hold the longest frame and the jitter of the master.
Node addresses: 0 is kept for sleep, 126 and 127 ask all nodes, 128 and up are free (LIN 2.1, from
memory). Identifiers above 59 carry no signals. Frames of LIN 1.x have the classic checksum over
the data alone, later ones the enhanced one over identifier and data (LIN 2.0, from memory).
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum

from donorfit.errors import InputError
from donorfit.network.collisions import CollisionKind, find_collisions
from donorfit.records.counted import count
from donorfit.vehicle.lin import LARGEST_SIGNAL_ID, LinCluster, LinNode, SlotKind
from donorfit.vehicle.network import Message, Network, NetworkKind

HEADER_BITS = 34
BITS_A_BYTE = 10
LONGEST_PERCENT = 140
LONGEST_BYTES = 8
LARGEST_ADDRESS = 125
MICROSECONDS_A_SECOND = 1_000_000


class LinDoubtKind(Enum):
    """What can be wrong on a LIN bus."""

    ADDRESS_TWICE = "two nodes hold one node address"
    ADDRESS_RESERVED = "node address that no node may hold"
    NODE_TWICE = "two nodes of one name"
    IDENTIFIER_TWICE = "two frames share an identifier"
    IDENTIFIER_RESERVED = "identifier that carries no signals"
    LENGTH = "length that no frame has"
    SLOT_TOO_SHORT = "slot too short for its frame"
    NEVER_ASKED = "no schedule table asks for the frame"
    NO_DIAGNOSIS = "no slots for diagnosis"
    OTHER_BIT_RATE = "other bit rate"
    OTHER_CHECKSUM = "other checksum"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinDoubt:
    """One thing that is wrong or doubtful.

    Attributes:
        kind: what it is.
        subject: node, frame or schedule table.
        why: the finding in one sentence.
        next_step: what to do.
    """

    kind: LinDoubtKind
    subject: str
    why: str
    next_step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotTime:
    """One slot against its frame; times in microseconds.

    Attributes:
        schedule: its table.
        frame: name of the frame, or what the slot is for.
        length_bytes: bytes of the response; None where the description does not tell.
        nominal_us: frame without any pause; 0 where the length is not known.
        longest_us: frame as slow as the standard allows.
        delay_us: what the table leaves.
    """

    schedule: str
    frame: str
    length_bytes: int | None
    nominal_us: float
    longest_us: float
    delay_us: int

    @property
    def fits(self) -> bool | None:
        """Whether the longest frame ends in its slot; None where its length is not known."""
        return None if self.length_bytes is None else self.longest_us <= self.delay_us


@dataclass(frozen=True, slots=True, kw_only=True)
class LinReport:
    """A LIN bus with its doubts.

    Attributes:
        network: name.
        bit_rate: bit/s.
        slots: every slot of every table.
        doubts: what is wrong; that of the bus first, then that of the added node.
    """

    network: str
    bit_rate: int
    slots: tuple[SlotTime, ...]
    doubts: tuple[LinDoubt, ...]


def compute_nominal_us(length_bytes: int, bit_rate: int) -> float:
    """Time of a frame without any pause: ``(34 + 10 * (bytes + 1)) / rate``, microseconds.

    Raises:
        InputError: a length outside 0..8 or no bit rate.
    """
    if not 0 <= length_bytes <= LONGEST_BYTES or bit_rate <= 0:
        raise InputError(
            what=f"a LIN frame of {count(length_bytes, 'byte')} at {bit_rate} bit/s cannot be "
            "timed",
            where="LIN frame",
            why=f"LIN carries 0 to {LONGEST_BYTES} bytes at a positive bit rate",
            next_step="correct the description",
        )
    bits = HEADER_BITS + BITS_A_BYTE * (length_bytes + 1)
    return bits * MICROSECONDS_A_SECOND / bit_rate


def compute_longest_us(length_bytes: int, bit_rate: int) -> float:
    """Time of the slowest frame that the standard allows: 1.4 times the nominal one.

    Raises:
        InputError: see :func:`compute_nominal_us`.
    """
    return compute_nominal_us(length_bytes, bit_rate) * LONGEST_PERCENT / 100


def check_lin(network: Network, added: Network | None = None) -> LinReport:
    """Check a LIN bus, and the nodes and frames that a module would add to it.

    Args:
        network: the host's bus.
        added: the bus as the module's own car describes it; its master is not added.

    Raises:
        InputError: one of them is not a LIN bus, or the host's bit rate is not known.
    """
    for each in (network, added):
        if each is not None:
            _require(each)
    cluster = network.lin or LinCluster(protocol="", nodes=())
    slots = tuple(_list_slots(network, cluster))
    doubts = [*_check_frames(network.messages), *_check_nodes(cluster.nodes)]
    doubts += _check_collisions(network, ())
    doubts += _check_slots(slots, cluster)
    doubts += _check_asked(network.messages, network, "it is described, but")
    if added is not None:
        doubts += _check_added(network, cluster, added)
    return LinReport(
        network=network.name,
        bit_rate=network.bit_rate,
        slots=slots,
        doubts=tuple(dict.fromkeys(doubts)),
    )


def _require(network: Network) -> None:
    checks = (
        (network.kind is NetworkKind.LIN, f"it is a network of kind {network.kind.value}"),
        (network.bit_rate > 0, "its bit rate is not known"),
    )
    mistakes = [text for right, text in checks if not right]
    if mistakes:
        raise InputError(
            what=f"network {network.name} cannot be checked as a LIN bus",
            where=network.name,
            why="; ".join(mistakes),
            next_step="name a LIN description (LDF), or a pack's LIN network with its bit rate",
        )


def _list_slots(network: Network, cluster: LinCluster) -> Iterator[SlotTime]:
    lengths = {each.name: each.length_bytes for each in network.messages}
    for schedule in cluster.schedules:
        for slot in schedule.slots:
            diagnostic = slot.kind not in {SlotKind.FRAME, SlotKind.OTHER}
            length = LONGEST_BYTES if diagnostic else lengths.get(slot.frame)
            if length is not None and not 0 <= length <= LONGEST_BYTES:
                length = None
            known, rate = length or 0, network.bit_rate
            yield SlotTime(
                schedule=schedule.name,
                frame=slot.frame or slot.kind.value,
                length_bytes=length,
                nominal_us=0 if length is None else compute_nominal_us(known, rate),
                longest_us=0 if length is None else compute_longest_us(known, rate),
                delay_us=slot.delay_us,
            )


def _check_frames(messages: Iterable[Message]) -> Iterator[LinDoubt]:
    for each in messages:
        if not 1 <= each.length_bytes <= LONGEST_BYTES:
            yield LinDoubt(
                kind=LinDoubtKind.LENGTH,
                subject=each.name,
                why=f"it has {count(each.length_bytes, 'byte')}; LIN carries 1 to {LONGEST_BYTES}",
                next_step="correct the description",
            )
        if not 0 <= each.frame_id <= LARGEST_SIGNAL_ID:
            yield LinDoubt(
                kind=LinDoubtKind.IDENTIFIER_RESERVED,
                subject=each.name,
                why=f"{each.frame_id:#x} is above {LARGEST_SIGNAL_ID:#x}: diagnosis or reserved",
                next_step="correct the description",
            )


def _check_nodes(nodes: Iterable[LinNode]) -> Iterator[LinDoubt]:
    holders: dict[int, list[str]] = defaultdict(list)
    names: set[str] = set()
    for node in nodes:
        if node.name in names:
            yield LinDoubt(
                kind=LinDoubtKind.NODE_TWICE,
                subject=node.name,
                why="both descriptions name a node so",
                next_step="find out whether it is the same unit or a second one",
            )
        names.add(node.name)
        if node.node_address is None:
            continue
        holders[node.node_address].append(node.name)
        if not 1 <= node.node_address <= LARGEST_ADDRESS:
            yield LinDoubt(
                kind=LinDoubtKind.ADDRESS_RESERVED,
                subject=node.name,
                why=f"{node.node_address:#x} is kept for sleep, for all nodes, or free use",
                next_step="read the node's address before it is connected",
            )
    for address, names_there in holders.items():
        if len(names_there) > 1:
            yield LinDoubt(
                kind=LinDoubtKind.ADDRESS_TWICE,
                subject=", ".join(names_there),
                why=f"all hold node address {address:#x}; both would answer a diagnostic request",
                next_step="give one of them another node address before both are connected",
            )


def _check_collisions(network: Network, added: Iterable[Message]) -> Iterator[LinDoubt]:
    for each in find_collisions(network, added):
        if each.kind is not CollisionKind.SAME_MESSAGE:
            yield LinDoubt(
                kind=LinDoubtKind.IDENTIFIER_TWICE,
                subject=f"{each.first}, {each.second}",
                why=f"both have identifier {each.frame_id:#x}: {each.why}",
                next_step="assign one of them another identifier, or leave the node out",
            )


def _check_slots(slots: Iterable[SlotTime], cluster: LinCluster) -> Iterator[LinDoubt]:
    for slot in slots:
        needed = slot.longest_us + cluster.jitter_us
        if slot.length_bytes is not None and needed > slot.delay_us:
            yield LinDoubt(
                kind=LinDoubtKind.SLOT_TOO_SHORT,
                subject=f"{slot.schedule}: {slot.frame}",
                why=(
                    f"{count(slot.length_bytes, 'byte takes', 'bytes take')} up to "
                    f"{slot.longest_us / 1000:.2f} ms and "
                    f"{cluster.jitter_us / 1000:g} ms jitter, the slot has "
                    f"{slot.delay_us / 1000:g} ms"
                ),
                next_step="a longer slot in the master's table, or a shorter frame",
            )
    kinds = {slot.kind for schedule in cluster.schedules for slot in schedule.slots}
    wanted = {SlotKind.MASTER_REQUEST, SlotKind.SLAVE_RESPONSE}
    if cluster.schedules and not wanted <= kinds:
        missing = " and ".join(each.value for each in SlotKind if each in wanted - kinds)
        yield LinDoubt(
            kind=LinDoubtKind.NO_DIAGNOSIS,
            subject="schedule tables",
            why=f"no table has a slot for {missing}, so no node can be asked for its identity",
            next_step="ask the master's maker data for a diagnostic table, or read on the bench",
        )


def _check_asked(messages: Iterable[Message], network: Network, reason: str) -> Iterator[LinDoubt]:
    cluster = network.lin
    if cluster is None or not cluster.schedules:
        return
    asked = {slot.frame for schedule in cluster.schedules for slot in schedule.slots}
    numbers = {each.frame_id for each in network.messages if each.name in asked}
    for each in messages:
        if each.name not in asked and each.frame_id not in numbers:
            yield LinDoubt(
                kind=LinDoubtKind.NEVER_ASKED,
                subject=each.name,
                why=f"{reason} no schedule table of the master has a slot for it",
                next_step="a master, or master software, whose table asks for it",
            )


def _check_added(network: Network, cluster: LinCluster, added: Network) -> Iterator[LinDoubt]:
    own = added.lin or LinCluster(protocol="", nodes=())
    masters = {node.name for node in own.nodes if node.master}
    nodes = [node for node in own.nodes if not node.master]
    if added.bit_rate != network.bit_rate:
        yield LinDoubt(
            kind=LinDoubtKind.OTHER_BIT_RATE,
            subject=added.name,
            why=f"{added.bit_rate} bit/s instead of {network.bit_rate} bit/s",
            next_step="a node for this bit rate; most follow the sync byte within limits only",
        )
    if _is_classic(own.protocol) is not _is_classic(cluster.protocol):
        yield LinDoubt(
            kind=LinDoubtKind.OTHER_CHECKSUM,
            subject=added.name,
            why=f"protocol {own.protocol or 'not said'} meets {cluster.protocol or 'not said'}",
            next_step="see that the master knows which checksum each node uses",
        )
    yield from _check_frames(added.messages)
    yield from _check_nodes([*cluster.nodes, *nodes])
    sent = [each for each in added.messages if not masters & set(each.senders)]
    yield from _check_collisions(network, added.messages)
    yield from _check_asked(sent, network, "the module sends it, but")


def _is_classic(protocol: str) -> bool | None:
    """Whether frames have the checksum of LIN 1.x; None where the version is not said."""
    return protocol.startswith("1.") if protocol else None
