"""Option lists by name turned into places: unknown names, structure, months."""

from collections.abc import Collection, Iterable
from functools import lru_cache

from donorfit.equipment.answers import Structure
from donorfit.equipment.compiled import Compiled
from donorfit.equipment.read_uvl import suggest_names
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.rules import GroupKind, RuleBase

MOST_LISTED = 50


def find_places(
    compiled: Compiled, lists: Iterable[tuple[str, Collection[str]]]
) -> list[list[int]]:
    """Places of the options of several lists.

    Args:
        compiled: the rules.
        lists: what each list is called in messages, and its names.

    Raises:
        InputError: with all unknown names, the nearest known ones beside each.
    """
    places = compiled.places
    found: list[list[int]] = []
    mistakes: list[Mistake] = []
    for title, names in lists:
        found.append([places[name] for name in dict.fromkeys(names) if name in places])
        if len(found[-1]) == len(names):
            continue
        unknown = [name for name in dict.fromkeys(names) if name not in places]
        mistakes += [
            Mistake(
                file=title,
                line=0,
                what=f"the rules know no option {name!r}",
                next_step=suggest_names(name, list(places)),
            )
            for name in unknown[:MOST_LISTED]
        ]
    if mistakes:
        raise InputError(
            what=f"{len(mistakes)} option{'s' * (len(mistakes) != 1)} not known to"
            f" {compiled.rules.file}",
            mistakes=mistakes,
            where=compiled.rules.file,
            why="an option must stand in the tree of the rules",
            next_step="correct the names, or read the rules of the right car family",
        )
    return found


@lru_cache(maxsize=4)
def list_structure(rules: RuleBase) -> frozenset[int]:
    """Options that only give structure and are in no car's list.

    These are the root, options marked ``abstract``, and, in a rule base whose options carry codes,
    those without one.
    """
    found = set(rules.list_abstract())
    coded = {o for o, pairs in rules.attributes if any(key == "code" for key, _ in pairs)}
    if coded:
        found.update(set(range(len(rules))) - coded)
    if -1 in rules.parents:
        found.add(rules.parents.index(-1))
    return frozenset(found)


def choose_structure(
    compiled: Compiled, declared: Iterable[int], wish: Structure
) -> frozenset[int]:
    """Options to be derived: those of :func:`list_structure`, or none."""
    if wish is Structure.DECLARED:
        return frozenset()
    structure = list_structure(compiled.rules)
    if wish is Structure.AUTO and any(option in structure for option in declared):
        return frozenset()
    return structure


def complete(compiled: Compiled, declared: Iterable[int], structure: frozenset[int]) -> list[int]:
    """Add options of structure that follow: the root, parents of what is on, mandatory ones."""
    if not structure:
        return list(declared)
    rules = compiled.rules
    on = dict.fromkeys(declared)
    waiting = list(on)
    root = compiled.root
    if root in structure and root not in on:
        on[root] = None
        waiting.append(root)
    while waiting:
        option = waiting.pop()
        parent = rules.parents[option]
        near = [parent] if parent >= 0 else []
        for group in compiled.groups_of.get(option, ()):
            if rules.group_kinds[group] is GroupKind.MANDATORY:
                near += rules.group_members[group]
        for other in near:
            if other in structure and other not in on:
                on[other] = None
                waiting.append(other)
    return list(on)


def check_rules_exist(compiled: Compiled) -> None:
    """Raise InputError where there is no option at all."""
    if not compiled.count:
        raise InputError(
            what=f"{compiled.rules.file} holds no option",
            where=compiled.rules.file,
            why="nothing can be said about an empty rule base",
            next_step="read a file with a tree of options",
        )
