"""Causes of fault codes that can be told from what was read and what is planned."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from donorfit.vehicle.fault import Cause, CauseKind, KnownFault
from donorfit.vehicle.identity import DataIdentifier, OptionName, UnitId
from donorfit.vehicle.pack import Pack

_ANYWHERE = frozenset((CauseKind.SUPPLY_LOW, CauseKind.RING_BREAK))
LIST_ROOT = "the option list, and what is configured from it, does not say how the car is equipped"


@dataclass(frozen=True, slots=True, kw_only=True)
class ActiveCause:
    """A cause that is at work.

    Attributes:
        kind: what sort of cause.
        subjects: every name under which a pack may speak of it: unit, option, record, message,
            ring; empty where the kind is about the whole car.
        text: the cause in words, to stand after "explained by".
        root: what the cause itself goes back to; empty where it stands for itself.
    """

    kind: CauseKind
    subjects: frozenset[str]
    text: str
    root: str = ""

    def matches(self, cause: Cause, fault: KnownFault) -> bool:
        """Whether a pack's cause of a fault is this one; no subject means the fault's own unit."""
        if cause.kind is not self.kind:
            return False
        if not self.subjects or (not cause.subject and self.kind in _ANYWHERE):
            return True
        return (cause.subject or fault.unit) in self.subjects


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedRecord:
    """A record, or with an empty name an option list, that does not hold what it should."""

    unit: UnitId
    identifier: DataIdentifier
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """The car at one moment, as far as causes of fault codes can be told from it.

    Attributes:
        options: declared options.
        fitted: units that answer.
        absent: units that should be there and do not answer.
        disagreeing: records and option lists that do not hold what they should.
        wrong: options that are declared though they do not fit the car.
        missing: options that are not declared though the car needs them.
        silent: units that may not send, because they are absent, away or not configured.
        foreign_vin: units that hold another car's VIN.
        supply_low: whether the supply is or may be below the family's limit.
    """

    options: frozenset[OptionName] = frozenset()
    fitted: frozenset[UnitId] = frozenset()
    absent: frozenset[UnitId] = frozenset()
    disagreeing: tuple[ChangedRecord, ...] = ()
    wrong: tuple[OptionName, ...] = ()
    missing: tuple[OptionName, ...] = ()
    silent: frozenset[UnitId] = frozenset()
    foreign_vin: frozenset[UnitId] = frozenset()
    supply_low: bool = False


def _find_undeclared(pack: Pack, now: Situation) -> Iterator[ActiveCause]:
    for unit in pack.units:
        option = unit.present_option
        if option is not None and unit.id in now.fitted and option not in now.options:
            yield ActiveCause(
                kind=CauseKind.UNIT_NOT_DECLARED,
                subjects=frozenset((unit.id, option)),
                text=f"{unit.title} is fitted but not declared ({option})",
                root=LIST_ROOT,
            )


def _find_disagreeing(pack: Pack, now: Situation) -> Iterator[ActiveCause]:
    for each in now.disagreeing:
        unit = pack.find_unit(each.unit)
        title = each.unit if unit is None else unit.title
        what = f"record {each.name!r}" if each.name else "option list"
        names = {
            each.unit,
            f"0x{each.identifier:04X}",
            f"{each.unit}/0x{each.identifier:04X}",
            *((each.name, f"{each.unit}/{each.name}") if each.name else ()),
        }
        yield ActiveCause(
            kind=CauseKind.CONFIGURATION_DISAGREES,
            subjects=frozenset(names),
            text=f"the {what} of {title} does not fit the car",
            root=LIST_ROOT,
        )
    for options, what in (
        (now.wrong, "is declared, but does not fit the car"),
        (now.missing, "is needed, but not declared"),
    ):
        for option in options:
            yield ActiveCause(
                kind=CauseKind.CONFIGURATION_DISAGREES,
                subjects=frozenset((option,)),
                text=f"option {option} {what}",
                root=LIST_ROOT,
            )


def _find_silence_root(now: Situation, silent: list[str]) -> str:
    """A unit that answers is silent since it is not configured; otherwise it is not there."""
    absent = sorted({each.lower() for each in now.absent} & {each.lower() for each in silent})
    return f"{', '.join(absent)} is absent or away" if absent else LIST_ROOT


def _find_missing_messages(pack: Pack, now: Situation) -> Iterator[ActiveCause]:
    for network in pack.networks:
        for message in network.messages:
            senders = {each.lower() for each in message.senders}
            silent = sorted(senders & {each.lower() for each in now.silent})
            if silent:
                yield ActiveCause(
                    kind=CauseKind.MESSAGE_MISSING,
                    subjects=frozenset((message.name, f"{network.name}/{message.name}")),
                    text=f"message {message.name} may be missing while "
                    f"{', '.join(silent)} is absent, away or not configured",
                    root=_find_silence_root(now, silent),
                )
    for unit in sorted(now.silent):
        yield ActiveCause(
            kind=CauseKind.MESSAGE_MISSING,
            subjects=frozenset((unit,)),
            text=f"{unit} may not send while it is absent, away or not configured",
            root=_find_silence_root(now, [unit]),
        )


def _find_ring_breaks(pack: Pack, now: Situation) -> Iterator[ActiveCause]:
    if pack.ring is None:
        return
    nodes = {each.source for each in pack.ring.hops}
    dark = sorted(nodes & now.absent)
    if dark:
        yield ActiveCause(
            kind=CauseKind.RING_BREAK,
            subjects=frozenset((pack.ring.name, *dark)),
            text=f"the optical ring is open at {', '.join(dark)}",
        )


def find_causes(pack: Pack, now: Situation) -> tuple[ActiveCause, ...]:
    """All causes at work in a situation, in a fixed order."""
    found = [
        *_find_undeclared(pack, now),
        *_find_disagreeing(pack, now),
        *_find_missing_messages(pack, now),
        *_find_ring_breaks(pack, now),
    ]
    if now.supply_low:
        found.append(
            ActiveCause(
                kind=CauseKind.SUPPLY_LOW,
                subjects=frozenset(),
                text="the supply may fall below the family's limit",
            )
        )
    found.extend(
        ActiveCause(
            kind=CauseKind.OTHER_CARS_VIN,
            subjects=frozenset((unit,)),
            text=f"{unit} holds another car's VIN",
        )
        for unit in sorted(now.foreign_vin)
    )
    return tuple(found)


def find_match(fault: KnownFault, active: Iterable[ActiveCause]) -> ActiveCause | None:
    """The first of a fault's causes, the likeliest first, that is at work; None where none is."""
    everything = tuple(active)
    for cause in fault.causes:
        for each in everything:
            if each.matches(cause, fault):
                return each
    return None
