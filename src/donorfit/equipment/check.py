"""Is an option list possible in a build month, and which rules does it break."""

from collections.abc import Callable, Collection, Iterable, Sequence

from donorfit.equipment.answers import BrokenRule, CheckAnswer, Structure
from donorfit.equipment.compiled import Compiled, Handle, compile_rules
from donorfit.equipment.lists import check_rules_exist, choose_structure, complete, find_places
from donorfit.equipment.repair_search import MonthRange, Problem, RepairSearch
from donorfit.equipment.sat import make_solver
from donorfit.equipment.sentences import list_options, refer, say_broken
from donorfit.equipment.whole_list import get_whole_list_check
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import GroupKind, RuleBase


def check(
    rules: RuleBase,
    declared: Collection[str],
    month: BuildMonth | None = None,
    *,
    structure: Structure = Structure.AUTO,
) -> CheckAnswer:
    """Judge a whole list; everything that is not declared counts as off.

    Args:
        rules: the rules.
        declared: options that are on.
        month: build month; None asks whether there is any month in which the list is possible.
        structure: how options that only give structure are taken.

    Raises:
        InputError: an option is unknown, or the rule base is empty.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    (places,) = find_places(compiled, [("declared", declared)])
    hidden = choose_structure(compiled, places, structure)
    on = complete(compiled, places, hidden)
    segments = range(len(compiled.limits) + 1) if month is None else [compiled.find_segment(month)]
    broken = _find_broken(compiled, on, segments)
    if broken and hidden and _can_structure_help(compiled, on, hidden, segments):
        broken = []
    return CheckAnswer(
        possible=not broken,
        broken=say_all_broken(compiled, broken, frozenset(on).__contains__),
        month=month,
        warnings=(*rules.warnings, *compiled.warnings),
    )


def _find_broken(compiled: Compiled, on: list[int], segments: Iterable[int]) -> list[Handle]:
    """Rules broken in the month; over several months those of the month with the fewest."""
    return min(find_broken(compiled, on, segments), key=len)


def find_broken(
    compiled: Compiled, on: Collection[int], segments: Iterable[int]
) -> list[list[Handle]]:
    """Every rule that a list breaks, for each of some segments of build months."""
    whole = get_whole_list_check(compiled)
    bits = whole.make_bits(on)
    segments = list(segments)
    free = find_broken_free(compiled, on, segments)
    return [whole.find_broken(bits, s) + more for s, more in zip(segments, free, strict=True)]


def find_broken_free(
    compiled: Compiled, on: Collection[int], segments: Sequence[int]
) -> list[list[Handle]]:
    """Rules over typed options that no value of these can satisfy, for each segment."""
    free = [place for place, rule in enumerate(compiled.cross) if rule.free]
    if not free:
        return [[] for _ in segments]
    chosen = set(on)
    solver = make_solver(compiled.background)
    start = compiled.top + 1
    for place in free:
        rule = compiled.cross[place]
        for clause in rule.clauses:
            solver.add((*clause, *rule.guard, -start - place))
    options = {option for place in free for option in compiled.cross[place].options}
    values = [option + 1 if option in chosen else -option - 1 for option in options]
    found: list[list[Handle]] = []
    for segment in segments:
        months = [v if place < segment else -v for place, v in enumerate(compiled.months)]
        selectors = dict.fromkeys(start + place for place in free)
        broken: list[Handle] = []
        while not solver.solve([*values, *months, *selectors]):
            core = [literal for literal in solver.get_core() if literal in selectors]
            if not core:
                break
            for literal in core:
                del selectors[literal]
            broken += [("rule", literal - start) for literal in core]
        found.append(sorted(broken))
    solver.close()
    return found


def _can_structure_help(
    compiled: Compiled, on: list[int], hidden: frozenset[int], segments: Iterable[int]
) -> bool:
    """Whether options that only give structure can be chosen so that the list is possible."""
    chosen = set(on)
    fixed = {option: option in chosen for option in range(compiled.count) if option not in hidden}
    for segment in segments:
        problem = Problem(
            declared=on,
            fixed=fixed,
            costs=[1] * compiled.count,
            structure=hidden,
            month=MonthRange(segment=segment),
        )
        search = RepairSearch(compiled, problem)
        found = next(search.list_solutions(), None)
        search.close()
        if found is not None:
            return True
    return False


def say_all_broken(
    compiled: Compiled, handles: Iterable[Handle], is_on: Callable[[int], bool]
) -> tuple[BrokenRule, ...]:
    """Each broken rule in words; a mandatory group is told member by member."""
    rules = compiled.rules
    broken: list[BrokenRule] = []
    for handle in handles:
        kind, group = handle
        if kind == "group" and rules.group_kinds[group] is GroupKind.MANDATORY:
            missing = [m for m in rules.group_members[group] if not is_on(m)]
            broken += [_say_member(compiled, member) for member in missing]
            continue
        broken.append(
            BrokenRule(
                rule=refer(compiled, handle),
                sentence=say_broken(compiled, handle, is_on),
                options=list_options(compiled, handle),
            )
        )
    return tuple(broken)


def _say_member(compiled: Compiled, member: int) -> BrokenRule:
    reference = refer(compiled, ("member", member))
    return BrokenRule(
        rule=reference,
        sentence=f"{reference.text}, but it is off",
        options=list_options(compiled, ("member", member)),
    )
