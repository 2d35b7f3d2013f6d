"""Fold a trace of consequences into few numbered sentences."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from donorfit.equipment.answers import Step
from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.propagation import Because
from donorfit.equipment.sentences import join_names, refer, say_option
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import RuleReference

LONG_CHAIN = 6
"""Steps beyond which steps of the same distance from the facts are joined."""

MOST_TEXTS = 6
"""Rules of one step whose text is given before the rest is counted; all are named by id."""

_TREE = frozenset({"parent", "member", "root"})
_SILENT = frozenset({"order", "facts"})


@dataclass(slots=True)
class _Draft:
    """A step that is still being folded."""

    conclusion: int
    handles: list[Handle]
    premises: list[int]
    more: list[int] = field(default_factory=list)

    @property
    def conclusions(self) -> list[int]:
        """All conclusions; none where the step is the contradiction."""
        return [self.conclusion, *self.more] if self.conclusion else []


def say_steps(
    compiled: Compiled,
    found: Sequence[tuple[int, Because]],
    conflict: tuple[Handle, tuple[int, ...]] | None,
    core: tuple[Sequence[int], Sequence[Handle]],
) -> tuple[Step, ...]:
    """Numbered steps from the facts to the contradiction.

    Where single steps do not reach a contradiction, one step names all facts and rules together.

    Args:
        compiled: the rules.
        found: what follows, with reasons, in the order it was found.
        conflict: the rule and the literals that contradict one another.
        core: all facts and all rules of the clash.
    """
    if conflict is None:
        rules = tuple(refer(compiled, handle) for handle in core[1])
        step = Step(
            number=1,
            sentence="these facts and rules leave no possible list, whatever else is chosen: "
            + _quote(rules),
            rules=rules,
            premises=tuple(write_literal(compiled, literal) for literal in core[0]),
            conclusion="",
        )
        return (step,)
    drafts = [
        _Draft(literal, [because.handle], list(because.premises))
        for literal, because in found
        if because.handle is not None
    ]
    drafts.append(_Draft(0, [conflict[0]], list(conflict[1])))
    folded = _fold(compiled, drafts)
    if len(folded) > LONG_CHAIN:
        folded = _join_levels(folded)
    return tuple(_say(compiled, draft, number) for number, draft in enumerate(folded, 1))


def _fold(compiled: Compiled, drafts: list[_Draft]) -> list[_Draft]:
    """Join a step to the only one that uses its conclusion, where one of them is plain."""
    uses = Counter(literal for draft in drafts for literal in dict.fromkeys(draft.premises))
    kept: dict[int, _Draft] = {}
    for draft in drafts:
        for literal in list(dict.fromkeys(draft.premises)):
            before = kept.get(literal)
            if before is None:
                continue
            if _is_inner(compiled, literal) or (uses[literal] == 1 and _may_join(before, draft)):
                place = draft.premises.index(literal)
                draft.premises[place : place + 1] = before.premises
                draft.handles = before.handles + draft.handles
                if uses[literal] == 1:
                    del kept[literal]
        draft.premises = list(dict.fromkeys(draft.premises))
        draft.handles = list(dict.fromkeys(draft.handles))
        kept[draft.conclusion] = draft
    return [
        draft
        for draft in kept.values()
        if not draft.conclusion or not _is_inner(compiled, draft.conclusion)
    ]


def _join_levels(drafts: list[_Draft]) -> list[_Draft]:
    """Join all steps of the same distance from the facts."""
    depths: dict[int, int] = {}
    levels: dict[int, _Draft] = {}
    last = drafts[-1]
    for draft in drafts[:-1]:
        depth = 1 + max((depths.get(literal, 0) for literal in draft.premises), default=0)
        depths.update(dict.fromkeys(draft.conclusions, depth))
        level = levels.get(depth)
        if level is None:
            levels[depth] = draft
            continue
        level.more += draft.conclusions
        level.premises = list(dict.fromkeys([*level.premises, *draft.premises]))
        level.handles = list(dict.fromkeys([*level.handles, *draft.handles]))
    return [*(levels[depth] for depth in sorted(levels)), last]


def _is_inner(compiled: Compiled, literal: int) -> bool:
    """Whether a literal is a helper variable or a build month: never shown as a step."""
    return abs(literal) > compiled.count


def _may_join(before: _Draft, after: _Draft) -> bool:
    """Tree steps join their neighbour while no more than one other rule takes part."""
    together = {*before.handles, *after.handles}
    others = [handle for handle in together if handle[0] not in _TREE | _SILENT]
    return len(others) <= 1


def _say(compiled: Compiled, draft: _Draft, number: int) -> Step:
    handles = [handle for handle in draft.handles if handle[0] not in _SILENT]
    rules = tuple(refer(compiled, handle) for handle in handles)
    premises = [literal for literal in draft.premises if not _is_helper(compiled, literal)]
    said = say_literals(compiled, premises)
    texts = _quote(rules)
    if draft.conclusion:
        start = f"because {said}, " if said else ""
        sentence = f"{start}{say_literals(compiled, draft.conclusions, must=True)}: {texts}"
    elif texts:
        sentence = f"but that {said} cannot hold: {texts}"
    else:
        sentence = f"but {said}"
    return Step(
        number=number,
        sentence=sentence,
        rules=rules,
        premises=tuple(write_literal(compiled, literal) for literal in premises),
        conclusion=" & ".join(write_literal(compiled, each) for each in draft.conclusions),
    )


def _quote(rules: Sequence[RuleReference]) -> str:
    """The texts of the first few rules."""
    texts = "; ".join(rule.text for rule in rules[:MOST_TEXTS])
    return texts + (f"; and {len(rules) - MOST_TEXTS} more rules" * (len(rules) > MOST_TEXTS))


def _is_helper(compiled: Compiled, literal: int) -> bool:
    return abs(literal) > compiled.count and abs(literal) not in compiled.months


def say_literals(compiled: Compiled, literals: Sequence[int], *, must: bool = False) -> str:
    """``A and B are on and C is off``; build months first."""
    said = [say_literal(compiled, each) for each in literals if _is_inner(compiled, each)]
    for sign, word in ((1, "on"), (-1, "off")):
        names = [
            say_option(compiled.rules, abs(each) - 1)
            for each in literals
            if each * sign > 0 and not _is_inner(compiled, each)
        ]
        if names:
            verb = "must be" if must else "is" if len(names) == 1 else "are"
            said.append(f"{join_names(names, 'and')} {verb} {word}")
    return " and ".join(said)


def say_literal(compiled: Compiled, literal: int) -> str:
    """``A is on``, ``the car is built before 2021-07``."""
    variable = abs(literal)
    if variable in compiled.months:
        month = BuildMonth(compiled.limits[variable - compiled.months.start])
        return f"the car is built {f'in {month} or later' if literal > 0 else f'before {month}'}"
    name = say_option(compiled.rules, variable - 1)
    return f"{name} is {'on' if literal > 0 else 'off'}"


def write_literal(compiled: Compiled, literal: int) -> str:
    """Signed name for machines: ``name``, ``!name``, ``month>=2021-07``, ``month<2021-07``."""
    variable = abs(literal)
    if variable in compiled.months:
        month = BuildMonth(compiled.limits[variable - compiled.months.start])
        return f"month>={month}" if literal > 0 else f"month<{month}"
    name = compiled.rules.names[variable - 1]
    return name if literal > 0 else f"!{name}"
