"""A rule base made ready for reasoning: variables, clauses, and who is touched by what.

Variables: option ``i`` is ``i + 1``; then one per limit of the build month ("built in this month
or later"), then one per limit or text of a typed option, then helper variables. Only the rules
across the tree are held as clauses; the tree itself is walked in its columns, so that nothing of
the size of the tree is built before it is needed.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from donorfit.equipment.atoms import Atoms
from donorfit.equipment.formula_clauses import Clause, ClauseMaker, evaluate
from donorfit.equipment.weighted_sums import TooLargeSumError
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import (
    GroupKind,
    RuleBase,
    RuleWarning,
    Subject,
    Window,
)

ALL_MONTHS = (0, 1 << 30)

Handle = tuple[str, int]
"""A rule: ``("root", 0)``, ``("parent", option)``, ``("group", group)``, ``("rule", place in
cross)``, ``("window", option)``."""

ROOT: Handle = ("root", 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClauseRule:
    """One rule across the tree as clauses.

    Attributes:
        place: its place among the rules of the rule base.
        options: options that it mentions.
        clauses: without its window.
        guard: literals that free the rule outside its window.
        segments: first segment and segment after the last in which it holds.
        plain: whether the clauses mention options only.
        free: whether it mentions a typed option, so that options alone do not judge it.
    """

    place: int
    options: tuple[int, ...]
    clauses: tuple[Clause, ...]
    guard: Clause
    segments: tuple[int, int]
    plain: bool
    free: bool


class Compiled:
    """A rule base with its variables and clauses; made once, never changed afterwards.

    Attributes:
        rules: the rule base.
        count: number of options.
        root: place of the root; -1 for rules without a tree.
        limits: build months (ordinals) at which something changes, in order.
        background: clauses that always hold: order of months and of typed options.
        cross: rules across the tree.
        windows: first and last segment of each option with a window.
        top: highest variable in use.
        warnings: rules that cannot be judged.
    """

    def __init__(self, rules: RuleBase) -> None:
        self.rules = rules
        self.count = len(rules)
        self.root = rules.parents.index(-1) if -1 in rules.parents else -1
        self.limits = tuple(month.ordinal for month in rules.list_months())
        self._limit_places = {limit: place for place, limit in enumerate(self.limits)}
        self.months = range(self.count + 1, self.count + 1 + len(self.limits))
        self._maker = ClauseMaker(self.months.stop)
        self._atoms = Atoms(rules, self._maker, self._month_literal)
        self.background: list[Clause] = [
            (-later, earlier) for earlier, later in pairwise(self.months)
        ]
        self.background += self._atoms.background
        self.warnings: list[RuleWarning] = []
        self.cross = self._compile_rules()
        self.windows = {each.option: self._find_segments(each.window) for each in rules.windows}
        self.top = self._maker.next_variable - 1
        self._groups_of: dict[int, list[int]] | None = None
        self._cross_of: dict[int, list[int]] | None = None
        self._places: dict[str, int] | None = None

    def _month_literal(self, ordinal: int) -> int:
        """Variable of "built in this month or later"."""
        return self.months[self._limit_places[ordinal]]

    def _find_segments(self, window: Window) -> tuple[int, int]:
        start, end = window.valid_from, window.valid_before
        return (
            0 if start is None else self._limit_places[start.ordinal] + 1,
            len(self.limits) + 1 if end is None else self._limit_places[end.ordinal] + 1,
        )

    def _make_guard(self, window: Window) -> Clause:
        start, end = window.valid_from, window.valid_before
        guard = [] if start is None else [-self._month_literal(start.ordinal)]
        return (*guard, *([] if end is None else [self._month_literal(end.ordinal)]))

    def _compile_rules(self) -> list[ClauseRule]:
        compiled: list[ClauseRule] = []
        for place, rule in enumerate(self.rules.rules):
            definitions: list[Clause] = []
            try:
                atoms = [
                    self._atoms.find(comparison, definitions) for comparison in rule.comparisons
                ]
            except TooLargeSumError:
                what = f"{rule.text!r}: the sum is too large to be judged; the rule is not used"
                self.warnings.append(
                    RuleWarning(kind="very large sum", file=rule.file, line=rule.line, what=what)
                )
                continue
            before = self._maker.next_variable
            clauses = self._maker.make(rule.formula, atoms.__getitem__) + definitions
            weighed = [o for c in rule.comparisons for o in (*(w[0] for w in c.weights), c.option)]
            named = dict.fromkeys(o for o in (*rule.formula, *weighed) if o >= 0)
            window = rule.window
            compiled.append(
                ClauseRule(
                    place=place,
                    options=tuple(named),
                    clauses=tuple(clauses),
                    guard=self._make_guard(window) if window.limited else (),
                    segments=self._find_segments(window) if window.limited else ALL_MONTHS,
                    plain=not rule.comparisons and before == self._maker.next_variable,
                    free=any(
                        c.subject in {Subject.NUMBER, Subject.TEXT} for c in rule.comparisons
                    ),
                )
            )
        return compiled

    @property
    def groups_of(self) -> dict[int, list[int]]:
        """Groups that hang on each option."""
        if self._groups_of is None:
            found: dict[int, list[int]] = defaultdict(list)
            for group, parent in enumerate(self.rules.group_parents):
                found[parent].append(group)
            self._groups_of = dict(found)
        return self._groups_of

    @property
    def cross_of(self) -> dict[int, list[int]]:
        """Rules across the tree that mention each option, by place in ``cross``."""
        if self._cross_of is None:
            found: dict[int, list[int]] = defaultdict(list)
            for place, rule in enumerate(self.cross):
                for option in rule.options:
                    found[option].append(place)
            self._cross_of = dict(found)
        return self._cross_of

    @property
    def places(self) -> dict[str, int]:
        """Place of each option by name."""
        if self._places is None:
            self._places = {name: place for place, name in enumerate(self.rules.names)}
        return self._places

    def find_segment(self, month: BuildMonth) -> int:
        """Segment between limits that a month lies in: 0 lies before the first limit."""
        low, high = 0, len(self.limits)
        while low < high:
            middle = (low + high) // 2
            if self.limits[middle] <= month.ordinal:
                low = middle + 1
            else:
                high = middle
        return low

    def describe_segment(self, segment: int) -> Window:
        """Months of a segment."""
        limits = self.limits
        return Window(
            valid_from=BuildMonth(limits[segment - 1]) if segment else None,
            valid_before=BuildMonth(limits[segment]) if segment < len(limits) else None,
        )

    def get_limits(self, group: int) -> tuple[int, int]:
        """Fewest and most members of a group that may be on while its parent is on."""
        members = len(self.rules.group_members[group])
        if self.rules.group_kinds[group] is GroupKind.MANDATORY:
            return members, members
        return self.rules.group_lows[group], min(members, self.rules.group_highs[group])

    def judge_rule(self, rule: ClauseRule, is_on: Callable[[int], bool], segment: int) -> bool:
        """Truth of a rule that mentions no typed option, for a whole list in a segment."""
        if not rule.segments[0] <= segment < rule.segments[1]:
            return True
        if rule.plain:
            return all(
                any(
                    is_on(literal - 1) if literal > 0 else not is_on(-literal - 1) for literal in c
                )
                for c in rule.clauses
            )
        source = self.rules.rules[rule.place]

        def judge(place: int) -> bool:
            return self._atoms.judge(source.comparisons[place], is_on, segment, self.limits)

        return evaluate(source.formula, is_on, judge)


@lru_cache(maxsize=4)
def compile_rules(rules: RuleBase) -> Compiled:
    """Make a rule base ready; the same one is made ready once only."""
    return Compiled(rules)
