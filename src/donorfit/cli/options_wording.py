"""Answers about option lists as lines for a terminal."""

from collections import Counter
from collections.abc import Iterable, Sequence

from donorfit.cli.columns import count, fold
from donorfit.equipment.answer_parts import ReplayAnswer
from donorfit.equipment.answers import (
    BrokenRule,
    CheckAnswer,
    Clash,
    CompareAnswer,
    Explanation,
    FactsAnswer,
    ImpliedAnswer,
    LeftoversAnswer,
    MonthsAnswer,
    Repair,
    RepairAnswer,
)
from donorfit.records.counted import choose
from donorfit.vehicle.rules import RuleReference, RuleWarning, Window

MANY_ENTRIES = 12
"""Changes of one repair beyond which the decisions among them are named first."""

MOST_SIGNS = 8
"""Changes of one way that are named before the rest is counted."""

MOST_LINES = 40
"""Entries of one list that are shown before the rest is counted; --json shows all."""


def _cut(lines: Sequence[str], what: str) -> list[str]:
    if len(lines) <= MOST_LINES:
        return list(lines)
    return [*lines[:MOST_LINES], f"  ... and {len(lines) - MOST_LINES} more {what} (--json: all)"]


def _place(rules: Iterable[RuleReference]) -> str:
    return " ".join(
        f"[{r.id} {r.file}:{r.line}{f', {r.window}' if r.window.limited else ''}]" for r in rules
    )


def word_warnings(warnings: Sequence[RuleWarning]) -> list[str]:
    """Each sort of thing that was not judged, counted, with its first place."""
    counts = Counter(warning.kind for warning in warnings)
    return [
        f"note: {count} x {kind}, for instance line {first.line}: {first.what}"
        for kind, count in counts.items()
        for first in [next(each for each in warnings if each.kind == kind)]
    ]


def _word_broken(broken: Sequence[BrokenRule], indent: str = "  ") -> list[str]:
    lines: list[str] = []
    for each in broken[:MOST_LINES]:
        lines += fold(f"{each.sentence} {_place([each.rule])}", first=f"{indent}- ")
    if len(broken) > MOST_LINES:
        lines.append(f"{indent}... and {len(broken) - MOST_LINES} more (--json: all)")
    return lines


def _say_window(window: Window) -> str:
    return str(window).removeprefix("built ") or "any month"


def word_check(answer: CheckAnswer) -> list[str]:
    """Lines for ``check``."""
    when = f" in {answer.month}" if answer.month else ""
    if answer.possible:
        return [f"possible{when}: no rule is broken", *word_warnings(answer.warnings)]
    count = len(answer.broken)
    head = f"not possible{when}: {count} rule{'s are' if count != 1 else ' is'} broken"
    return [head, *_word_broken(answer.broken), *word_warnings(answer.warnings)]


def word_clash(clash: Clash) -> list[str]:
    """Facts and steps of one clash."""
    lines = ["  facts:"]
    for fact in clash.facts:
        lines += fold(str(fact), first="    - ")
    for step in clash.steps:
        lines += fold(f"{step.sentence} {_place(step.rules)}", first=f"  {step.number}. ")
    return lines


def word_why(answer: Explanation) -> list[str]:
    """Lines for ``why``."""
    lines = fold(answer.verdict)
    for number, clash in enumerate(answer.clashes, 1):
        if len(answer.clashes) > 1:
            lines.append(f"clash {number} of {len(answer.clashes)}")
        lines += word_clash(clash)
    return lines


def word_repair(answer: RepairAnswer) -> list[str]:
    """Lines for ``repair``."""
    if not answer.possible:
        if answer.seconds_used_up:
            bound = f"none costs less than {answer.lower_bound:g}"
            lost = [f"the time budget is used up before a repair was proved; {bound}"]
            return lost + word_warnings(answer.warnings)
        head = ["no repair: what is asked and fitted cannot hold together"]
        told = word_clash(answer.clash) if answer.clash else []
        return head + told + word_warnings(answer.warnings)
    lines: list[str] = []
    for number, each in enumerate(answer.repairs, 1):
        lines += _word_one(each, number)
    for point in answer.front[1:] if len(answer.front) > 1 else ():
        moved = f"{point.month_moved:+d} {choose(abs(point.month_moved), 'month')}"
        lines += fold(
            f"in {point.month} ({moved}) the options alone would cost {point.cost:g}",
            first="   or: ",
        )
    lines += _word_parts(answer)
    count = len(answer.repairs)
    if answer.proved:
        lines.append(f"proved: {'these are' if count > 1 else 'this is'} the cheapest, minimal")
    else:
        lines.append(
            f"the time budget is used up: not proved to be the cheapest; no further repair costs"
            f" less than {answer.lower_bound:g}"
        )
    lines.append(f"{answer.untouched} declared options stay as they are")
    lines += fold(answer.costs_reason)
    return lines + word_warnings(answer.warnings)


def _word_parts(answer: RepairAnswer) -> list[str]:
    if not answer.parts:
        return []
    lines = [f"the first repair falls into {len(answer.parts)} parts that do not touch:"]
    for number, part in enumerate(answer.parts, 1):
        for place, way in enumerate(part.ways):
            signs = [f"+{name}" for name in way.add] + [f"-{name}" for name in way.remove]
            shown = signs[:MOST_SIGNS]
            if len(signs) > MOST_SIGNS:
                shown.append(f"and {len(signs) - MOST_SIGNS} more")
            start = f"   part {number}: " if not place else "   or:     "
            lines += fold(f"{' '.join(shown)} (cost {way.cost:g})", first=start)
    return lines


