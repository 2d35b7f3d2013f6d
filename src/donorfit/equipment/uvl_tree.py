"""Read the ``features`` part of a UVL file: the tree of options and its groups."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from donorfit.equipment.columns import Columns
from donorfit.equipment.mistakes import Notes
from donorfit.equipment.uvl_attributes import read_attributes
from donorfit.equipment.uvl_lines import LogicalLine
from donorfit.vehicle.rules import MONTH_FEATURE, GroupKind, OptionWindow, RuleBase

MOST_OPTIONS = 2_000_000
KEYWORDS = frozenset(
    (
        *("include", "features", "imports", "namespace", "as", "constraint", "constraints"),
        *("cardinality", "String", "Boolean", "Integer", "Real", "len", "sum", "avg", "floor"),
        *("ceil", "or", "alternative", "optional", "mandatory", "true", "false"),
    )
)
_GROUPS = {
    "optional": (GroupKind.OPTIONAL, 0, -1),
    "mandatory": (GroupKind.MANDATORY, 0, -1),
    "or": (GroupKind.OR, 1, -1),
    "alternative": (GroupKind.ALTERNATIVE, 1, 1),
}
_PLAIN = re.compile(r"[A-Za-z_]\w*")
_NAME = r"""(?:"[^".]+"|[A-Za-z_][\w\#§%?\\'äüöß;]*)"""
_OPTION = re.compile(
    rf"""(?:(?P<type>String|Boolean|Integer|Real)\s+)?
    (?P<name>{_NAME}(?:\.{_NAME})*)
    (?:\s+cardinality\s*(?P<cardinality>\[[^\]]*\]))?
    \s*(?P<attributes>\{{.*)?""",
    re.VERBOSE | re.DOTALL,
)
_CARDINALITY = re.compile(r"\[\s*(\d+)\s*(?:\.\.\s*(\d+|\*)\s*)?\]")
_CLOSED = 0
_OPTION_LEVEL, _GROUP_LEVEL = 1, 2


@dataclass(slots=True)
class Tree:
    """What the ``features`` part says beside the columns.

    Attributes:
        month_name: name of the build month's feature; empty where there is none.
        constraints: constraint attributes: line, column, text.
    """

    month_name: str = ""
    constraints: list[tuple[int, int, str]] = field(default_factory=list)


