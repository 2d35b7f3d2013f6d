"""Edges of the load analysis."""

from dataclasses import replace

import pytest

from donorfit.errors import InputError
from donorfit.network import analyse_load, compare_load
from donorfit.network.frame_bits import compute_priority
from donorfit.vehicle.network import NetworkKind


def test_what_cannot_be_analysed_is_said(message, network):
    there = network(
        message("A", 1),
        message("B", 2, None),
        message("D", 4, length_bytes=64),
        message("E", 5, length_bytes=65, can_fd=True),
        message("F", 6, length_bytes=-1),
        message("G", 7, -5),
    )
    report = analyse_load(there)
    assert [each.message for each in report.responses] == ["A"]
    assert len(report.left_out) == 5


def test_what_is_assumed_of_flexible_frames_is_said(message, network):
    """A frame that may not switch is counted at the slow rate: the longer time."""
    said = message("A", 1, can_fd=True, length_bytes=64, bit_rate_switch=True)
    unsaid = replace(said, name="B", frame_id=2, bit_rate_switch=None)
    stays = replace(said, name="C", frame_id=3, bit_rate_switch=False)
    there = replace(network(said, unsaid, stays, message("D", 4)), data_bit_rate=2_000_000)
    report = analyse_load(there)
    lengths = {each.message: each.frame_us for each in report.responses}
    assert lengths["B"] == lengths["C"] == 712 * 2
    assert lengths["A"] == 34 * 2 + (712 - 34) * 0.5
    assert lengths["D"] == 270
    assert [each.partition(":")[0] for each in report.assumed] == ["B", "C"]
    slow = analyse_load(replace(there, data_bit_rate=0))
    assert [each.partition(":")[0] for each in slow.assumed] == ["A", "B", "C"]
    assert slow.worst_load > report.worst_load


def test_refusals(message, network):
    plain = network(message("A", 1))
    for wrong in (replace(plain, bit_rate=0), replace(plain, kind=NetworkKind.LIN)):
        with pytest.raises(InputError):
            analyse_load(wrong)


def test_an_overloaded_bus_ends_and_names_the_late(message, network):
    there = network(*(message(f"M{n}", n, 1) for n in range(12)), bit_rate=500_000)
    report = analyse_load(there)
    assert report.worst_load > 1
    assert report.late
    assert report.find("M0").in_time
    assert report.find("M11").worst_us is None


def test_the_first_to_be_late_only_afterwards(message, network):
    there = network(*(message(f"M{n}", n + 2, 2) for n in range(6)))
    answer = compare_load(there, [message("N", 1, 1)])
    assert not answer.before.late
    assert answer.first_late is not None
    assert answer.first_late.message in {each.message for each in answer.after.late}
    assert compare_load(there, []).first_late is None


def test_a_standard_frame_beats_an_extended_one_with_the_same_base(message):
    """Order of common practice: 0x033, 0x00CC0001 (base 0x033), 0x123, 0x0CF00400."""
    frames = [
        message("D", 0x0CF00400, extended=True),
        message("C", 0x123),
        message("B", 0x00CC0001, extended=True),
        message("A", 0x033),
    ]
    assert [each.name for each in sorted(frames, key=compute_priority)] == ["A", "B", "C", "D"]


def test_no_message_is_no_load(network):
    assert analyse_load(network()).worst_load == 0
