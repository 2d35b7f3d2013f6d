"""What an earlier retrofit may have left in the list: declared, but neither fitted nor needed."""

from collections.abc import Collection, Iterable

from donorfit.equipment.answers import Clash, Leftover, LeftoversAnswer
from donorfit.equipment.compiled import Compiled, compile_rules
from donorfit.equipment.explain import explain_facts, list_month_facts
from donorfit.equipment.lists import check_rules_exist, find_places, list_structure
from donorfit.equipment.warm import as_literals, get_warm
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import RuleBase, RuleReference


def leftovers(
    rules: RuleBase,
    declared: Collection[str],
    fitted: Collection[str],
    needed: Collection[str] = (),
    month: BuildMonth | None = None,
    *,
    not_fitted: Collection[str] = (),
) -> LeftoversAnswer:
    """Declared options that contradict what is fitted, or that nothing supports.

    An option is supported where it is fitted or needed, follows from what is, or gives structure
    only. What is known to be absent but declared counts as unsupported.

    Args:
        rules: the rules.
        declared: options that are declared.
        fitted: options that are physically there.
        needed: options that are asked for, or known from elsewhere to be right.
        month: build month; None leaves it open.
        not_fitted: options that are known to be absent.

    Raises:
        InputError: an option is unknown, or the rule base is empty.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    on, there, asked, absent = find_places(
        compiled,
        [
            ("declared", declared),
            ("fitted", fitted),
            ("needed", needed),
            ("not_fitted", not_fitted),
        ],
    )
    base = dict.fromkeys(there, True) | dict.fromkeys(asked, True) | dict.fromkeys(absent, False)
    warm = get_warm(compiled)
    months = list_month_facts(compiled, month)
    facts = [*months, *_as_facts(base)]
    forced = set(warm.find_forced(facts) or warm.follow(facts) or facts)
    structure = list_structure(rules)
    fitted_names = {*fitted, *not_fitted}
    result: list[Leftover] = []
    for option in on:
        if base.get(option) or option + 1 in forced or option in structure:
            continue
        contradicted = -option - 1 in forced
        clash: Clash | None = None
        if contradicted and option not in base:
            clash = explain_facts(compiled, {**base, option: True}, month, fitted=fitted_names)
        result.append(_word(compiled, option, contradicted=contradicted, clash=clash))
    return LeftoversAnswer(leftovers=tuple(result))


def _as_facts(base: dict[int, bool]) -> list[int]:
    return as_literals((o for o, value in base.items() if value), on=True) + as_literals(
        (o for o, value in base.items() if not value), on=False
    )


def _word(compiled: Compiled, option: int, *, contradicted: bool, clash: Clash | None) -> Leftover:
    rules = compiled.rules
    behind: Iterable[RuleReference] = ()
    if not contradicted:
        reason = "it is declared, but neither fitted nor needed by anything that is"
    elif clash is None:
        reason = "it is declared, but not fitted"
    else:
        behind = clash.rules
        others = [str(f) for f in clash.facts if f.option != rules.names[option]]
        reason = f"it cannot stand beside what is there: {'; '.join(others) or 'the rules alone'}"
    return Leftover(
        option=rules.names[option],
        title=rules.get_title(option),
        contradicted=contradicted,
        reason=reason,
        rules=tuple(behind),
    )
