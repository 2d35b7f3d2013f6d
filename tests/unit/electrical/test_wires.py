"""Wires and fuses together."""

import pytest

from donorfit.electrical import (
    choose_fuse,
    compare_lists,
    compute_lead_drop,
    find_bundle_factor,
    list_parts,
    size_wire,
)
from donorfit.electrical.lead_drop import ReturnPath, find_resistance
from donorfit.electrical.wires import RATING_A
from donorfit.errors import InputError
from donorfit.records.plan import WireOrder


def test_both_tests_must_pass():
    assert choose_fuse(7.5, 12.75).rating_a == 10
    too_thin = choose_fuse(11.0, 12.75)
    assert (too_thin.found, too_thin.rating_a) == (False, 0)
    assert "15 A" in too_thin.reason
    assert not choose_fuse(31.0, 100).found


def test_a_share_that_straddles_a_standard_size_is_stated():
    assert choose_fuse(11.33, 20, continuous_share=0.80).rating_a == 15
    assert choose_fuse(11.33, 20, continuous_share=0.75).rating_a == 20
    assert "80%" in choose_fuse(11.33, 20, continuous_share=0.80).reason


def test_a_long_wire_is_thicker():
    sizes = [size_wire(5, length).cross_section_mm2 for length in (1, 5, 10, 20)]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[-1]
    assert "one size less" in size_wire(5, 10).reason


def test_what_no_listed_wire_carries_is_said():
    none = size_wire(60, 1)
    assert not none.found
    assert none.reason
    assert not size_wire(5, 500).found


def test_the_way_back_counts():
    both = compute_lead_drop(10, 4, 1.5)
    assert both == 2 * compute_lead_drop(10, 4, 1.5, return_path=ReturnPath.BODY)


def test_a_size_that_no_table_lists_is_refused():
    with pytest.raises(InputError) as caught:
        find_resistance(1.7)
    assert "1.5" in caught.value.next_step


@pytest.mark.parametrize(
    "facts",
    [
        {"current_a": -1, "length_m": 1},
        {"current_a": float("nan"), "length_m": 1},
        {"current_a": 1, "length_m": -1},
        {"current_a": 1, "length_m": float("inf")},
        {"current_a": 1, "length_m": 1, "allowed_drop_share": 0},
        {"current_a": 1, "length_m": 1, "supply_volts": 0},
        {"current_a": 1, "length_m": 1, "bundle_factor": 0},
        {"current_a": 1, "length_m": 1, "bundle_factor": float("nan")},
        {"current_a": 1, "length_m": 1, "temperature_c": float("nan")},
        {"current_a": 1, "length_m": 1, "continuous_share": 0},
    ],
)
def test_figures_that_no_wire_has(facts):
    with pytest.raises(InputError):
        size_wire(facts.pop("current_a"), facts.pop("length_m"), **facts)


def test_all_mistakes_of_a_lead_are_told_at_once():
    with pytest.raises(InputError) as caught:
        size_wire(-1, -2, supply_volts=0)
    assert all(text in caught.value.why for text in ("-1 A", "-2 m", "0 V"))
    with pytest.raises(InputError):
        compute_lead_drop(float("nan"), 1, 1.5)


def test_a_bundle_of_no_conductor():
    with pytest.raises(InputError):
        find_bundle_factor(0)
    assert find_bundle_factor(1) == 1
    assert find_bundle_factor(1000) == 0.38


def test_every_list_answers_by_name_and_none_beyond_what_it_lists():
    rows = compare_lists(20, 1)
    assert {row.name for row in rows} == {"towing", "general", "thin wall"}
    for row in rows:
        if row.wire.found:
            assert row.wire.fuse.rating_a <= row.wire.fuse.wire_rating_a
    chosen = size_wire(20, 1)
    assert chosen.cross_section_mm2 >= max(
        row.wire.cross_section_mm2 for row in rows if row.name != "general" and row.wire.found
    )


def test_the_lists_answer_for_the_same_share_of_the_fuse():
    narrow, wide = (
        {row.name: row.wire.fuse.rating_a for row in compare_lists(11.3, 1, continuous_share=s)}
        for s in (0.75, 0.80)
    )
    assert (narrow["general"], wide["general"]) == (20, 15)


def test_a_size_that_one_list_skips_carries_no_more_than_that_list_allows_for_it():
    """2.5 mm2 carries 17 A and 6 mm2 35 A in the lower list: 3 mm2 lies between, not at 25.5 A."""
    assert RATING_A[2.5] == 17
    assert RATING_A[3.0] == pytest.approx(17 + 18 * 0.5 / 3.5, abs=0.01)
    assert list(RATING_A.values()) == sorted(RATING_A.values())
    assert size_wire(11.3, 5).cross_section_mm2 == 6


def order(**facts):
    values = {
        "host_cavity": "h:1",
        "module_cavity": "m:1",
        "purpose": "supply",
        "cross_section_mm2": 1.5,
        "fuse_a": 0.0,
        "length_m": 0.3,
    }
    return WireOrder(**(values | facts))


def test_parts_are_counted_with_what_they_are_for():
    parts = {
        (line.part, line.unit): (line.quantity, line.used_for)
        for line in list_parts(
            [
                order(),
                order(module_cavity="m:2", host_cavity="", fuse_a=10, length_m=5),
                order(
                    module_cavity="m:3",
                    host_cavity="h:2",
                    purpose="optical in",
                    cross_section_mm2=0,
                ),
                order(
                    module_cavity="m:4",
                    host_cavity="h:3",
                    purpose="can high body",
                    cross_section_mm2=0.5,
                    note="twist with its partner",
                ),
                order(module_cavity="m:5", host_cavity="", cross_section_mm2=0, length_m=4),
            ]
        )
    }
    assert parts["cable 1.5 mm2", "m"] == (5.83, ("m:1", "m:2"))
    assert parts["cable 0.5 mm2, twisted in pairs", "m"][0] == 0.33
    assert parts["fuse 10 A", "pcs"] == (1, ("m:2",))
    assert parts["terminal for connector h", "pcs"][0] == 3
    assert parts["terminal for connector m", "pcs"][0] == 5
    assert parts["optical fibre with its plugs", "m"][1] == ("m:3",)
    assert parts["a feed that no listed cable fits: see the wire's note", "m"][1] == ("m:5",)
    assert list_parts([]) == ()
