"""Checks around a merge: the result is what it says, the software version fits the bytes."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from donorfit.configuration.bits import read_field
from donorfit.configuration.checksums import is_checksum_right
from donorfit.configuration.derivation import derive
from donorfit.configuration.merge_values import MergeResult
from donorfit.errors import VerifyError
from donorfit.records.counted import choose
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldVerdict
from donorfit.vehicle.expression import (
    AllOf,
    AnyOf,
    Condition,
    Facts,
    Not,
    SoftwareFrom,
    list_options,
)
from donorfit.vehicle.identity import OptionName, SoftwareVersion
from donorfit.vehicle.layout import ConfigurationRecord, FieldKind, Layout

_FEWEST_MISMATCHES = 2
_SHORT_LIST = 12


def check_merged(layout: Layout, facts: Facts, result: MergeResult, where: str) -> None:
    """Derive the new list once more and read the merged bytes: do they hold what was decided?

    Raises:
        VerifyError: a field does not read back as decided, an applied one is not the derived
            value, or the checksum is wrong.
    """
    if result.blocked:
        return
    derived = {each.name: each.raw for each in derive(layout, facts)}
    edits = {each.name: each for each in result.fields}
    wrong = []
    for field in layout.fields:
        edit = edits[field.name]
        read = read_field(field, result.after)
        if edit.result is not None and read != edit.result:
            wrong.append(f"{field.name}: decided {edit.result}, the bytes hold {read}")
        demanded = edit.verdict is FieldVerdict.APPLIED and edit.result == edit.target
        if demanded and derived[field.name] != edit.result:
            wrong.append(
                f"{field.name}: derived {derived[field.name]}, the merge took {edit.result}"
            )
    if layout.checksum is not None and not is_checksum_right(layout.checksum, result.after):
        wrong.append("the checksum is wrong")
    if wrong:
        raise VerifyError(
            what="The merged record does not hold what the merge decided.",
            where=where,
            why="; ".join(wrong),
            next_step="Do not write this record; check its layout for overlapping fields.",
        )


def _list_versions(condition: Condition) -> Iterator[SoftwareVersion]:
    match condition:
        case SoftwareFrom(version):
            yield version
        case Not(inner):
            yield from _list_versions(inner)
        case AllOf(conditions) | AnyOf(conditions):
            for each in conditions:
                yield from _list_versions(each)
        case _:
            return


def _list_candidates(record: ConfigurationRecord) -> list[SoftwareVersion]:
    """One version for every range that layouts and rules tell apart, 0 standing for the oldest."""
    found = {SoftwareVersion((0,))}
    for layout in record.layouts:
        found |= {each for each in (layout.software_from, layout.software_before) if each}
        for field in layout.fields:
            for rule in field.rules:
                found.update(_list_versions(rule.condition))
    return sorted(found)


def _count_mismatches(record: ConfigurationRecord, facts: Facts, data: bytes) -> int | None:
    """How many derived fields the bytes contradict; None where no layout fits them."""
    layout = record.choose_layout(facts.software)
    if layout is None or len(data) != layout.length_bytes:
        return None
    fields = {each.name: each for each in layout.fields if each.kind is FieldKind.DERIVED}
    return sum(
        value.raw is not None and value.raw != read_field(fields[value.name], data)
        for value in derive(layout, facts)
        if value.name in fields
    )


def suspect_software_version(
    record: ConfigurationRecord, facts: Facts, data: bytes, where: str
) -> Finding | None:
    """Say so where another software version explains the bytes much better than the stated one.

    "Much" is half the contradictions or fewer, and at least two fewer (own rule of thumb).
    """
    stated = _count_mismatches(record, facts, data)
    if stated is not None and stated < _FEWEST_MISMATCHES:
        return None
    best: tuple[int, SoftwareVersion] | None = None
    for version in _list_candidates(record):
        count = _count_mismatches(record, replace(facts, software=version), data)
        if count is not None and (best is None or count < best[0]):
            best = (count, version)
    if best is None:
        return None
    if stated is not None and (best[0] * 2 > stated or stated - best[0] < _FEWEST_MISMATCHES):
        return None
    said = "fits no layout" if stated is None else f"contradicts {stated} fields"
    return Finding(
        id="software-version-doubtful",
        severity=Severity.WARNING,
        what=f"The bytes look like those of software from {best[1]} on, "
        f"not of {facts.software or 'an unknown version'}.",
        where=where,
        why=f"The stated version {said}, the other one {best[0]}.",
        evidence=(data.hex().upper(),),
        next_step="Read the unit's software version again before the record is written.",
    )


def find_unmentioned(
    changed: Iterable[OptionName], records: Iterable[ConfigurationRecord]
) -> Finding | None:
    """Changed options that no derivation rule mentions: the pack knows nothing that they do."""
    mentioned: set[OptionName] = set()
    for record in records:
        for layout in record.layouts:
            for field in layout.fields:
                for rule in field.rules:
                    mentioned |= list_options(rule.condition)
    silent = sorted(set(changed) - mentioned)
    if not silent:
        return None
    shown = silent[:_SHORT_LIST]
    more = len(silent) - len(shown)
    return Finding(
        id="option-without-evidence",
        severity=Severity.NOTE,
        what=f"{len(silent)} of the options that change "
        f"{choose(len(silent), 'configures', 'configure')} no unit as far as is known.",
        where="option list",
        why="No rule of the pack mentions them.",
        evidence=(*shown, *((f"and {more} more",) if more else ())),
        next_step="If a function stays missing after the work, look there first.",
    )