def _word_one(repair: Repair, number: int) -> list[str]:
    head = (
        f"{number}. cost {repair.cost:g}: {len(repair.add)} become declared,"
        f" {len(repair.remove)} taken out"
    )
    if repair.month is not None:
        head += f", build month {repair.month}"
        head += f" (moved by {repair.month_moved:+d})" if repair.month_moved else ""
    lines = fold(head)
    if repair.month_reason:
        lines += fold(
            f"{repair.month_reason} {_place(repair.month_rules[:3])}", first="   month: "
        )
    if len(repair.entries) > MANY_ENTRIES:
        chosen = ", ".join(repair.decisions[:MOST_SIGNS]) or "none"
        more = len(repair.decisions) - MOST_SIGNS
        text = chosen + (f" and {more} more" if more > 0 else "")
        lines += fold(text, first=f"   decided ({len(repair.decisions)}), all else follows: ")
    causes = dict.fromkeys(entry.cause for entry in repair.entries)
    shown = 0
    for cause in causes:
        group = [entry for entry in repair.entries if entry.cause == cause]
        if len(causes) > 1:
            lines += fold(f"because of {cause}: {count(len(group), 'change')}", first="   ")
        for entry in group:
            if shown < MOST_LINES:
                sign = "+" if entry.on else "-"
                name = (
                    entry.option
                    if entry.title == entry.option
                    else (f"{entry.option} ({entry.title})")
                )
                text = f"{name}: {entry.reason} {_place(entry.rules)}"
                lines += fold(text, first=f"   {sign} ", rest="     ")
            shown += 1
    if shown > MOST_LINES:
        lines.append(f"   ... and {shown - MOST_LINES} more changes (--json: all)")
    return lines


def word_months(answer: MonthsAnswer) -> list[str]:
    """Lines for ``months``."""
    if answer.windows:
        lines = [f"possible: {', '.join(_say_window(window) for window in answer.windows)}"]
    else:
        lines = ["possible in no month"]
    if answer.nearest is not None:
        lines.append(f"nearest possible month: {answer.nearest}")
    if answer.always_broken:
        lines += ["broken in every month:", *_word_broken(answer.always_broken)]
    for blocker in answer.blockers:
        if blocker.broken:
            lines.append(f"{_say_window(blocker.months)}: not possible")
            lines += _word_broken(blocker.broken)
    return lines


def word_implied(answer: ImpliedAnswer) -> list[str]:
    """Lines for ``implied``."""
    if not answer.possible:
        head = ["this choice is not possible"]
        return head + (word_clash(answer.clash) if answer.clash else [])
    lines = [f"{count(len(answer.on), 'option')} must be on, {len(answer.off)} must be off"]
    lines += _cut([f"  + {name}" for name in answer.on], "on")
    lines += _cut([f"  - {name}" for name in answer.off], "off")
    if not answer.complete:
        lines.append("only what follows step by step; more may follow")
    return lines


def word_compare(answer: CompareAnswer) -> list[str]:
    """Lines for ``compare``."""
    lines = [f"{count(answer.both, 'option is', 'options are')} declared in both"]
    lines += _cut([f"  < {name}" for name in answer.only_left], "in the first")
    lines += _cut([f"  > {name}" for name in answer.only_right], "in the second")
    for name, each in (("first", answer.left), ("second", answer.right)):
        lines.append(f"the {name} list: {word_check(each)[0]}")
    return lines


def word_facts(answer: FactsAnswer) -> list[str]:
    """Lines for ``facts``."""
    if not answer.possible:
        head = ["no option list is possible at all"]
        return head + (word_clash(answer.clash) if answer.clash else [])
    lines: list[str] = []
    for title, names in (
        ("always on", answer.core),
        ("never on", answer.dead),
        ("optional by its group, but always on with its parent", answer.falsely_optional),
    ):
        lines.append(f"{title}: {len(names)}")
        lines += _cut([f"  {name}" for name in names], "")
    lines.append(f"rules that follow from the others: {len(answer.redundant)}")
    return lines + _cut([f"  {rule}" for rule in answer.redundant], "")


def word_leftovers(answer: LeftoversAnswer) -> list[str]:
    """Lines for ``leftovers``."""
    if not answer.leftovers:
        return ["nothing is left over: every declared option is fitted or needed"]
    lines = [f"{len(answer.leftovers)} declared options may be left over"]
    for each in answer.leftovers:
        name = each.option if each.title == each.option else f"{each.option} ({each.title})"
        sign = "x" if each.contradicted else "?"
        lines += fold(f"{name}: {each.reason} {_place(each.rules)}", first=f"  {sign} ")
    return lines


def word_replay(answer: ReplayAnswer) -> list[str]:
    """Lines for ``replay``."""
    if not answer.clashes:
        return ["there is no explanation in this answer: nothing to follow"]
    lines: list[str] = []
    for number, each in enumerate(answer.clashes, 1):
        flaws = (*each.wrong, *each.needless, *each.undecided)
        size = ", ".join(
            (count(each.steps, "step"), count(each.facts, "fact"), count(each.rules, "rule"))
        )
        verdict = (
            "does not hold" if flaws else "every step follows, and each fact and rule is needed"
        )
        lines += fold(f"clash {number} ({size}): {verdict}")
        for flaw in _cut(flaws, "flaws"):
            lines += fold(flaw, first="  - ")
    return lines
