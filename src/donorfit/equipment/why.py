"""Why is a list, or one value of an option, not possible."""

from collections.abc import Collection, Iterable
from itertools import compress

from donorfit.equipment.answers import Explanation, Structure
from donorfit.equipment.check import find_broken
from donorfit.equipment.compiled import Compiled, Handle, compile_rules
from donorfit.equipment.explain import (
    Core,
    Roles,
    drop_needless,
    explain_facts,
    find_core,
    list_month_facts,
    minimise,
    word_core,
)
from donorfit.equipment.lazy_rules import LazyRules
from donorfit.equipment.lists import (
    check_rules_exist,
    choose_structure,
    complete,
    find_places,
)
from donorfit.equipment.sentences import refer, say_option
from donorfit.equipment.warm import get_warm
from donorfit.equipment.whole_list import get_whole_list_check
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import GroupKind, RuleBase

MOST_CLASHES = 50

MOST_RULES = 6
"""Rules beyond which the broken rule itself, with a few more facts, is the clearer clash."""


def why(
    rules: RuleBase,
    declared: Collection[str] = (),
    *,
    on: Collection[str] = (),
    off: Collection[str] = (),
    fitted: Collection[str] = (),
    not_fitted: Collection[str] = (),
    month: BuildMonth | None = None,
    about: str = "",
    structure: Structure = Structure.AUTO,
) -> Explanation:
    """Explain.

    Args:
        rules: the rules.
        declared: options that are declared; without ``about``, all others count as not declared.
        on: options asked to be on.
        off: options asked to be off.
        fitted: options that are physically there.
        not_fitted: options that are physically absent.
        month: build month; None leaves it open.
        about: explain why this option must be on or must be off, given what is asked and fitted.
        structure: how options that only give structure are taken.

    Raises:
        InputError: an option is unknown, or the rule base is empty.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    places, ons, offs, there, absent, topic = find_places(
        compiled,
        [
            ("declared", declared),
            ("on", on),
            ("off", off),
            ("fitted", fitted),
            ("not_fitted", not_fitted),
            ("about", [about] if about else []),
        ],
    )
    fixed = dict.fromkeys([*ons, *there], True) | dict.fromkeys([*offs, *absent], False)
    names = {*fitted, *not_fitted}
    months = list_month_facts(compiled, month)
    facts = [o + 1 if value else -o - 1 for o, value in fixed.items()]
    warm = get_warm(compiled)
    if not warm.holds([*facts, *months]):
        clash = explain_facts(compiled, fixed, month, fitted=names)
        return Explanation(
            verdict="what is asked and fitted cannot hold together, whatever is declared",
            clashes=(clash,),
        )
    if topic:
        return _explain_option(compiled, topic[0], fixed, month, names)
    on_list = complete(compiled, places, choose_structure(compiled, places, structure))
    return _explain_list(compiled, on_list, fixed, month, names)


def _explain_option(
    compiled: Compiled,
    option: int,
    fixed: dict[int, bool],
    month: BuildMonth | None,
    fitted: Collection[str],
) -> Explanation:
    warm = get_warm(compiled)
    base = {o: v for o, v in fixed.items() if o != option}
    facts = [
        *(o + 1 if v else -o - 1 for o, v in base.items()),
        *list_month_facts(compiled, month),
    ]
    name = say_option(compiled.rules, option)
    can_be_on, can_be_off = (warm.holds([*facts, each]) for each in (option + 1, -option - 1))
    if can_be_on and can_be_off:
        return Explanation(verdict=f"{name} may be on or off", clashes=())
    tried = not can_be_on
    clash = explain_facts(compiled, {**base, option: tried}, month, fitted=fitted)
    forced = "off" if tried else "on"
    return Explanation(verdict=f"{name} must be {forced}: suppose it were not", clashes=(clash,))


def _explain_list(
    compiled: Compiled,
    declared: list[int],
    fixed: dict[int, bool],
    month: BuildMonth | None,
    fitted: Collection[str],
) -> Explanation:
    bits = get_whole_list_check(compiled).make_bits(declared)
    for option, value in fixed.items():
        bits[option] = value
    on = list(compress(range(compiled.count), bits))
    every = range(len(compiled.limits) + 1)
    segments = every if month is None else [compiled.find_segment(month)]
    by_segment = find_broken(compiled, on, segments)
    if not all(by_segment):
        return Explanation(verdict="the list is possible as it is", clashes=())
    broken = [handle for handle in by_segment[0] if all(handle in b for b in by_segment)]
    roles = Roles(
        compiled,
        month,
        frozenset(fitted),
        frozenset(o for o in range(compiled.count) if o not in fixed),
    )
    finder = ClashFinder(compiled, bytes(bits), month)
    groups = finder.separate(h for h in broken if not _is_free(compiled, h))
    cores = [finder.find(group) for group in groups[:MOST_CLASHES]]
    free = [handle for handle in broken if _is_free(compiled, handle)]
    if free or not broken:
        over = _list_options(compiled) if broken else range(compiled.count)
        cores += finder.find_over(over)[: MOST_CLASHES - len(cores)]
    number = len(groups) + len(cores) - min(len(groups), MOST_CLASHES)
    verdict = f"the list breaks {len(broken)} rule{'s' * (len(broken) != 1)}"
    if not broken:
        verdict = "the list is possible in no build month"
    elif number > 1:
        verdict += f" in {number} separate clashes"
    return Explanation(
        verdict=verdict, clashes=tuple(word_core(compiled, core, roles) for core in cores)
    )


def _is_free(compiled: Compiled, handle: Handle) -> bool:
    """Whether a rule mentions typed options, so that no single rule is to blame."""
    return handle[0] == "rule" and compiled.cross[handle[1]].free


def _list_options(compiled: Compiled) -> list[int]:
    """Options that rules over typed options mention."""
    return list(dict.fromkeys(o for rule in compiled.cross if rule.free for o in rule.options))


class ClashFinder:
    """Finds minimal clashes around broken rules."""

    def __init__(self, compiled: Compiled, bits: bytes, month: BuildMonth | None) -> None:
        self._compiled = compiled
        self._bits = bits
        self._month = list_month_facts(compiled, month)
        self._segment = 0 if month is None else compiled.find_segment(month)
        self._next = compiled.top
        self._lazy = LazyRules(compiled, bits, self._take, once=False)
        self._warm = get_warm(compiled)

    def _take(self) -> int:
        self._next += 1
        return self._next

    def list_facts(self, handle: Handle) -> list[tuple[int, ...]]:
        """For each broken clause of a rule: the literals of the list that break it."""
        return [
            tuple(-literal for literal in clause if abs(literal) <= self._compiled.count)
            for clause in self._lazy.list_blame(handle, (), self._segment)
        ]

    def separate(self, broken: Iterable[Handle]) -> list[list[Handle]]:
        """Broken rules that share an option belong to one clash."""
        leaders: dict[int, int] = {}
        groups: dict[int, list[Handle]] = {}
        root = self._compiled.root
        for number, handle in enumerate(broken):
            options = {
                abs(literal) - 1 for facts in self.list_facts(handle) for literal in facts
            } - {root}
            merged = {leaders[o] for o in options if o in leaders}
            groups[number] = [handle]
            for other in sorted(merged):
                groups[number] = groups.pop(other) + groups[number]
            for option, leader in leaders.items():
                if leader in merged:
                    leaders[option] = number
            leaders.update(dict.fromkeys(options, number))
        return list(groups.values())

    def find(self, handles: Iterable[Handle]) -> Core:
        """The clash with the fewest facts among the first few rules of one group."""
        best: Core | None = None
        for handle in list(handles)[:3]:
            core = self.find_one(handle)
            if best is None or _rate(core) < _rate(best):
                best = core
        if best is None:
            message = "no broken rule was given"
            raise ValueError(message)
        return best

    def find_over(self, options: Iterable[int]) -> list[Core]:
        """Minimal clashes among the values of some options, no two with an option in common."""
        left = [option + 1 if self._bits[option] else -option - 1 for option in options]
        found: list[Core] = []
        while not self._warm.holds([*left, *self._month]):
            core = find_core(self._compiled, [*left, *self._month])
            found.append(core)
            used = set(core.facts)
            left = [literal for literal in left if literal not in used]
            if used <= set(self._month):
                break
        return found

    def find_one(self, handle: Handle) -> Core:
        """A minimal clash that contains a broken rule, or fewer facts where these suffice."""
        facts = min(self.list_facts(handle), key=len, default=())
        needed = drop_needless(self._warm, list(facts), self._month)
        if self._month and self._warm.solve(needed):
            needed = [*self._month, *needed]
        fine = self._fine(handle, facts)
        direct = minimise(self._compiled, facts, [fine], self._month_needed(handle))
        if set(facts) <= set(needed):
            return direct
        core = find_core(self._compiled, needed)
        return core if len(core.handles) <= MOST_RULES else direct

    def _month_needed(self, handle: Handle) -> list[int]:
        """Limits of the month that a rule with a window needs."""
        return self._month if refer(self._compiled, handle).window.limited else []

    def _fine(self, handle: Handle, facts: Iterable[int]) -> Handle:
        kind, place = handle
        rules = self._compiled.rules
        if kind == "group" and rules.group_kinds[place] is GroupKind.MANDATORY:
            member = next(-f - 1 for f in facts if f < 0)
            return ("member", member)
        return handle


def _rate(core: Core) -> tuple[int, int]:
    return len(core.handles), len(core.facts)
