"""What a car keeps while it is switched off."""

import json

import pytest

from donorfit.edge.packs.memory_files import read_memory, write_memory
from donorfit.errors import InputError
from donorfit.simulator.car import SimulatedCar

GATEWAY, TOW = 0x1010, 0x1071


@pytest.fixture
def used(asker):
    """A car with a changed list, a locked unit, and cleared codes."""
    asker.unlock(GATEWAY, 1)
    content = "2107" + b"A001L110T042".hex() + "00" * 28
    asker.ask(GATEWAY, "2e1001" + content)
    asker.ask(GATEWAY, "14ffffff")
    asker.ask(TOW, "1003")
    for _ in range(3):
        asker.ask(TOW, "2703")
        asker.ask(TOW, "270400000000")
    return asker


def test_a_stopped_car_goes_on(used, scenario, tmp_path):
    path = tmp_path / "state.json"
    write_memory(path, used.car.save(used.now_s))
    car = SimulatedCar(scenario, saved=read_memory(path))
    assert car.handle(TOW, b"\x10\x03", 5000.0)[0].pdu[0] == 0x50
    assert car.handle(TOW, b"\x27\x03", 5000.0)[0].pdu == b"\x7f\x27\x37"
    assert car.memory("gateway").records == used.car.memory("gateway").records
    statuses = [status for _, status in car.memory("gateway").faults]
    assert statuses == [0x50] * 3
    car.handle(TOW, b"\x3e\x80", 5002.1)
    assert [status for _, status in car.memory("gateway").faults] == [0, 0, 0]
    assert car.memory("gateway").session == 1
    assert list(tmp_path.iterdir()) == [path]  # nothing left beside it


def test_ignition_begins_a_cycle_in_every_unit(asker):
    asker.ask(GATEWAY, "1003")
    asker.car.cycle_ignition(asker.now_s)
    assert asker.ask(GATEWAY, "3e00") == ""
    asker.wait(3.1)
    assert asker.ask(GATEWAY, "22f186") == "62f18601"
    assert asker.car.memory("body").faults[1][1] & 0x40


def test_no_file_yet(tmp_path):
    assert read_memory(tmp_path / "none.json") is None


@pytest.mark.parametrize("raw", [b"", b"{", b"[]", b"\xff\xfe", b"[" * 100_000])
def test_files_that_are_no_state(tmp_path, raw):
    path = tmp_path / "state.json"
    path.write_bytes(raw)
    with pytest.raises(InputError) as caught:
        read_memory(path)
    assert str(path) in str(caught.value)


def test_folders_that_cannot_be_used(tmp_path):
    with pytest.raises(InputError):
        read_memory(tmp_path)
    with pytest.raises(InputError):
        write_memory(tmp_path / "none" / "state.json", {})


@pytest.mark.parametrize(
    "spoil",
    [
        lambda saved: saved.update(format="other"),
        lambda saved: saved.update(title="other"),
        lambda saved: saved.pop("units"),
        lambda saved: saved.update(seen=[1]),
        lambda saved: saved.update(charge_ah="much"),
        lambda saved: saved["units"].pop("body"),
        lambda saved: saved["units"].update(body=3),
        lambda saved: saved["units"]["body"].update(faults=[]),
        lambda saved: saved["units"]["body"]["faults"].__setitem__(0, [300, 0]),
        lambda saved: saved["units"]["body"]["memory"].update({"0601": "0"}),
        lambda saved: saved["units"]["body"]["memory"].update({"0699": "00"}),
    ],
)
def test_damaged_memory_is_refused_before_the_car_runs(used, scenario, spoil):
    saved = json.loads(json.dumps(used.car.save(used.now_s)))
    spoil(saved)
    with pytest.raises(InputError):
        SimulatedCar(scenario, saved=saved)
