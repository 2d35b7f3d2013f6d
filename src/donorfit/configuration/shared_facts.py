"""Facts that several units hold: do they still agree after the merge?

A field names the fact it holds (``same_fact``). Two fields of one fact are compared by meaning:
by the name of the value, by the physical value, or by the number.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from donorfit.configuration.fields import describe_value, get_meaning
from donorfit.errors import InputError
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import FieldEdit, FieldVerdict, OpenQuestion
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.layout import Field

LEAVE = "leave as they are"


@dataclass(frozen=True, slots=True, kw_only=True)
class FactHolder:
    """One field that holds a shared fact, after the merge of its record.

    Attributes:
        unit: the control unit.
        identifier: data identifier of the record.
        field: the field in the layout after.
        edit: what the merge decided; for a record that is only read, its value three times.
        writable: whether the plan may write it.
    """

    unit: UnitId
    identifier: DataIdentifier
    field: Field
    edit: FieldEdit
    writable: bool = True

    @property
    def meaning(self) -> str | float | None:
        """What the field says after the merge."""
        return None if self.edit.result is None else get_meaning(self.field, self.edit.result)

    @property
    def meaning_before(self) -> str | float | None:
        """What the field said before."""
        return None if self.edit.current is None else get_meaning(self.field, self.edit.current)

    def describe(self) -> str:
        """Unit, field and value in words."""
        return f"{self.unit}: {self.field.title} {describe_value(self.field, self.edit.result)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FactOverride:
    """A value that the owner's answer about a shared fact gives one field."""

    unit: UnitId
    identifier: DataIdentifier
    field: str
    raw: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FactAnswer:
    """What the comparison of shared facts comes to.

    Attributes:
        overrides: values to merge again with, from answers already given.
        questions: facts whose holders would disagree.
        findings: what else has to be said.
        agreeing: unit, identifier and field of values kept from the owner that are what the new
            list demands of the same fact elsewhere, so that they are no customisation any more.
    """

    overrides: tuple[FactOverride, ...] = ()
    questions: tuple[OpenQuestion, ...] = ()
    findings: tuple[Finding, ...] = ()
    agreeing: tuple[tuple[UnitId, DataIdentifier, str], ...] = ()


def _find_raw(field: Field, meaning: str) -> int | None:
    """The raw value with which a field says a meaning; None where it cannot."""
    for choice in field.choices:
        if choice.name == meaning:
            return choice.raw
    try:
        value = float(meaning)
    except ValueError:
        return None
    if field.scale is None:
        return int(value) if value.is_integer() else None
    return round((value - field.scale.offset) / field.scale.factor)


def _override(fact: str, holders: list[FactHolder], chosen: str) -> tuple[FactOverride, ...]:
    found = []
    for each in holders:
        raw = _find_raw(each.field, chosen)
        if str(each.meaning) == chosen or not each.writable:
            continue
        if raw is None:
            raise InputError(
                what=f"{each.unit} cannot hold {chosen!r} for {fact!r}.",
                where=f"{each.unit}, 0x{each.identifier:04X}, field {each.field.name!r}",
                next_step="Choose a value that every unit can hold, or leave them as they are.",
            )
        found.append(
            FactOverride(
                unit=each.unit, identifier=each.identifier, field=each.field.name, raw=raw
            )
        )
    return tuple(found)


def _report_old(fact: str, holders: list[FactHolder]) -> Finding:
    return Finding(
        id="shared-fact-disagrees",
        severity=Severity.WARNING,
        what=f"Units disagree about {fact!r} already, and the plan does not change that.",
        where=", ".join(sorted({each.unit for each in holders})),
        evidence=tuple(each.describe() for each in holders),
        next_step="Decide which one is right; a fault code may point to the wrong one.",
    )


def _judge_fact(fact: str, holders: list[FactHolder], answer: str) -> FactAnswer:
    meanings = {str(each.meaning) for each in holders}
    if len(meanings) == 1:
        demanded = any(each.edit.verdict is FieldVerdict.APPLIED for each in holders)
        return FactAnswer(
            agreeing=tuple(
                (each.unit, each.identifier, each.field.name)
                for each in holders
                if demanded and each.edit.verdict is FieldVerdict.KEPT
            )
        )
    if all(each.meaning == each.meaning_before for each in holders):
        return FactAnswer(findings=(_report_old(fact, holders),))
    fixed = {str(each.meaning) for each in holders if not each.writable}
    offered = tuple(sorted(fixed if len(fixed) == 1 else meanings))
    choices = (*offered, LEAVE)
    if answer and answer not in choices:
        raise InputError(
            what=f"{answer!r} is no answer to the question about {fact!r}.",
            why=f"The answers are {', '.join(map(repr, choices))}.",
            next_step="Answer the question again.",
        )
    text = (
        f"After the change units would disagree about {fact!r}: "
        f"{'; '.join(each.describe() for each in holders)}. Which value shall all of them hold?"
    )
    question = OpenQuestion(id=f"fact-{fact}", text=text, choices=choices, chosen=answer)
    overrides = _override(fact, holders, answer) if answer and answer != LEAVE else ()
    return FactAnswer(overrides=overrides, questions=(question,))


def check_shared_facts(
    holders: Iterable[FactHolder], answers: Iterable[tuple[str, str]] = ()
) -> FactAnswer:
    """Compare every fact over all units that hold it, after all their records were merged.

    Raises:
        InputError: an answer is none of the choices, or a unit cannot hold the value chosen.
    """
    by_fact: dict[str, list[FactHolder]] = {}
    for each in holders:
        if each.field.same_fact and each.edit.result is not None:
            by_fact.setdefault(each.field.same_fact, []).append(each)
    given = dict(answers)
    parts = [
        _judge_fact(fact, by_fact[fact], given.get(f"fact-{fact}", "")) for fact in sorted(by_fact)
    ]
    return FactAnswer(
        overrides=tuple(each for part in parts for each in part.overrides),
        questions=tuple(each for part in parts for each in part.questions),
        findings=tuple(each for part in parts for each in part.findings),
        agreeing=tuple(each for part in parts for each in part.agreeing),
    )
