"""What becomes of one derived field in a three-way merge.

Base follows from the old option list, current was read, target follows from the new list. The
rule: the new derived value where the derived value changes, else what the car holds; a question
where the owner's value and the change meet.
"""

from dataclasses import dataclass

from donorfit.configuration.fields import describe_value, is_outside_choices
from donorfit.configuration.merge_values import (
    CHANGE,
    CHOICES,
    KEEP,
    FieldCase,
    MergeInput,
    Origin,
    RivalRule,
)
from donorfit.errors import InputError
from donorfit.records.plan import FieldVerdict, OpenQuestion
from donorfit.vehicle.layout import FieldKind

_POPULAR = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The value that a field gets, why, and the question where the owner has to decide."""

    result: int | None
    verdict: FieldVerdict
    reason: str
    question: OpenQuestion | None = None


def _keep(case: FieldCase, verdict: FieldVerdict, reason: str) -> Decision:
    return Decision(result=case.current, verdict=verdict, reason=reason)


def _apply(case: FieldCase, reason: str) -> Decision:
    return Decision(result=case.target, verdict=FieldVerdict.APPLIED, reason=reason)


def _describe_popularity(given: MergeInput, case: FieldCase) -> str:
    """Say that many owners have the same value, where they do."""
    for each in given.peers.shares:
        if each.name == case.field.name and each.raw == case.current and each.share > _POPULAR:
            return f"; a popular change: {each.share:.0%} of the cars read hold it"
    return ""


def _ask(
    given: MergeInput, case: FieldCase, why: str, choices: tuple[str, ...] = CHOICES
) -> Decision:
    """Put the conflict to the owner, or follow the answer given; until then nothing changes."""
    id_ = given.name_question(case.field.name)
    answer = given.find_answer(case.field.name)
    if answer and answer not in choices:
        raise InputError(
            what=f"{answer!r} is no answer to the question {id_!r}.",
            where=given.where,
            why=f"The answers are {' and '.join(map(repr, choices))}.",
            next_step="Answer the question again.",
        )
    text = (
        f"{case.field.title} ({given.where}): the car holds "
        f"{describe_value(case.field, case.current)}, the old option list gives "
        f"{describe_value(case.field, case.base)}, the new one "
        f"{describe_value(case.field, case.target)}. {why}{_describe_popularity(given, case)}."
    )
    question = OpenQuestion(id=id_, text=text, choices=choices, chosen=answer)
    result, verdict, said = {
        "": (case.current, FieldVerdict.ASKED, why),
        KEEP: (case.current, FieldVerdict.KEPT, f"the owner decided to keep it; {why}"),
        CHANGE: (case.target, FieldVerdict.APPLIED, f"the owner decided to change it; {why}"),
    }[answer]
    return Decision(result=result, verdict=verdict, reason=said, question=question)


def _find_rivals(given: MergeInput, case: FieldCase) -> tuple[RivalRule, ...]:
    """Rules that disagree with the pack's about the change of this field."""
    return tuple(
        each
        for each in given.peers.rivals
        if each.name == case.field.name and (each.base, each.target) != (case.base, case.target)
    )


def _describe_votes(case: FieldCase, rivals: tuple[RivalRule, ...]) -> str:
    told = "; ".join(
        f"{each.rule} ({each.votes} cars) gives {describe_value(case.field, each.base)}, then "
        f"{describe_value(case.field, each.target)}"
        for each in sorted(rivals, key=lambda each: (-each.votes, each.rule))
    )
    return f"Rules that fit the cars read so far disagree about the change: {told}"


def _decide_without_target(case: FieldCase) -> Decision:
    possible = (None,) if case.base_value is None else case.base_value.possible
    if set(possible) == set(case.target_value.possible):
        if possible == (None,):
            reason = f"nothing derives it: {case.target_value.reason}"
        else:
            reason = "the change of the option list does not touch it"
        return _keep(case, FieldVerdict.UNCHANGED, reason)
    return _keep(
        case, FieldVerdict.UNVERIFIED, f"its new value is not known: {case.target_value.reason}"
    )


