"""Doubts about stored option lists: in one keeper, and between keepers."""

from collections import Counter
from collections.abc import Iterable

from donorfit.configuration.option_lists import list_code_slots, write_slot
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.records.survey import OptionListRead
from donorfit.vehicle.control_unit import KeeperRole, ListEncoding, OptionListStore
from donorfit.vehicle.identity import UnitId


def _list_code_doubts(data: bytes) -> list[str]:
    slots = list(list_code_slots(data))
    used = [each for each in slots if each.strip(b"\0")]
    doubts = []
    twice = sorted(write_slot(each) for each, count in Counter(used).items() if count > 1)
    if twice:
        doubts.append(f"{', '.join(twice)} stand there more than once")
    if used != sorted(used):
        doubts.append("the codes are not in ascending order")
    if used and slots[: len(used)] != used:
        doubts.append("there are gaps between the codes")
    return doubts


def check_option_list(
    unit: UnitId, store: OptionListStore, read: OptionListRead
) -> tuple[Finding, ...]:
    """Say what is odd about one stored list: length, month, order, what the pack does not know."""
    doubts = []
    if len(read.data) != store.length_bytes:
        doubts.append(f"it has {count(len(read.data), 'byte')} instead of {store.length_bytes}")
    if read.month is None:
        doubts.append(f"its first bytes {read.data[:2].hex().upper()} are no month")
    if store.encoding is ListEncoding.CODES:
        doubts += _list_code_doubts(read.data)
    where = f"{unit}, identifier 0x{store.identifier:04X}"
    findings = [
        Finding(
            id="option-list-odd",
            severity=Severity.WARNING,
            what=f"The option list is not as it should be: {doubt}.",
            where=where,
            evidence=(read.data.hex().upper(),),
            next_step="Compare it with the other keepers before it is written.",
        )
        for doubt in doubts
    ]
    if read.unknown:
        findings.append(
            Finding(
                id="option-list-unknown",
                severity=Severity.NOTE,
                what=f"{count(len(read.unknown), 'entry', 'entries')} of the option list, not in "
                "the pack: kept as read.",
                where=where,
                evidence=read.unknown,
                next_step="Add them to the pack if you know what they mean.",
            )
        )
    return tuple(findings)


def compare_option_lists(
    keepers: Iterable[tuple[UnitId, OptionListStore, OptionListRead]],
) -> tuple[Finding, ...]:
    """Say where a copy disagrees with the master, option by option."""
    rows = sorted(keepers, key=lambda each: each[1].role is KeeperRole.COPY)
    if not rows or rows[0][1].role is KeeperRole.COPY:
        return ()
    master, _, first = rows[0]
    findings = []
    for unit, store, read in rows[1:]:
        differences = [
            *(f"{each} only in {master}" for each in first.options if each not in read.options),
            *(f"{each} only in {unit}" for each in read.options if each not in first.options),
        ]
        if first.month != read.month:
            differences.append(f"build month {first.month} in {master}, {read.month} in {unit}")
        if differences:
            findings.append(
                Finding(
                    id="option-lists-disagree",
                    severity=Severity.WARNING,
                    what=f"{unit} stores another option list than {master}.",
                    where=f"{unit}, identifier 0x{store.identifier:04X}",
                    why=f"The list in {master} counts; a copy has to agree with it.",
                    evidence=tuple(differences),
                    next_step="The plan writes the same list to both.",
                )
            )
    return tuple(findings)
