"""A LIN bus and one more node on it."""

from dataclasses import replace

import pytest

from donorfit.errors import InputError
from donorfit.network.lin_fit import (
    LinDoubtKind,
    check_lin,
    compute_longest_us,
    compute_nominal_us,
)
from donorfit.vehicle.lin import LinCluster, LinNode, LinSchedule, LinSlot, SlotKind
from donorfit.vehicle.network import NetworkKind


def make_slot(frame: str, delay_us: int = 10_000, kind: SlotKind = SlotKind.FRAME) -> LinSlot:
    return LinSlot(kind=kind, frame=frame, delay_us=delay_us)


DIAGNOSIS = LinSchedule(
    name="diagnosis",
    slots=(
        make_slot("", kind=SlotKind.MASTER_REQUEST),
        make_slot("", kind=SlotKind.SLAVE_RESPONSE),
    ),
)


@pytest.fixture
def bus(message, network):
    there = network(
        message("Ask", 1, length_bytes=2, senders=("head",)),
        message("Tell", 2, length_bytes=4, senders=("seat",)),
        name="lin_seat",
        bit_rate=19_200,
    )
    return replace(
        there,
        kind=NetworkKind.LIN,
        lin=LinCluster(
            protocol="2.1",
            nodes=(LinNode(name="head", master=True), LinNode(name="seat", node_address=1)),
            schedules=(
                LinSchedule(name="normal", slots=(make_slot("Ask"), make_slot("Tell"))),
                DIAGNOSIS,
            ),
        ),
    )


def list_kinds(report) -> list[LinDoubtKind]:
    return [each.kind for each in report.doubts]


def test_a_sound_bus_has_no_doubt(bus) -> None:
    report = check_lin(bus)
    assert report.doubts == ()
    assert all(slot.fits for slot in report.slots)
    assert len(report.slots) == 4


def test_a_slot_too_short(bus) -> None:
    """8 bytes at 19.2 kbit/s: 124 bits, 6.46 ms, at most 9.04 ms."""
    tight = LinSchedule(name="tight", slots=(make_slot("Ask", 4_600), make_slot("Tell", 6_200)))
    there = replace(bus, lin=replace(bus.lin, schedules=(tight, DIAGNOSIS)))
    (doubt,) = check_lin(there).doubts
    assert doubt.kind is LinDoubtKind.SLOT_TOO_SHORT
    assert doubt.subject == "tight: Ask"
    jittering = replace(there, lin=replace(there.lin, jitter_us=1_500))
    assert list_kinds(check_lin(jittering)).count(LinDoubtKind.SLOT_TOO_SHORT) == 4


def test_addresses(bus) -> None:
    nodes = (
        *bus.lin.nodes,
        LinNode(name="lamp", node_address=1),
        LinNode(name="x", node_address=127),
    )
    kinds = list_kinds(check_lin(replace(bus, lin=replace(bus.lin, nodes=nodes))))
    assert kinds == [LinDoubtKind.ADDRESS_RESERVED, LinDoubtKind.ADDRESS_TWICE]


def test_a_module_that_nobody_asks(bus, message) -> None:
    own = replace(
        bus,
        bit_rate=9_600,
        messages=(
            message("State", 7, length_bytes=8, senders=("mirror",)),
            message("Tell", 2, length_bytes=2, senders=("mirror",)),
            message("FromMaster", 9, length_bytes=2, senders=("other_head",)),
        ),
        lin=LinCluster(
            protocol="1.3",
            nodes=(
                LinNode(name="other_head", master=True),
                LinNode(name="mirror", node_address=1),
            ),
        ),
    )
    report = check_lin(bus, own)
    assert list_kinds(report) == [
        LinDoubtKind.OTHER_BIT_RATE,
        LinDoubtKind.OTHER_CHECKSUM,
        LinDoubtKind.ADDRESS_TWICE,
        LinDoubtKind.IDENTIFIER_TWICE,
        LinDoubtKind.NEVER_ASKED,
    ]
    assert report.doubts[-1].subject == "State"


def test_bad_values_are_said(bus, message) -> None:
    there = replace(
        bus,
        messages=(
            *bus.messages,
            message("Far", 60, length_bytes=2),
            message("Long", 5, length_bytes=9),
            message("Below", 6, length_bytes=-1),
        ),
    )
    kinds = list_kinds(check_lin(there))
    assert kinds.count(LinDoubtKind.LENGTH) == 2
    assert LinDoubtKind.IDENTIFIER_RESERVED in kinds
    no_tables = replace(bus, lin=replace(bus.lin, schedules=(bus.lin.schedules[0],)))
    assert list_kinds(check_lin(no_tables)) == [LinDoubtKind.NO_DIAGNOSIS]
    for wrong in (replace(bus, bit_rate=0), replace(bus, kind=NetworkKind.CAN)):
        with pytest.raises(InputError):
            check_lin(wrong)
        with pytest.raises(InputError):
            check_lin(bus, wrong)


def test_what_cannot_be_timed(bus) -> None:
    for length, rate in ((-1, 19_200), (9, 19_200), (2, 0), (2, -5)):
        with pytest.raises(InputError):
            compute_nominal_us(length, rate)
        with pytest.raises(InputError):
            compute_longest_us(length, rate)
