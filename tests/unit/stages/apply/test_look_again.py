"""What earlier parts of the work claim is looked at before it is relied on."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "job"))
from toys import RECORD, ToyCourier, make_car, make_pack, make_plan, make_preparation
from toys import Schedule as Cuts

from donorfit.diagnostics.conversation import Download, Exchange, Mark, Noted, Pause, Paused
from donorfit.records.change_record import StepState
from donorfit.stages.apply.look_again import Claims, apply_again
from donorfit.vehicle.control_unit import SOFTWARE_IDENTIFIER

PLAN = make_plan()
STATES = StepState


async def _answer(courier, ask):
    return await courier.carry(ask)


def run(car, claims, *, stop=False):
    """Carry the toy plan out on a car; the record, and how many changes were sent."""
    strand = apply_again(
        make_pack(), PLAN, make_preparation(PLAN), {"three.bin": b"soft"}, claims=claims
    )
    courier, sent, reply = ToyCourier(car, Cuts()), 0, None
    if stop:
        car.units[1].memory.pop(0xF190)
    while True:
        try:
            ask = strand.send(reply)
        except StopIteration as end:
            return end.value, sent
        match ask:
            case Mark():
                reply = Noted()
            case Pause():
                reply = Paused()
            case Exchange() | Download():
                if isinstance(ask, Download) or ask.pdu[0] in {0x2E, 0x11, 0x14}:
                    sent += 1
                try:
                    _answer(courier, ask).send(None)
                except StopIteration as done:
                    reply = done.value


def make_changed_car():
    car = make_car()
    car.units[1].memory[0x2000] = b"new list"
    car.units[2].memory[RECORD] = b"\x01\x07"
    return car


BOTH = frozenset({"s01", "s02"})


def list_states(change):
    return [each.state for each in change.steps]


def test_what_holds_is_no_obstacle() -> None:
    change, sent = run(make_changed_car(), Claims(closed=BOTH))
    assert change.finished
    assert sent == 4


def test_a_closed_step_that_the_car_no_longer_holds_stops_everything() -> None:
    car = make_changed_car()
    car.units[2].memory[RECORD] = b"\x01\x02"
    change, sent = run(car, Claims(closed=BOTH))
    assert not sent
    assert not change.finished
    assert "not as this run left it: s02" in change.stop_reason
    assert list_states(change)[:3] == [STATES.DONE, STATES.NOT_REACHED, STATES.NOT_REACHED]
    assert "holds the old bytes again" in change.steps[1].detail
    assert change.changed == ("one",)


def test_bytes_of_somebody_else_are_told() -> None:
    car = make_changed_car()
    car.units[1].memory[0x2000] = b"not ours"
    change, sent = run(car, Claims(closed=BOTH))
    assert not sent
    assert (change.steps[0].state, change.steps[0].held) == (STATES.DIFFERS, b"not ours")


def test_old_software_that_is_there_again_stops_everything() -> None:
    change, sent = run(make_changed_car(), Claims(closed=frozenset({"s04"})))
    assert not sent
    assert "reports 2.0 again" in change.steps[3].detail


@pytest.mark.parametrize("version", [None, b"boot"])
def test_a_unit_in_its_boot_loader_is_looked_at_again_afterwards(version) -> None:
    car = make_changed_car()
    del car.units[2].memory[RECORD]
    if version is None:
        car.units[3].memory.pop(SOFTWARE_IDENTIFIER)
    else:
        car.units[3].memory[SOFTWARE_IDENTIFIER] = version
    change, _ = run(car, Claims(closed=frozenset({"s02"})))
    assert not change.finished
    assert change.steps[1].state in {STATES.UNCERTAIN, STATES.REFUSED}


def test_what_earlier_runs_did_is_said_as_it_is_found_where_the_run_stops_early() -> None:
    car = make_changed_car()
    car.units[2].memory[RECORD] = b"\x01\x02"
    change, sent = run(car, Claims(earlier=BOTH), stop=True)
    assert not sent
    assert list_states(change)[:2] == [STATES.DONE, STATES.NOT_REACHED]
    assert "read back equal now" in change.steps[0].detail
    assert "holds the old bytes again" in change.steps[1].detail
    assert change.changed == ("one",)


def test_what_earlier_runs_did_and_is_gone_is_done_again() -> None:
    change, sent = run(make_car(), Claims(earlier=BOTH))
    assert change.finished
    assert sent == 6


def test_without_claims_nothing_more_is_asked() -> None:
    change, sent = run(make_car(), Claims())
    assert change.finished
    assert sent == 6
