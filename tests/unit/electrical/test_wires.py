"""Wires and fuses together."""

import pytest

from donorfit.electrical import choose_fuse, compute_lead_drop, size_wire
from donorfit.electrical.lead_drop import ReturnPath, find_resistance
from donorfit.errors import InputError


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