class TreeReader:
    """Takes the lines of the ``features`` part one by one and fills the columns."""

    def __init__(
        self, columns: Columns, notes: Notes, imported: Mapping[str, tuple[str, RuleBase]]
    ) -> None:
        self._columns = columns
        self._notes = notes
        self._imported = imported
        self.tree = Tree()
        self._kinds = [_GROUP_LEVEL]
        self._indents = [-1]
        self._places = [-1]
        self._skip_below = -1
        self._names: dict[str, int] = {}

    @property
    def names(self) -> dict[str, int]:
        """Place of each option by name."""
        return self._names

    def read(self, lines: list[LogicalLine]) -> None:
        """Read all lines of the part; mistakes go to the notes."""
        indents, kinds, places = self._indents, self._kinds, self._places
        columns, names = self._columns, self._names
        plain, group_parents = _PLAIN.fullmatch, columns.group_parents
        for number, indent, text in lines:
            if self._skip_below >= 0:
                if indent > self._skip_below:
                    continue
                self._skip_below = -1
            while indents[-1] >= indent:
                indents.pop()
                kinds.pop()
                last = places.pop()
            if kinds[-1] == _GROUP_LEVEL:
                if text not in names and plain(text) and text not in KEYWORDS and len(indents) > 1:
                    group = places[-1]
                    last = names[text] = len(columns.names)
                    columns.names.append(text)
                    columns.lines.append(number)
                    columns.parents.append(group_parents[group])
                    columns.group_of.append(group)
                    columns.group_members[group].append(last)
                else:
                    last = self._read_option(number, text)
                kinds.append(_OPTION_LEVEL)
            else:
                last = self._read_group(number, text, places[-1])
                kinds.append(_GROUP_LEVEL)
            indents.append(indent)
            places.append(last)
            if last < 0:
                self._skip_below = indent
        self._check_groups()

    def _read_group(self, number: int, text: str, parent: int) -> int:
        known = _GROUPS.get(text)
        if known is not None:
            return self._columns.add_group(known[0], parent, number, known[1], known[2])
        limits = self._read_cardinality(text, number)
        if limits is None:
            if not text.startswith("["):
                self._notes.add(
                    number,
                    0,
                    f"a group was expected below an option, but there is {text[:40]!r}",
                    "write mandatory, optional, or, alternative or [n..m], and indent below it",
                )
            return -1
        return self._columns.add_group(GroupKind.CARDINALITY, parent, number, *limits)

    def _read_cardinality(self, text: str, number: int) -> tuple[int, int] | None:
        match = _CARDINALITY.fullmatch(text)
        if match is None:
            if text.startswith("["):
                self._notes.add(
                    number, 0, f"{text[:40]!r} is no cardinality", "write [n], [n..m] or [n..*]"
                )
            return None
        low = int(match[1])
        if match[2] == "*":
            return low, -1
        high = int(match[2]) if match[2] else low
        if high < low:
            self._notes.add(
                number, 0, f"{text!r} asks for at most {high}", f"it must be {low} or more"
            )
            return None
        return low, high

    def _read_option(self, number: int, text: str) -> int:
        match = _OPTION.fullmatch(text)
        if match is None or (match["name"] in KEYWORDS and match["type"] is None):
            reserved = text in KEYWORDS
            self._notes.add(
                number,
                0,
                f"{text[:40]!r} is a word of the language, no option name"
                if reserved
                else f"cannot read {text[:40]!r} as an option",
                "indent a group below its option; quote an option of that name"
                if reserved
                else 'write a name, in " " where it holds other characters, and {attributes}',
            )
            return -1
        group = self._places[-1]
        if group < 0 and self._columns.names:
            self._notes.add(
                number, 0, f"{text[:40]!r} is a second root", "indent it below a group"
            )
            return -1
        name = match["name"].replace('"', "")
        parent = self._columns.group_parents[group] if group >= 0 else -1
        if self._is_month(match, name, number):
            return -1
        place = self._place_option(name, match["name"], number, parent, group)
        if place >= 0:
            self._read_details(match, number, place)
        return place

    def _is_month(self, match: re.Match[str], name: str, number: int) -> bool:
        if name != MONTH_FEATURE or match["type"] != "Integer":
            return False
        if self.tree.month_name:
            self._notes.add(number, 0, f"{name} stands twice", "keep one of them")
        self.tree.month_name = name
        return True

    def _place_option(self, name: str, raw: str, number: int, parent: int, group: int) -> int:
        if name in self._names:
            first = self._columns.lines[self._names[name]]
            self._notes.add(
                number,
                0,
                f"the option {name!r} stands twice, first in line {first}",
                "give each option a name of its own",
            )
            return -1
        alias, dot, rest = raw.rpartition(".")
        if dot:
            return self._graft(
                alias.replace('"', ""), rest.replace('"', ""), number, parent, group
            )
        if len(self._columns.names) >= MOST_OPTIONS:
            self._notes.add(number, 0, f"more than {MOST_OPTIONS} options", "split the file")
            return -1
        place = self._columns.add_option(name, number, parent, group)
        self._names[name] = place
        return place

    def _graft(self, alias: str, name: str, number: int, parent: int, group: int) -> int:
        if alias not in self._imported:
            self._notes.add(
                number,
                0,
                f"{alias!r} is not imported",
                "name it below imports, or quote no dot into a name",
            )
            return -1
        _, rules = self._imported[alias]
        if not rules.names or rules.names[0] != name:
            root = rules.names[0] if rules.names else "nothing"
            self._notes.add(
                number, 0, f"the root of {alias!r} is {root}, not {name}", f"write {alias}.{root}"
            )
            return -1
        place = self._columns.graft(rules, alias, parent, group)
        for offset, option in enumerate(rules.names):
            self._names[f"{alias}.{option}"] = place + offset
        self._columns.warnings += rules.warnings
        return place

    def _read_details(self, match: re.Match[str], number: int, place: int) -> None:
        if match["type"] and match["type"] != "Boolean":
            self._columns.types[place] = match["type"]
        if match["cardinality"]:
            self._notes.warn(
                number,
                "feature cardinality",
                f"{match['name']} may stand {match['cardinality']} times; it is read as one option"
                " that is on or off by its group, and copies of what is below are not told apart",
            )
            self._read_cardinality(match["cardinality"], number)
        if match["attributes"]:
            start = match.start("attributes") + 1
            found = read_attributes(match["attributes"], number, start, self._notes)
            if found.attributes:
                self._columns.attributes[place] = found.attributes
            if found.window.limited:
                self._columns.windows.append(OptionWindow(option=place, window=found.window))
            self.tree.constraints += [(number, at, text) for at, text in found.constraints]

    def _check_groups(self) -> None:
        """A group must have members, and no fewer than it asks for."""
        columns = self._columns
        for group, members in enumerate(columns.group_members):
            if members:
                if columns.group_lows[group] > len(members):
                    self._notes.add(
                        columns.group_lines[group],
                        0,
                        f"the group asks for {columns.group_lows[group]} of {len(members)}",
                        "lower the first number or add members",
                    )
                continue
            if columns.group_kinds[group] in {GroupKind.OPTIONAL, GroupKind.MANDATORY}:
                continue
            if not self._notes.mistakes and not self.tree.month_name:
                self._notes.add(
                    columns.group_lines[group], 0, "the group is empty", "indent its members below"
                )
