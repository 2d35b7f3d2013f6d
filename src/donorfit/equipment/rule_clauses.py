"""Clauses of one rule, by its handle; every rule of a base by handle."""

from collections.abc import Callable, Iterator
from functools import lru_cache

from donorfit.equipment.cardinality import list_count_clauses
from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.formula_clauses import Clause
from donorfit.vehicle.rules import GroupKind


def list_handles(compiled: Compiled) -> Iterator[Handle]:
    """Handles of all rules; a mandatory group gives one for each member."""
    rules = compiled.rules
    for option, parent in enumerate(rules.parents):
        if parent >= -1:
            yield ("parent", option) if parent >= 0 else ("root", 0)
    for group, members in enumerate(rules.group_members):
        if rules.group_kinds[group] is GroupKind.MANDATORY:
            yield from (("member", member) for member in members)
        elif says_something(compiled, group):
            yield ("group", group)
    yield from (("rule", place) for place in range(len(compiled.cross)))
    yield from (("window", option) for option in compiled.windows)


@lru_cache(maxsize=4)
def list_all_clauses(compiled: Compiled) -> tuple[tuple[Clause, ...], int]:
    """Clauses of all rules, and the highest variable in them."""
    top = compiled.top

    def take() -> int:
        nonlocal top
        top += 1
        return top

    found = list(compiled.background)
    for handle in list_handles(compiled):
        found += list_clauses(compiled, handle, take)
    return tuple(found), top


def says_something(compiled: Compiled, group: int) -> bool:
    """Whether a group limits how many members are on."""
    low, high = compiled.get_limits(group)
    return low > 0 or high < len(compiled.rules.group_members[group])


def list_clauses(
    compiled: Compiled, handle: Handle, take_variable: Callable[[], int]
) -> list[Clause]:
    """Clauses that say what a rule says; helper variables of groups come from outside."""
    rules = compiled.rules
    kind, place = handle
    if kind == "root":
        return [(compiled.root + 1,)]
    if kind == "parent":
        return [(-place - 1, rules.parents[place] + 1)]
    if kind == "member":
        return [(-rules.parents[place] - 1, place + 1)]
    if kind == "rule":
        rule = compiled.cross[place]
        return [(*clause, *rule.guard) for clause in rule.clauses]
    if kind == "window":
        start, end = compiled.windows[place]
        clauses: list[Clause] = [(-place - 1, compiled.months[start - 1])] if start else []
        if end <= len(compiled.limits):
            clauses.append((-place - 1, -compiled.months[end - 1]))
        return clauses
    return list(_list_group(compiled, place, take_variable))


def _list_group(
    compiled: Compiled, group: int, take_variable: Callable[[], int]
) -> Iterator[Clause]:
    low, high = compiled.get_limits(group)
    parent = compiled.rules.group_parents[group] + 1
    literals = [member + 1 for member in compiled.rules.group_members[group]]
    if low == len(literals):
        yield from ((-parent, literal) for literal in literals)
        low = 0
    elif low == 1:
        yield (-parent, *literals)
        low = 0
    if low > 0 or high < len(literals):
        yield from list_count_clauses(parent, literals, low, high, take_variable)
