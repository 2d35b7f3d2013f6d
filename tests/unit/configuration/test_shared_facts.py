"""Case 13: two units hold the same fact and would disagree after the merge."""

from dataclasses import replace
from typing import Any

import pytest

from donorfit.configuration import LEAVE, FactAnswer, FactHolder, check_shared_facts
from donorfit.errors import InputError
from donorfit.records.plan import FieldEdit, FieldVerdict
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.layout import Choice, Field, Scale

SOCKET = (Choice(raw=0, name="none"), Choice(raw=3, name="13 poles"))
OTHER = (Choice(raw=1, name="13 poles"), Choice(raw=2, name="none"))


def hold(
    unit: str,
    before: int,
    after: int,
    *,
    verdict: FieldVerdict = FieldVerdict.APPLIED,
    writable: bool = True,
    **field: Any,
) -> FactHolder:
    return FactHolder(
        unit=UnitId(unit),
        identifier=DataIdentifier(0x3001),
        field=Field(
            name="socket", title="Socket", first_bit=7, bit_length=8, same_fact="socket", **field
        ),
        edit=FieldEdit(
            name="socket",
            title="Socket",
            base=before,
            current=before,
            target=after,
            result=after,
            verdict=verdict,
        ),
        writable=writable,
    )


def test_units_that_code_the_same_value_differently_agree() -> None:
    found = check_shared_facts([hold("a", 0, 3, choices=SOCKET), hold("b", 2, 1, choices=OTHER)])
    assert found.questions == ()
    assert found.findings == ()


def test_physical_values_are_compared_in_their_unit() -> None:
    cm, mm = Scale(factor=1, offset=0, unit="cm"), Scale(factor=0.1, offset=0, unit="cm")
    assert (
        check_shared_facts([hold("a", 1, 20, scale=cm), hold("b", 9, 200, scale=mm)]).questions
        == ()
    )


def test_a_disagreement_after_the_merge_is_a_question() -> None:
    found = check_shared_facts([hold("a", 0, 3, choices=SOCKET), hold("b", 2, 2, choices=OTHER)])
    (question,) = found.questions
    assert question.id == "fact-socket"
    assert question.choices == ("13 poles", "none", LEAVE)
    assert "a: Socket 13 poles (3)" in question.text
    assert found.overrides == ()


def test_the_answer_becomes_a_value_in_every_other_unit() -> None:
    holders = [hold("a", 0, 3, choices=SOCKET), hold("b", 2, 2, choices=OTHER)]
    found = check_shared_facts(holders, [("fact-socket", "13 poles")])
    assert [(each.unit, each.raw) for each in found.overrides] == [("b", 1)]
    assert found.questions[0].chosen == "13 poles"
    assert check_shared_facts(holders, [("fact-socket", LEAVE)]).overrides == ()


def test_a_wrong_answer_is_refused() -> None:
    holders = [hold("a", 0, 3, choices=SOCKET), hold("b", 2, 2, choices=OTHER)]
    with pytest.raises(InputError, match="7 poles"):
        check_shared_facts(holders, [("fact-socket", "7 poles")])


def test_only_the_value_of_a_unit_that_is_never_written_is_offered() -> None:
    brake = hold("brake", 2, 2, choices=OTHER, writable=False)
    found = check_shared_facts([hold("a", 0, 3, choices=SOCKET), brake])
    assert found.questions[0].choices == ("none", LEAVE)


def test_a_value_that_a_unit_cannot_hold_is_refused() -> None:
    small = hold("b", 0, 0, choices=(Choice(raw=0, name="none"),))
    with pytest.raises(InputError, match="cannot hold '13 poles'"):
        check_shared_facts([hold("a", 0, 3, choices=SOCKET), small], [("fact-socket", "13 poles")])


def test_an_old_disagreement_is_a_finding_not_a_question() -> None:
    kept = {"verdict": FieldVerdict.UNCHANGED}
    found = check_shared_facts(
        [hold("a", 3, 3, choices=SOCKET, **kept), hold("b", 2, 2, choices=OTHER, **kept)]
    )
    assert found.questions == ()
    assert found.findings[0].id == "shared-fact-disagrees"


def test_an_owners_value_that_the_new_list_demands_elsewhere_is_no_customisation() -> None:
    kept = hold("a", 3, 3, choices=SOCKET, verdict=FieldVerdict.KEPT)
    found = check_shared_facts([kept, hold("b", 2, 1, choices=OTHER)])
    assert found.agreeing == (("a", 0x3001, "socket"),)


def test_numbers_and_scaled_values_are_overridden_in_each_units_own_coding() -> None:
    cm, mm = Scale(factor=1, offset=0, unit="cm"), Scale(factor=0.1, offset=0, unit="cm")
    holders = [hold("a", 1, 20, scale=cm), hold("b", 9, 90, scale=mm)]
    (question,) = check_shared_facts(holders).questions
    assert question.choices == ("20.0", "9.0", LEAVE)
    found = check_shared_facts(holders, [("fact-socket", "20.0")])
    assert [(each.unit, each.raw) for each in found.overrides] == [("b", 200)]
    plain = [hold("a", 1, 4), hold("b", 1, 5)]
    answered = check_shared_facts(plain, [("fact-socket", "5.0")])
    assert [(each.unit, each.raw) for each in answered.overrides] == [("a", 5)]


def test_fields_without_a_shared_fact_do_not_count() -> None:
    alone = hold("a", 0, 3)
    assert (
        check_shared_facts([replace(alone, field=replace(alone.field, same_fact=""))])
        == FactAnswer()
    )
