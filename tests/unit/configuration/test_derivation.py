"""What follows from option list, month and software; not known where software decides."""

from typing import Any

from donorfit.configuration import derive, derive_bytes
from donorfit.vehicle.expression import Facts, parse_condition
from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion
from donorfit.vehicle.layout import Checksum, DerivationRule, Field, FieldKind, Layout


def make_field(name: str, bit: Any, *rules: Any, kind: Any = FieldKind.DERIVED) -> Any:
    return Field(
        name=name,
        title=name,
        first_bit=bit,
        bit_length=8,
        kind=kind,
        rules=tuple(DerivationRule(condition=parse_condition(c), raw=r) for c, r in rules),
    )


def make_facts(*options: Any, month: str = "2021-07", software: Any = None) -> Any:
    return Facts(
        options=frozenset(map(OptionName, options)),
        month=BuildMonth.parse(month),
        software=None if software is None else SoftwareVersion.parse(software),
    )


def derive_one(field: Field, facts: Facts) -> Any:
    return derive(Layout(length_bytes=1, fields=(field,)), facts)[0]


def test_the_first_rule_that_holds_decides() -> None:
    field = make_field("a", 7, ("tow & led", 3), ("tow", 2), ("always", 1))
    assert derive_one(field, make_facts("tow", "led")).raw == 3
    assert derive_one(field, make_facts("tow")).raw == 2
    found = derive_one(field, make_facts())
    assert (found.raw, found.possible, found.reason) == (1, (1,), "1 where nothing else applies")


def test_no_rule_that_holds_leaves_it_unknown() -> None:
    found = derive_one(make_field("a", 7, ("tow", 2)), make_facts())
    assert (found.raw, found.possible) == (None, (None,))
    assert found.reason == "no rule applies to this car"


def test_unknown_software_leaves_all_values_possible() -> None:
    field = make_field("a", 7, ("software >= 2.0", 5), ("tow", 4), ("always", 0))
    found = derive_one(field, make_facts("tow"))
    assert (found.raw, found.possible) == (None, (5, 4))
    assert "software version decides" in found.reason


def test_unknown_software_does_not_matter_where_both_ways_agree() -> None:
    field = make_field("a", 7, ("software >= 2.0", 4), ("tow", 4), ("always", 0))
    assert derive_one(field, make_facts("tow")).raw == 4


def test_an_undecided_last_rule_may_be_no_rule() -> None:
    found = derive_one(make_field("a", 7, ("software >= 2.0", 4)), make_facts())
    assert found.possible == (4, None)


def test_the_build_month_decides() -> None:
    field = make_field("a", 7, ("month >= 2021-07", 1), ("always", 0))
    assert derive_one(field, make_facts(month="2021-06")).raw == 0
    assert derive_one(field, make_facts(month="2021-07")).raw == 1


def test_per_car_fields_are_never_predicted() -> None:
    field = make_field("serial", 7, ("always", 9), kind=FieldKind.PER_CAR)
    assert derive_one(field, make_facts()).raw is None


def test_a_whole_record_with_its_checksum_keeps_what_is_not_derived() -> None:
    layout = Layout(
        length_bytes=4,
        fields=(
            make_field("a", 7, ("tow", 2), ("always", 0)),
            make_field("serial", 15, kind=FieldKind.PER_CAR),
        ),
        checksum=Checksum(algorithm="xor8", byte=3, first_byte=0, last_byte=2),
    )
    made = derive_bytes(layout, make_facts("tow"), bytes.fromhex("00 5A 77 00"))
    assert made == bytes([0x02, 0x5A, 0x77, 0x02 ^ 0x5A ^ 0x77])
