"""The rules of one car family: which options go together, as read from a pack.

A :class:`RuleBase` holds columns (one tuple per property) instead of an object per option, so that
a car maker's real size (18,000 options) is read and walked in milliseconds.

A formula is written in postfix order as a flat tuple of whole numbers: a number from 0 on is an
option (its place in the columns), the negative ones are the operators below, and a number at or
below :data:`COMPARISON_BASE` stands for a comparison of the same rule. Flat, so that no depth of
nesting is too deep.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, IntEnum
from fractions import Fraction

from donorfit.vehicle.identity import BuildMonth, OptionName

NOT, AND, OR, IMPLIES, EQUIVALENT = -1, -2, -3, -4, -5
TRUE, FALSE = -6, -7
COMPARISON_BASE = -100

Formula = tuple[int, ...]
AttributeValue = bool | int | float | str | tuple["AttributeValue", ...]
Attributes = tuple[tuple[str, AttributeValue], ...]

MONTH_FEATURE = "build_month"
"""The typed feature of a rule file that stands for the build month."""


class GroupKind(IntEnum):
    """How many members of a group are on while its parent is on."""

    OPTIONAL = 0
    MANDATORY = 1
    OR = 2
    ALTERNATIVE = 3
    CARDINALITY = 4


class RuleKind(Enum):
    """Where a rule comes from."""

    ROOT = "root"
    PARENT = "parent"
    MANDATORY = "mandatory"
    GROUP = "group"
    RULE = "rule"
    WINDOW = "window"
    ORDER = "month order"


class Subject(Enum):
    """What a comparison looks at."""

    MONTH = "build month"
    WEIGHTS = "sum over options"
    NUMBER = "number of a typed option"
    TEXT = "text of a typed option"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One comparison inside a formula.

    Attributes:
        subject: what is compared.
        operator: ``==``, ``!=``, ``<``, ``<=``, ``>``, ``>=``.
        bound: the right side; a month counts as in :class:`BuildMonth`.
        weights: for a sum: pairs of option and what it adds while it is on.
        option: the typed option for a number or a text; -1 otherwise.
        literal: the text that a typed option is compared with.
        text: as written in the file.
    """

    subject: Subject
    operator: str
    bound: Fraction = Fraction(0)
    weights: tuple[tuple[int, Fraction], ...] = ()
    option: int = -1
    literal: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Build months for which something holds: half open, None means without end.

    Attributes:
        valid_from: first month inside.
        valid_before: first month after.
    """

    valid_from: BuildMonth | None = None
    valid_before: BuildMonth | None = None

    @property
    def limited(self) -> bool:
        """Whether there is any limit at all."""
        return self.valid_from is not None or self.valid_before is not None

    def holds(self, month: BuildMonth) -> bool:
        """Whether a month lies inside."""
        return not (
            (self.valid_from is not None and month < self.valid_from)
            or (self.valid_before is not None and month >= self.valid_before)
        )

    def __str__(self) -> str:
        """Say it in words; empty where there is no limit."""
        if self.valid_from is not None and self.valid_before is not None:
            return f"built from {self.valid_from}, before {self.valid_before}"
        if self.valid_from is not None:
            return f"built from {self.valid_from}"
        return f"built before {self.valid_before}" if self.valid_before is not None else ""


ALWAYS = Window()


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossRule:
    """One rule across the tree.

    Attributes:
        id: unique in the rule base, ``r`` and the line (and a running letter on a shared line).
        file: name of the file it stands in.
        line: counted from 1.
        formula: in postfix order, see the module.
        comparisons: those that the formula refers to.
        window: build months for which the rule holds.
        text: as written.
    """

    id: str
    file: str
    line: int
    formula: Formula
    comparisons: tuple[Comparison, ...] = ()
    window: Window = ALWAYS
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionWindow:
    """An option that must be off outside its window.

    Attributes:
        option: its place in the columns.
        window: build months for which it may be on.
    """

    option: int
    window: Window


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleWarning:
    """Something in a rule file that is not understood; the rest is used without it.

    Attributes:
        kind: what sort of thing, the same words for the same sort, so that they can be counted.
        file: name of the file.
        line: counted from 1.
        what: the thing and what follows from leaving it out.
    """

    kind: str
    file: str
    line: int
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleReference:
    """One rule as it is shown.

    Attributes:
        id: ``o7`` (option of line 7 belongs to its parent), ``m7`` (it is always fitted with its
            parent), ``g6`` (group of line 6), ``r90`` (rule of line 90), ``w7`` (window of the
            option of line 7), ``root``.
        kind: where it comes from.
        file: name of the file.
        line: counted from 1; 0 where it has none.
        window: build months for which it holds.
        text: the rule in words, or as written for a rule across the tree.
    """

    id: str
    kind: RuleKind
    file: str
    line: int
    window: Window
    text: str

    def __str__(self) -> str:
        """Text, id, place and validity on one line."""
        window = f", {self.window}" if self.window.limited else ""
        return f"{self.text} [{self.id}, {self.file}:{self.line}{window}]"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class RuleBase:
    """All rules of one car family; options are told apart by their place in the columns.

    Attributes:
        file: name of the file that was read.
        files: this file and the imported ones; ``file_of`` points into it.
        names: option names.
        lines: line of each option.
        file_of: for each option the place of its file; empty where there is one file only.
        parents: place of the parent, -1 for the root, -2 for options outside of any tree.
        group_of: place of the group that an option is a member of, -1 where it is in none.
        attributes: options that carry attributes, in order of their place.
        types: options with a type other than Boolean: ``Integer``, ``Real``, ``String``.
        group_parents: option that each group hangs on.
        group_kinds: how each group counts.
        group_lows: fewest members on while the parent is on.
        group_highs: most members on.
        group_members: members of each group.
        group_lines: line of each group.
        rules: the rules across the tree.
        windows: options with limited build months.
        warnings: what was not understood, in order of lines.
    """

    file: str
    files: tuple[str, ...] = ()
    names: tuple[OptionName, ...]
    lines: tuple[int, ...]
    file_of: tuple[int, ...] = ()
    parents: tuple[int, ...]
    group_of: tuple[int, ...]
    attributes: tuple[tuple[int, Attributes], ...] = ()
    types: tuple[tuple[int, str], ...] = ()
    group_parents: tuple[int, ...] = ()
    group_kinds: tuple[GroupKind, ...] = ()
    group_lows: tuple[int, ...] = ()
    group_highs: tuple[int, ...] = ()
    group_members: tuple[tuple[int, ...], ...] = ()
    group_lines: tuple[int, ...] = ()
    rules: tuple[CrossRule, ...] = ()
    windows: tuple[OptionWindow, ...] = ()
    warnings: tuple[RuleWarning, ...] = ()

    def __len__(self) -> int:
        """Count the options."""
        return len(self.names)

    def __repr__(self) -> str:
        """Keep it short: the columns are long."""
        return f"<RuleBase {self.file}: {len(self.names)} options, {len(self.rules)} rules>"

    def get_file(self, option: int) -> str:
        """File in which an option stands."""
        return self.files[self.file_of[option]] if self.file_of else self.file

    def get_attributes(self, option: int) -> Attributes:
        """All attributes of one option, in the order of the file."""
        low, high = 0, len(self.attributes)
        while low < high:
            middle = (low + high) // 2
            if self.attributes[middle][0] < option:
                low = middle + 1
            else:
                high = middle
        found = low < len(self.attributes) and self.attributes[low][0] == option
        return self.attributes[low][1] if found else ()

    def get_attribute(self, option: int, name: str) -> AttributeValue | None:
        """One attribute of one option; None where it has none of that name."""
        return next((value for key, value in self.get_attributes(option) if key == name), None)

    def get_title(self, option: int) -> str:
        """What an option is called: its ``title`` where it has one, otherwise its name."""
        title = self.get_attribute(option, "title") if self.attributes else None
        return title if isinstance(title, str) else self.names[option]

    def list_abstract(self) -> frozenset[int]:
        """Options that only give structure: their attribute ``abstract`` is true."""
        return frozenset(
            option
            for option, attributes in self.attributes
            if any(key == "abstract" and value is True for key, value in attributes)
        )

    def list_months(self) -> tuple[BuildMonth, ...]:
        """Every month at which some rule or option begins or ceases to hold, in order."""
        found: set[BuildMonth] = set()
        for window in (*(r.window for r in self.rules), *(w.window for w in self.windows)):
            found.update(m for m in (window.valid_from, window.valid_before) if m is not None)
        for comparison in self._list_month_comparisons():
            bound = int(comparison.bound)
            found.update((BuildMonth(bound), BuildMonth(bound + 1)))
        return tuple(sorted(found))

    def _list_month_comparisons(self) -> Iterator[Comparison]:
        for rule in self.rules:
            for comparison in rule.comparisons:
                if comparison.subject is Subject.MONTH:
                    yield comparison
