"""What follows from option list, build month and software: derived field values."""

from dataclasses import dataclass

from donorfit.configuration.checksums import write_checksum
from donorfit.configuration.fields import describe_value, write_fields
from donorfit.vehicle.expression import Facts, holds, write_condition
from donorfit.vehicle.layout import DerivationRule, Field, FieldKind, Layout


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedValue:
    """The derived value of one field.

    Attributes:
        name: field.
        raw: raw value; None where it cannot be told.
        possible: raw values that come into question; None among them where perhaps no rule
            applies. One value where ``raw`` is known.
        reason: the rule behind it, or why it cannot be told.
    """

    name: str
    raw: int | None
    possible: tuple[int | None, ...]
    reason: str


def _name_rule(field: Field, rule: DerivationRule) -> str:
    condition = write_condition(rule.condition)
    value = describe_value(field, rule.raw)
    return (
        f"{value} where nothing else applies"
        if condition == "always"
        else f"{condition} gives {value}"
    )


def _derive_field(field: Field, facts: Facts) -> DerivedValue:
    """Follow the rules; one that cannot be judged adds a possible value and goes on."""
    possible: list[int | None] = []
    told: list[str] = []
    for rule in field.rules:
        verdict = holds(rule.condition, facts)
        if verdict is False:
            continue
        if rule.raw not in possible:
            possible.append(rule.raw)
        told.append(_name_rule(field, rule))
        if verdict:
            break
    else:
        possible.append(None)
    if possible == [None]:
        reason = (
            "no rule applies to this car" if field.rules else "the pack has no rule for this field"
        )
        return DerivedValue(name=field.name, raw=None, possible=(None,), reason=reason)
    if len(possible) == 1:
        return DerivedValue(
            name=field.name, raw=possible[0], possible=tuple(possible), reason=told[-1]
        )
    reason = f"the software version decides and is not known: {'; '.join(told)}"
    return DerivedValue(name=field.name, raw=None, possible=tuple(possible), reason=reason)


def derive(layout: Layout, facts: Facts) -> tuple[DerivedValue, ...]:
    """Derived value of every field of a layout, in its order.

    Per-car fields are never predicted. A fixed field has a value only where the pack gives rules
    for it.
    """
    return tuple(
        DerivedValue(name=field.name, raw=None, possible=(None,), reason="differs from car to car")
        if field.kind is FieldKind.PER_CAR
        else _derive_field(field, facts)
        for field in layout.fields
    )


def derive_bytes(layout: Layout, facts: Facts, start: bytes) -> bytes:
    """A whole record: ``start`` with every derived value that can be told, and its checksum.

    Raises:
        InputError: a rule's value does not fit its field, or ``start`` is too short.
    """
    known = [(each.name, each.raw) for each in derive(layout, facts) if each.raw is not None]
    data = write_fields(layout, start, known)
    return data if layout.checksum is None else write_checksum(layout.checksum, data)
