"""Conditions: read, judged, written, read again."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donorfit.vehicle.expression import (
    AllOf,
    Always,
    AnyOf,
    BuiltFrom,
    Facts,
    HasOption,
    Not,
    SoftwareFrom,
    holds,
    list_options,
    parse_condition,
    write_condition,
)
from donorfit.vehicle.identity import BuildMonth, OptionName, SoftwareVersion

NAMES = [OptionName(name) for name in ("tow", "led", "camera")]
leaves = st.one_of(
    st.just(Always()),
    st.sampled_from(NAMES).map(HasOption),
    st.integers(2018 * 12, 2025 * 12).map(lambda number: BuiltFrom(BuildMonth(number))),
    st.tuples(st.integers(0, 9), st.integers(0, 9)).map(
        lambda parts: SoftwareFrom(SoftwareVersion(parts))
    ),
)
conditions = st.recursive(
    leaves,
    lambda inner: st.one_of(
        inner.map(Not),
        st.lists(inner, min_size=2, max_size=4).map(lambda each: AllOf(tuple(each))),
        st.lists(inner, min_size=2, max_size=4).map(lambda each: AnyOf(tuple(each))),
    ),
    max_leaves=12,
)
facts = st.builds(
    Facts,
    options=st.frozensets(st.sampled_from(NAMES)),
    month=st.integers(2018 * 12, 2025 * 12).map(BuildMonth),
    software=st.none() | st.tuples(st.integers(0, 9), st.integers(0, 9)).map(SoftwareVersion),
)


@given(conditions, facts)
def test_what_is_written_means_the_same_when_it_is_read(condition, fact):
    assert holds(parse_condition(write_condition(condition)), fact) == holds(condition, fact)


@given(conditions, facts)
def test_an_unknown_version_is_unknown_or_does_not_matter(condition, fact):
    blind = Facts(options=fact.options, month=fact.month)
    value = holds(condition, blind)
    if value is not None:
        assert holds(condition, fact) == value


def test_precedence_and_comparisons():
    condition = parse_condition("tow | led & !camera & month >= 2021-07 & software < 3.10")
    month = BuildMonth.parse("2021-08")
    assert holds(condition, Facts(options=frozenset({"tow"}), month=BuildMonth.parse("2019-01")))
    assert holds(
        condition,
        Facts(options=frozenset({"led"}), month=month, software=SoftwareVersion.parse("3.9")),
    )
    assert holds(condition, Facts(options=frozenset({"led"}), month=month)) is None
    assert list_options(condition) == {"tow", "led", "camera"}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "tow &",
        "tow led",
        "(tow",
        "tow)",
        "month >= 2021-13",
        "software >= x",
        "1tow",
        "tow ^ led",
        "!" * 200 + "tow",
        "(" * 200 + "tow" + ")" * 200,
        "month",
        "a\x00b",
    ],
)
def test_rubbish_is_refused_with_a_reason(text):
    if text == "month":
        assert parse_condition(text) == HasOption(OptionName("month"))
        return
    with pytest.raises(ValueError, match=r".+"):
        parse_condition(text)
