"""A merged record is read back before it is trusted."""

from dataclasses import replace

import pytest

from donorfit.configuration import MergeInput, check_merged, derive, merge
from donorfit.errors import VerifyError
from donorfit.vehicle.expression import Facts, parse_condition
from donorfit.vehicle.identity import BuildMonth, DataIdentifier, OptionName, UnitId
from donorfit.vehicle.layout import Checksum, DerivationRule, Field, Layout

LAYOUT = Layout(
    length_bytes=2,
    fields=(
        Field(
            name="tow",
            title="Tow",
            first_bit=0,
            bit_length=1,
            rules=(
                DerivationRule(condition=parse_condition("tow"), raw=1),
                DerivationRule(condition=parse_condition("always"), raw=0),
            ),
        ),
    ),
    checksum=Checksum(algorithm="sum8", byte=1, first_byte=0, last_byte=0),
)
BEFORE = Facts(options=frozenset(), month=BuildMonth.parse("2020-03"))
AFTER = replace(BEFORE, options=frozenset((OptionName("tow"),)))
GIVEN = MergeInput(
    unit=UnitId("body"),
    identifier=DataIdentifier(1),
    record="Body",
    layout_before=LAYOUT,
    layout_after=LAYOUT,
    base=derive(LAYOUT, BEFORE),
    current=bytes.fromhex("8080"),
    target=derive(LAYOUT, AFTER),
)


def test_a_right_merge_passes() -> None:
    result = merge(GIVEN)
    assert result.after == bytes.fromhex("8181")
    check_merged(LAYOUT, AFTER, result, GIVEN.where)


@pytest.mark.parametrize(
    ("after", "why"), [("8080", "the bytes hold 0"), ("8180", "checksum is wrong")]
)
def test_bytes_that_do_not_hold_the_decision_are_stopped(after: str, why: str) -> None:
    result = replace(merge(GIVEN), after=bytes.fromhex(after))
    with pytest.raises(VerifyError, match=why):
        check_merged(LAYOUT, AFTER, result, GIVEN.where)


def test_a_value_that_the_new_list_does_not_give_is_stopped() -> None:
    with pytest.raises(VerifyError, match="derived 0, the merge took 1"):
        check_merged(LAYOUT, BEFORE, merge(GIVEN), GIVEN.where)


def test_overlapping_fields_are_noticed() -> None:
    both = replace(
        LAYOUT,
        checksum=None,
        fields=(
            *LAYOUT.fields,
            Field(
                name="all",
                title="All",
                first_bit=7,
                bit_length=8,
                rules=(DerivationRule(condition=parse_condition("always"), raw=0x80),),
            ),
        ),
    )
    given = replace(
        GIVEN,
        layout_before=both,
        layout_after=both,
        base=derive(both, BEFORE),
        target=derive(both, AFTER),
    )
    with pytest.raises(VerifyError, match="tow: decided 1, the bytes hold 0"):
        check_merged(both, AFTER, merge(given), "body")


def test_a_blocked_merge_has_nothing_to_check() -> None:
    result = merge(replace(GIVEN, current=bytes.fromhex("8000")))
    assert result.blocked
    check_merged(LAYOUT, AFTER, result, GIVEN.where)
