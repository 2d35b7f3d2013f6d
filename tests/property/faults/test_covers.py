"""Cheapest covers against brute force; comparison of fault codes on random lists."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donorfit.faults import compare_faults, covers
from donorfit.faults.covers import TIE_LIMIT, find_covers, split_groups
from donorfit.records.proof import FaultVerdict
from donorfit.records.survey import FaultRead, UnitSurvey
from donorfit.vehicle.identity import Address, FaultCode, UnitId

options = st.dictionaries(
    st.integers(0, 9), st.frozensets(st.integers(0, 7), min_size=1, max_size=4), max_size=8
)
costs = st.lists(st.integers(1, 6), min_size=8, max_size=8)


def try_all(
    options_of: dict[int, frozenset[int]], cost: list[int]
) -> tuple[int, list[tuple[int, ...]]]:
    covers = [
        (sum(cost[each] for each in chosen), chosen)
        for size in range(9)
        for chosen in combinations(range(8), size)
        if all(sets & set(chosen) for sets in options_of.values())
    ]
    best = min(each for each, _ in covers)
    return best, sorted(chosen for total, chosen in covers if total == best)


@given(options, costs)
def test_covers_equal_brute_force(options_of: dict[int, frozenset[int]], cost: list[int]) -> None:
    found = find_covers(options_of, dict(enumerate(cost)))
    assert (found.cost, list(found.covers)) == try_all(options_of, cost)
    assert found.proved


@given(options, costs)
def test_groups_are_independent_and_their_costs_add_up(
    options_of: dict[int, frozenset[int]], cost: list[int]
) -> None:
    groups = split_groups(options_of)
    assert sorted(each for group in groups for each in group) == sorted(options_of)
    used = [frozenset().union(*(options_of[each] for each in group)) for group in groups]
    assert all(not a & b for a, b in combinations(used, 2))
    parts = [
        find_covers({e: options_of[e] for e in group}, dict(enumerate(cost))) for group in groups
    ]
    whole = find_covers(options_of, dict(enumerate(cost)))
    assert sum(each.cost for each in parts) == whole.cost


def test_ties_beyond_the_list_are_counted() -> None:
    options_of = {element: frozenset((2 * element, 2 * element + 1)) for element in range(12)}
    found = find_covers(options_of, dict.fromkeys(range(24), 1))
    assert (found.cost, found.ties, len(found.covers)) == (12, 2**12, TIE_LIMIT)
    assert found.proved


def test_a_search_that_is_cut_off_says_so_and_still_covers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(covers, "WORK_LIMIT", 50)
    options_of = {n: frozenset((n % 17, n * 7 % 19, n * 11 % 23)) for n in range(60)}
    found = find_covers(options_of, dict.fromkeys(range(23), 1))
    assert not found.proved
    assert all(options_of[n] & set(found.covers[0]) for n in options_of)


faults = st.lists(st.tuples(st.integers(-2, 0x1000002), st.integers(-1, 0x1FF)), max_size=12)


def make_survey(entries: list[tuple[int, int]], availability: int) -> UnitSurvey:
    return UnitSurvey(
        unit=UnitId("u"),
        address=Address(1),
        answered=True,
        faults=tuple(FaultRead(code=FaultCode(code), status=status) for code, status in entries),
        fault_availability=availability,
    )


@given(faults, faults, st.integers(0, 0xFF))
def test_comparison_never_calls_untested_or_failing_codes_gone(
    before: list[tuple[int, int]], after: list[tuple[int, int]], availability: int
) -> None:
    rows = compare_faults(
        [make_survey(before, availability)], [make_survey(after, availability)], [], []
    )
    assert len({row.code for row in rows}) == len(rows)
    for row in rows:
        status = row.status_after
        if row.verdict is FaultVerdict.GONE:
            assert status is None or status & 0x4B == 0
        if row.verdict is FaultVerdict.NEW:
            assert status is not None
            assert status & 0x0B
            assert not (row.status_before or 0) & 0x2F
        assert row.verdict is not FaultVerdict.STILL_THERE


@given(faults)
def test_nothing_new_where_nothing_changed(entries: list[tuple[int, int]]) -> None:
    rows = compare_faults([make_survey(entries, 0xFF)], [make_survey(entries, 0xFF)], [], [])
    assert all(row.verdict is not FaultVerdict.NEW for row in rows)
