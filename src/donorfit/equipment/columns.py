"""Columns of a rule base while they grow; frozen into a RuleBase at the end."""

from dataclasses import dataclass, field, replace

from donorfit.vehicle.identity import OptionName
from donorfit.vehicle.rules import (
    COMPARISON_BASE,
    Attributes,
    Comparison,
    CrossRule,
    Formula,
    GroupKind,
    OptionWindow,
    RuleBase,
    RuleWarning,
)


@dataclass(slots=True)
class Columns:
    """The same columns as :class:`donorfit.vehicle.rules.RuleBase`, as lists."""

    file: str
    files: list[str] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    parents: list[int] = field(default_factory=list)
    group_of: list[int] = field(default_factory=list)
    foreign: list[tuple[int, int, int]] = field(default_factory=list)
    attributes: dict[int, Attributes] = field(default_factory=dict)
    types: dict[int, str] = field(default_factory=dict)
    group_parents: list[int] = field(default_factory=list)
    group_kinds: list[GroupKind] = field(default_factory=list)
    group_lows: list[int] = field(default_factory=list)
    group_highs: list[int] = field(default_factory=list)
    group_members: list[list[int]] = field(default_factory=list)
    group_lines: list[int] = field(default_factory=list)
    rules: list[CrossRule] = field(default_factory=list)
    windows: list[OptionWindow] = field(default_factory=list)
    warnings: list[RuleWarning] = field(default_factory=list)

    def add_option(self, name: str, line: int, parent: int, group: int) -> int:
        """Append one option; give its place."""
        place = len(self.names)
        self.names.append(name)
        self.lines.append(line)
        self.parents.append(parent)
        self.group_of.append(group)
        if group >= 0:
            self.group_members[group].append(place)
        return place

    def add_group(self, kind: GroupKind, parent: int, line: int, low: int, high: int) -> int:
        """Append one group; ``high`` -1 stands for all members; give its place."""
        self.group_parents.append(parent)
        self.group_kinds.append(kind)
        self.group_lows.append(low)
        self.group_highs.append(high)
        self.group_members.append([])
        self.group_lines.append(line)
        return len(self.group_parents) - 1

    def graft(self, rules: RuleBase, prefix: str, parent: int, group: int) -> int:
        """Append a whole imported rule base below a group; give the place of its root."""
        shift, group_shift = len(self.names), len(self.group_parents)
        for place, name in enumerate(rules.names):
            up = rules.parents[place]
            self.names.append(f"{prefix}.{name}")
            self.lines.append(rules.lines[place])
            self.parents.append(up + shift if up >= 0 else parent)
            of = rules.group_of[place]
            self.group_of.append(of + group_shift if of >= 0 else group)
        if group >= 0:
            self.group_members[group].append(shift)
        self._graft_groups(rules, shift)
        for option, attributes in rules.attributes:
            self.attributes[option + shift] = attributes
        for option, kind in rules.types:
            self.types[option + shift] = kind
        self._graft_files(rules, shift)
        self.rules += [_shift_rule(rule, shift, prefix) for rule in rules.rules]
        self.windows += [replace(w, option=w.option + shift) for w in rules.windows]
        return shift

    def _graft_groups(self, rules: RuleBase, shift: int) -> None:
        self.group_parents += [option + shift for option in rules.group_parents]
        self.group_kinds += rules.group_kinds
        self.group_lows += rules.group_lows
        self.group_highs += rules.group_highs
        self.group_lines += rules.group_lines
        self.group_members += [[o + shift for o in members] for members in rules.group_members]

    def _graft_files(self, rules: RuleBase, shift: int) -> None:
        names = rules.files or (rules.file,)
        own = rules.file_of or (0,) * len(rules.names)
        places = [self._place_file(name) for name in names]
        start = 0
        for place in range(1, len(own) + 1):
            if place == len(own) or own[place] != own[start]:
                self.foreign.append((start + shift, place + shift, places[own[start]]))
                start = place

    def _place_file(self, name: str) -> int:
        if not self.files:
            self.files.append(self.file)
        if name not in self.files:
            self.files.append(name)
        return self.files.index(name)

    def freeze(self) -> RuleBase:
        """Make the value."""
        file_of: tuple[int, ...] = ()
        if self.foreign:
            own = [0] * len(self.names)
            for start, end, place in self.foreign:
                own[start:end] = [place] * (end - start)
            file_of = tuple(own)
        highs = (
            len(members) if high < 0 else high
            for members, high in zip(self.group_members, self.group_highs, strict=True)
        )
        return RuleBase(
            file=self.file,
            files=tuple(self.files) or (self.file,),
            names=tuple(map(OptionName, self.names)),
            lines=tuple(self.lines),
            file_of=file_of,
            parents=tuple(self.parents),
            group_of=tuple(self.group_of),
            attributes=tuple(sorted(self.attributes.items())),
            types=tuple(sorted(self.types.items())),
            group_parents=tuple(self.group_parents),
            group_kinds=tuple(self.group_kinds),
            group_lows=tuple(self.group_lows),
            group_highs=tuple(highs),
            group_members=tuple(map(tuple, self.group_members)),
            group_lines=tuple(self.group_lines),
            rules=tuple(self.rules),
            windows=tuple(self.windows),
            warnings=tuple(sorted(self.warnings, key=lambda w: (w.file, w.line))),
        )


def _shift_rule(rule: CrossRule, shift: int, prefix: str) -> CrossRule:
    return replace(
        rule,
        id=f"{prefix}.{rule.id}",
        formula=shift_formula(rule.formula, shift),
        comparisons=tuple(_shift_comparison(each, shift) for each in rule.comparisons),
    )


def shift_formula(formula: Formula, shift: int) -> Formula:
    """Move every option of a formula by so many places; operators and comparisons stay."""
    assert COMPARISON_BASE < 0  # noqa: S101 - options alone count from 0 on
    return tuple(code + shift if code >= 0 else code for code in formula)


def _shift_comparison(comparison: Comparison, shift: int) -> Comparison:
    return replace(
        comparison,
        option=comparison.option + shift if comparison.option >= 0 else -1,
        weights=tuple((option + shift, weight) for option, weight in comparison.weights),
    )
