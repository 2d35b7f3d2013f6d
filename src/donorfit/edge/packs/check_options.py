"""Check options against the keepers that store them, and that some car is possible at all."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from donorfit.edge.packs.build_pack import list_bits, list_codes
from donorfit.edge.packs.pack_notes import PackNotes
from donorfit.edge.packs.pack_parts import PackParts
from donorfit.edge.packs.pack_source import PackSource
from donorfit.edge.packs.unit_shapes import OptionListShape
from donorfit.equipment import facts
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.rules import RuleBase

_CODE = re.compile(r"[A-Z][A-Z0-9]{3}")
_MONTH_BYTES = 2
_CODE_BYTES = 4
MOST_LINES = 12
_MEND_MONTH = "correct the month, or the family's span in the manifest"


def check_options(parts: PackParts, notes: PackNotes) -> None:
    """Check codes, bits, keepers and windows."""
    _check_family(parts, notes)
    keepers = [
        (file, unit.option_list)
        for file, unit in parts.list_units()
        if unit.option_list is not None
    ]
    _check_masters(parts, keepers, notes)
    rules = parts.rules
    if rules is None:
        return
    places = _Places(rules=rules, source=parts.source)
    codes, bits = list(list_codes(rules)), list(list_bits(rules))
    _check_unique(places, "code", codes, notes)
    _check_unique(places, "bit", bits, notes)
    for option, code in codes:
        if _CODE.fullmatch(code) is None:
            what = f"{option}: {code!r} is no code of four capitals and digits, a letter first"
            notes.add(*places.find(option), what, "write a code such as 'T042'")
    stored = _list_stored(rules)
    for file, keeper in keepers:
        if keeper.encoding == "codes":
            _check_codes(places, file, keeper, (stored, dict(codes)), notes)
        else:
            _check_bits(places, file, keeper, (stored, dict(bits)), notes)
    _check_windows(parts, rules, notes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """Where options stand, as a person can open it."""

    rules: RuleBase
    source: PackSource

    def find(self, option: OptionName) -> tuple[str, int]:
        """File and line of an option."""
        place = self.rules.names.index(option)
        return self.source.show(self.rules.get_file(place)), self.rules.lines[place]


def _list_stored(rules: RuleBase) -> list[OptionName]:
    left_out = rules.list_abstract() | {option for option, _ in rules.types}
    return [name for place, name in enumerate(rules.names) if place not in left_out]


def check_products(parts: PackParts, notes: PackNotes) -> None:
    """Check that the rules let some car exist, and warn of options that no car can have.

    This asks the solver about the whole family, so it takes longer than the other checks.
    """
    rules = parts.rules
    if rules is None:
        return
    answer = facts(rules, redundant=False)
    if not answer.possible:
        what = "no car is possible: the rules contradict each other"
        lines = (
            sorted({each.line for each in answer.clash.rules if each.line}) if answer.clash else []
        )
        if lines:
            what = f"{what} (lines {', '.join(map(str, lines[:MOST_LINES]))})"
        file = parts.source.show(rules.file)
        notes.add(file, lines[0] if lines else 0, what, "correct one of these rules")
        return
    places = _Places(rules=rules, source=parts.source)
    for option in answer.dead:
        what = f"{option} is possible in no car"
        notes.warn(*places.find(option), what, "correct the rules, or take the option out")


def _check_family(parts: PackParts, notes: PackNotes) -> None:
    manifest = parts.manifest.values
    if BuildMonth.parse(manifest.family_from) >= BuildMonth.parse(manifest.family_before):
        line = parts.manifest.values.get_line("family_before")
        notes.add(parts.manifest.file, line, "the family ends before it begins", "correct it")


def _check_masters(
    parts: PackParts, keepers: list[tuple[str, OptionListShape]], notes: PackNotes
) -> None:
    masters = [(file, each) for file, each in keepers if each.role == "master"]
    for file, extra in masters[1:]:
        what = "a second unit keeps the master of the option list"
        notes.add(file, extra.get_line("role"), what, "let one be the master, the others copies")
    complete = not any(part.values.is_partial for part in parts.units)
    if not masters and complete and len(parts.units) == len(parts.manifest.values.parts.units):
        what = "no unit keeps the master of the option list"
        # Nothing can be planned without it; a pack without modules serves surveys alone.
        tell = notes.add if parts.manifest.values.parts.modules else notes.warn
        tell(parts.manifest.file, 0, what, "give one unit an option_list of role master")


def _check_unique(
    places: _Places,
    kind: str,
    values: Iterable[tuple[OptionName, str | int]],
    notes: PackNotes,
) -> None:
    first: dict[str | int, OptionName] = {}
    for option, value in values:
        if value in first:
            what = f"{option} and {first[value]} both have the {kind} {value}"
            notes.add(*places.find(option), what, f"give one another {kind}")
        first.setdefault(value, option)


def _check_codes(
    places: _Places,
    file: str,
    keeper: OptionListShape,
    known: tuple[list[OptionName], dict[OptionName, str]],
    notes: PackNotes,
) -> None:
    stored, codes = known
    for option in stored:
        if option not in codes:
            what = f"{option} has no code, but a keeper stores codes"
            notes.add(*places.find(option), what, "give it a code or mark it abstract")
    room = (keeper.length_bytes - _MONTH_BYTES) // _CODE_BYTES
    most = _count_most(places.rules, frozenset(stored))
    if room < most:
        what = f"the list has room for {room} codes, a car can have {most} options"
        notes.warn(file, keeper.get_line("length_bytes"), what, "check the length")


def _count_most(rules: RuleBase, stored: frozenset[OptionName]) -> int:
    """Most options that one car can have by the tree alone, rules across it left aside."""
    counts = [int(name in stored) for name in rules.names]
    for group in sorted(
        range(len(rules.group_parents)), key=lambda each: rules.group_members[each], reverse=True
    ):
        # a member stands behind its parent, so members of later groups are counted already
        members = sorted((counts[each] for each in rules.group_members[group]), reverse=True)
        counts[rules.group_parents[group]] += sum(members[: rules.group_highs[group]])
    return max(counts, default=0)


def _check_bits(
    places: _Places,
    file: str,
    keeper: OptionListShape,
    known: tuple[list[OptionName], dict[OptionName, int]],
    notes: PackNotes,
) -> None:
    stored, bits = known
    room = 8 * (keeper.length_bytes - _MONTH_BYTES)
    for option in stored:
        if option not in bits:
            what = f"{option} has no bit, but a keeper stores bits"
            notes.add(*places.find(option), what, "give it a bit or mark it abstract")
        elif not 0 <= bits[option] < room:
            what = (
                f"{option}: bit {bits[option]} lies outside the list in {file} (0 to {room - 1})"
            )
            notes.add(*places.find(option), what, "correct the bit or the list's length")


def _check_windows(parts: PackParts, rules: RuleBase, notes: PackNotes) -> None:
    manifest = parts.manifest.values
    start, end = BuildMonth.parse(manifest.family_from), BuildMonth.parse(manifest.family_before)
    for each in rules.windows:
        limits = (each.window.valid_from, each.window.valid_before)
        outside = [month for month in limits if month is not None and not start <= month <= end]
        if outside:
            name, line = rules.names[each.option], rules.lines[each.option]
            what = f"{name}: {outside[0]} lies outside the family's months ({start} to {end})"
            notes.add(parts.source.show(rules.get_file(each.option)), line, what, _MEND_MONTH)
    for rule in rules.rules:
        limits = (rule.window.valid_from, rule.window.valid_before)
        outside = [month for month in limits if month is not None and not start <= month <= end]
        if outside:
            what = f"the rule's {outside[0]} lies outside the family's months ({start} to {end})"
            notes.add(parts.source.show(rule.file), rule.line, what, _MEND_MONTH)