def _decide_equal(case: FieldCase) -> Decision:
    """Current and target agree: nothing to write, and no customisation any more."""
    if case.base == case.target:
        return _keep(case, FieldVerdict.UNCHANGED, case.target_value.reason)
    if case.base is None:
        reason = f"the new list gives what the car holds: {case.target_value.reason}"
    else:
        reason = (
            f"changed before by hand or by an earlier retrofit, now derived: "
            f"{case.target_value.reason}"
        )
    return _keep(case, FieldVerdict.ALREADY, reason)


def _decide_host(given: MergeInput, case: FieldCase) -> Decision:
    rivals = _find_rivals(given, case)
    if rivals:
        return _ask(given, case, _describe_votes(case, rivals))
    if case.base is None:
        return _ask(
            given,
            case,
            "The value before cannot be derived, so the owner's wish cannot be told from it",
        )
    if case.base == case.target:
        return _keep(
            case,
            FieldVerdict.KEPT,
            f"the owner's own value; old and new list both give "
            f"{describe_value(case.field, case.base)}{_describe_popularity(given, case)}",
        )
    if is_outside_choices(case.field, case.target):
        return _ask(given, case, "The new value is not among the known values of this field")
    if case.base == case.current:
        return _apply(case, case.target_value.reason)
    return _ask(given, case, f"The owner had changed it, and now {case.target_value.reason}")


def _decide_donor(case: FieldCase) -> Decision:
    held = describe_value(case.field, case.current)
    customised = case.base is not None and case.base != case.current
    whose = "its owner's own value" if customised else "the donor car's value"
    return _apply(case, f"{whose} {held} is not carried over; {case.target_value.reason}")


def _decide_missing(case: FieldCase) -> Decision:
    """The layout before does not have the field, or its value cannot be carried over."""
    if case.target is None:
        return Decision(
            result=None,
            verdict=FieldVerdict.UNVERIFIED,
            reason=f"new in this layout and not derived: {case.target_value.reason}",
        )
    return _apply(case, f"new in this layout; {case.target_value.reason}")


def _decide_lost(given: MergeInput, case: FieldCase) -> Decision:
    """The value read has no counterpart in the new layout: it can be replaced, not kept."""
    why = f"The value read ({case.lost}) does not fit the new layout of the record"
    if case.target is None:
        reason = f"{why}; {case.target_value.reason}"
        return Decision(result=None, verdict=FieldVerdict.UNVERIFIED, reason=reason)
    if case.base_value is not None and case.base_value.raw == case.lost:
        return _apply(case, case.target_value.reason)
    return _ask(given, case, why, (CHANGE,))


def _decide_apart(given: MergeInput, case: FieldCase) -> Decision | None:
    """Fields that the three-way rule is not for; None for all others."""
    override = dict(given.overrides).get(case.field.name)
    if case.field.kind is FieldKind.PER_CAR:
        return _keep(case, FieldVerdict.UNCHANGED, "differs from car to car, always kept")
    if case.field.kind is FieldKind.FIXED:
        return _keep(case, FieldVerdict.UNCHANGED, "fixed, never written")
    if override is not None:
        return Decision(
            result=override,
            verdict=FieldVerdict.APPLIED,
            reason="the owner decided for every unit that holds this fact",
        )
    return None if case.lost is None else _decide_lost(given, case)


def decide(given: MergeInput, case: FieldCase) -> Decision:
    """Decide about one field.

    Raises:
        InputError: an answer was given that is none of the choices.
    """
    apart = _decide_apart(given, case)
    if apart is not None:
        return apart
    if case.current is None:
        return _decide_missing(case)
    if case.target is None:
        return _decide_without_target(case)
    if case.current == case.target:
        return _decide_equal(case)
    return _decide_donor(case) if given.origin is Origin.DONOR else _decide_host(given, case)
