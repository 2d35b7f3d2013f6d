"""Say rules and broken rules in words."""

from collections.abc import Callable, Sequence

from donorfit.equipment.compiled import Compiled, Handle
from donorfit.vehicle.identity import OptionName
from donorfit.vehicle.rules import ALWAYS, CrossRule, GroupKind, RuleBase, RuleKind, RuleReference

MOST_NAMED = 6
"""Members of a group that are named before the rest is counted."""


def say_option(rules: RuleBase, option: int) -> str:
    """Title and name of an option; the name alone where it has no title."""
    title, name = rules.get_title(option), rules.names[option]
    return name if title == name else f"{title} ({name})"


def join_names(names: Sequence[str], last: str) -> str:
    """``a, b and c``; a long list is cut and counted."""
    if len(names) > MOST_NAMED:
        names = [*names[:MOST_NAMED], f"{len(names) - MOST_NAMED} more"]
        return ", ".join(names[:-1]) + f" {last} {names[-1]}"
    if len(names) <= 1:
        return "".join(names)
    return ", ".join(names[:-1]) + f" {last} {names[-1]}"


def refer(compiled: Compiled, handle: Handle) -> RuleReference:
    """The rule behind a handle as it is shown."""
    rules = compiled.rules
    kind, place = handle
    if kind == "rule":
        rule = rules.rules[compiled.cross[place].place]
        return RuleReference(
            id=rule.id,
            kind=RuleKind.RULE,
            file=rule.file,
            line=rule.line,
            window=rule.window,
            text=rule.text,
        )
    if kind == "group":
        return _refer_group(compiled, place)
    if kind == "root":
        place = compiled.root
    prefix = _get_prefix(rules, place)
    name = say_option(rules, place)
    if kind == "root":
        label, rule_kind, text = "root", RuleKind.ROOT, f"{name} is the root and always on"
    elif kind == "window":
        label, rule_kind = f"{prefix}w{rules.lines[place]}", RuleKind.WINDOW
        text = f"{name} exists only for some build months"
    elif kind == "member":
        parent = say_option(rules, rules.parents[place])
        label, rule_kind = f"{prefix}m{rules.lines[place]}", RuleKind.MANDATORY
        text = f"{parent} always has {name}"
    else:
        parent = say_option(rules, rules.parents[place])
        label, rule_kind = f"{prefix}o{rules.lines[place]}", RuleKind.PARENT
        text = f"{name} belongs to {parent}"
    window = next((w.window for w in rules.windows if w.option == place), ALWAYS)
    return RuleReference(
        id=label,
        kind=rule_kind,
        file=rules.get_file(place),
        line=rules.lines[place],
        window=window if kind == "window" else ALWAYS,
        text=text,
    )


def _get_prefix(rules: RuleBase, option: int) -> str:
    alias, dot, _ = rules.names[option].rpartition(".")
    return alias + dot


def _refer_group(compiled: Compiled, group: int) -> RuleReference:
    rules = compiled.rules
    members = [say_option(rules, member) for member in rules.group_members[group]]
    low, high = compiled.get_limits(group)
    parent = say_option(rules, rules.group_parents[group])
    named = join_names(members, "and")
    if rules.group_kinds[group] is GroupKind.MANDATORY:
        text = f"{parent} always has {named}"
    elif low == high == 1:
        text = f"{parent} has exactly one of {join_names(members, 'or')}"
    elif low == 1 and high == len(members):
        text = f"{parent} has at least one of {join_names(members, 'or')}"
    else:
        text = f"{parent} has {low} to {high} of {named}"
    member = rules.group_members[group][0]
    return RuleReference(
        id=f"{_get_prefix(rules, member)}g{rules.group_lines[group]}",
        kind=RuleKind.GROUP,
        file=rules.get_file(member),
        line=rules.group_lines[group],
        window=ALWAYS,
        text=text,
    )


def say_broken(compiled: Compiled, handle: Handle, is_on: Callable[[int], bool]) -> str:
    """One sentence that says how a list breaks a rule."""
    rules = compiled.rules
    kind, place = handle
    if kind == "parent":
        name, parent = say_option(rules, place), say_option(rules, rules.parents[place])
        return f"{name} is on, but {parent}, which it belongs to, is off"
    if kind == "root":
        return f"{say_option(rules, compiled.root)} is the root and must be on"
    if kind == "window":
        window = next(w.window for w in rules.windows if w.option == place)
        return f"{say_option(rules, place)} is on, but exists only for cars {window}"
    if kind == "group":
        return _say_group(compiled, place, is_on)
    rule = rules.rules[compiled.cross[place].place]
    options = [o for o in compiled.cross[place].options if not _is_value(rule, o)]
    on = [say_option(rules, o) for o in options if is_on(o)]
    off = [say_option(rules, o) for o in options if not is_on(o)]
    parts = []
    if on:
        parts.append(f"{join_names(on, 'and')} {'is' if len(on) == 1 else 'are'} on")
    if off:
        parts.append(f"{join_names(off, 'and')} {'is' if len(off) == 1 else 'are'} off")
    when = f" for cars {rule.window}" if rule.window.limited else ""
    values = [rules.names[o] for o in compiled.cross[place].options if _is_value(rule, o)]
    if values:
        parts.append(f"no value of {join_names(values, 'and')} fits")
    return f"the rule {rule.text}{when} does not hold: {', '.join(parts)}"


def _is_value(rule: CrossRule, option: int) -> bool:
    """Whether a rule compares the value of an option and does not ask whether it is on."""
    return option not in rule.formula and any(c.option == option for c in rule.comparisons)


def _say_group(compiled: Compiled, group: int, is_on: Callable[[int], bool]) -> str:
    rules = compiled.rules
    members = rules.group_members[group]
    on = [say_option(rules, member) for member in members if is_on(member)]
    off = [say_option(rules, member) for member in members if not is_on(member)]
    parent = say_option(rules, rules.group_parents[group])
    if rules.group_kinds[group] is GroupKind.MANDATORY:
        verb = "is" if len(off) == 1 else "are"
        return f"{parent} always has {join_names(off, 'and')}, which {verb} off"
    low, high = compiled.get_limits(group)
    found = f"{join_names(on, 'and')} are on" if on else "none is on"
    if low == high == 1:
        choice = "" if on else f" of {join_names(off, 'or')}"
        return f"{parent} has exactly one{choice}, but {found}"
    if not on:
        return f"{parent} has at least {low} of {join_names(off, 'or')}, but {found}"
    return f"{parent} has {low} to {high} of its group, but {len(on)} are on: {found}"


def list_options(compiled: Compiled, handle: Handle) -> tuple[OptionName, ...]:
    """Options that take part in a rule."""
    rules = compiled.rules
    kind, place = handle
    if kind in {"parent", "member"}:
        places: Sequence[int] = (place, rules.parents[place])
    elif kind == "group":
        places = (rules.group_parents[place], *rules.group_members[place])
    elif kind == "rule":
        places = compiled.cross[place].options
    else:
        places = (compiled.root if kind == "root" else place,)
    return tuple(rules.names[option] for option in places)
