"""What follows from choosing options: at once by unit propagation, completely right behind."""

from collections.abc import Collection

from donorfit.equipment.answers import ImpliedAnswer
from donorfit.equipment.compiled import Compiled, compile_rules
from donorfit.equipment.explain import explain_facts, list_month_facts
from donorfit.equipment.lists import check_rules_exist, find_places
from donorfit.equipment.warm import as_literals, get_warm
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.rules import RuleBase


def implied(
    rules: RuleBase,
    on: Collection[str],
    off: Collection[str] = (),
    month: BuildMonth | None = None,
    *,
    complete: bool = True,
) -> ImpliedAnswer:
    """What every possible list with these choices shares, beyond what every list has anyway.

    Args:
        rules: the rules.
        on: options chosen to be on.
        off: options chosen to be off.
        month: build month; None leaves it open.
        complete: False asks only for what unit propagation finds: at once, but perhaps not all.

    Raises:
        InputError: an option is unknown, or the rule base is empty.
    """
    compiled = compile_rules(rules)
    check_rules_exist(compiled)
    chosen_on, chosen_off = find_places(compiled, [("on", on), ("off", off)])
    facts = as_literals(chosen_on, on=True) + as_literals(chosen_off, on=False)
    facts += list_month_facts(compiled, month)
    warm = get_warm(compiled)
    found = warm.find_forced(facts) if complete else warm.follow_known(facts)
    if found is None:
        fixed = dict.fromkeys(chosen_on, True) | dict.fromkeys(chosen_off, False)
        return ImpliedAnswer(
            possible=False,
            on=(),
            off=(),
            complete=complete,
            clash=explain_facts(compiled, fixed, month),
        )
    chosen = set(facts)
    names = [each for each in found if each not in chosen and abs(each) <= compiled.count]
    return ImpliedAnswer(
        possible=True,
        on=_name(compiled, [each for each in names if each > 0]),
        off=_name(compiled, [each for each in names if each < 0]),
        complete=complete,
    )


def _name(compiled: Compiled, literals: list[int]) -> tuple[OptionName, ...]:
    return tuple(compiled.rules.names[abs(literal) - 1] for literal in literals)
