"""Check conditions: what they name, and that the rules of each field reach every car."""

from collections.abc import Iterator, Sequence
from itertools import product

from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.unit_shapes import FieldShape
from donorfit.vehicle.expression import (
    AllOf,
    Always,
    AnyOf,
    BuiltFrom,
    Condition,
    Facts,
    Not,
    SoftwareFrom,
    holds,
    list_options,
    parse_condition,
)
from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion

MOST_CASES = 1 << 13
MOST_TRIALS = 1 << 17
"""Cases of one field, and cases times rules; beyond these only the last rule is checked."""


def check_conditions(parts: PackParts, notes: PackNotes) -> None:
    """Check every condition of every field."""
    manifest = parts.manifest.values
    family = BuildMonth.parse(manifest.family_from), BuildMonth.parse(manifest.family_before)
    known = parts.options
    for file, _, record in parts.list_records():
        for layout in record.layout:
            for field in layout.field:
                _check_rules(file, field, notes)
                for rule in field.rules:
                    line = rule.get_line("when")
                    condition = parse_condition(rule.when)
                    for name in sorted(list_options(condition) - (known or frozenset())):
                        if known is not None:
                            what = f"{field.name}: there is no option {name!r}"
                            notes.add(file, line, what, suggest(name, known))
                    for month in list_months(condition):
                        if not family[0] < month < family[1]:
                            what = f"{field.name}: {month} lies outside the family's months"
                            notes.add(file, line, what, "correct the month or the family's span")


def list_months(condition: Condition) -> Iterator[BuildMonth]:
    """Build months that a condition compares with."""
    yield from (each for each in _list_limits(condition) if isinstance(each, BuildMonth))


def _list_limits(condition: Condition) -> Iterator[BuildMonth | SoftwareVersion]:
    match condition:
        case BuiltFrom(month):
            yield month
        case SoftwareFrom(version):
            yield version
        case Not(inner):
            yield from _list_limits(inner)
        case AllOf(conditions) | AnyOf(conditions):
            for each in conditions:
                yield from _list_limits(each)
        case _:
            return


def _check_rules(file: str, field: FieldShape, notes: PackNotes) -> None:
    if field.kind == "per car":
        if field.rules:
            line = field.get_line("rules")
            what = f"{field.name}: a value that differs from car to car has rules"
            notes.add(file, line, what, "take the rules out or change the kind")
        return
    if not field.rules:
        if field.kind == "derived":
            what = f"{field.name}: a derived value has no rule"
            notes.add(file, field.get_line(), what, "add rules, the last one without 'when'")
        return
    conditions = [parse_condition(each.when) for each in field.rules]
    reached, complete = _try_rules(conditions)
    for rule, used in zip(field.rules, reached, strict=True):
        if not used:
            what = f"{field.name}: this rule is never reached, those before it catch every car"
            notes.add(file, rule.get_line(), what, "take it out or move it up")
    if not complete:
        what = f"{field.name}: for some cars no rule holds"
        line = field.rules[-1].get_line()
        notes.add(file, line, what, "let the last rule be one without 'when'")


def _try_rules(conditions: Sequence[Condition]) -> tuple[list[bool], bool]:
    """Which rules decide for some car, and whether some rule decides for every car."""
    cases = _list_cases(conditions)
    if cases is None:
        return [True] * len(conditions), isinstance(conditions[-1], Always)
    reached = [False] * len(conditions)
    complete = True
    for facts in cases:
        place = next((p for p, each in enumerate(conditions) if holds(each, facts)), None)
        if place is None:
            complete = False
        else:
            reached[place] = True
    return reached, complete


def _list_cases(conditions: Sequence[Condition]) -> Iterator[Facts] | None:
    """Every car that these conditions can tell apart; None where there are too many."""
    options = sorted(frozenset[OptionName]().union(*(list_options(each) for each in conditions)))
    limits = {limit for each in conditions for limit in _list_limits(each)}
    months = [
        BuildMonth(0),
        *sorted(each for each in limits if isinstance(each, BuildMonth)),
    ]
    versions = [
        SoftwareVersion(()),
        *sorted(each for each in limits if isinstance(each, SoftwareVersion)),
    ]
    if len(options) > MOST_CASES.bit_length():
        return None
    cases = len(months) * len(versions) << len(options)
    if cases > MOST_CASES or cases * len(conditions) > MOST_TRIALS:
        return None
    return (
        Facts(
            options=frozenset(option for option, on in zip(options, chosen, strict=True) if on),
            month=month,
            software=version,
        )
        for month in months
        for version in versions
        for chosen in product((False, True), repeat=len(options))
    )
