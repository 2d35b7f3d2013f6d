"""Programming one unit: what the stage asks for, and what it makes of the outcomes."""

from dataclasses import replace
from pathlib import Path

import pytest

from donorfit.diagnostics.conversation import (
    Answered,
    Download,
    Exchange,
    NotSent,
    Pause,
    Paused,
    Refused,
    Unknown,
)
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step, StepKind
from donorfit.stages.apply.lanes import run_lane
from donorfit.stages.apply.program import make_watch, program
from donorfit.vehicle.identity import UnitId

OLD, NEW = "2.1.0", "2.3.0"


@pytest.fixture(scope="module")
def pack(repository: Path):
    return read_pack(repository / "src" / "donorfit" / "demo" / "pack")


@pytest.fixture(scope="module")
def unit(pack):
    return pack.find_unit(UnitId("tow_control"))


@pytest.fixture(scope="module")
def step(unit):
    block = unit.software_blocks[0]
    return Step(
        id="s01",
        kind=StepKind.PROGRAM,
        unit=unit.id,
        address=unit.address,
        network=unit.network,
        what="program",
        session=2,
        software_file=block.file,
        software_sha256=block.sha256,
        software_before=OLD,
        software_after=str(block.version),
        memory_address=block.memory_address,
        routine_check=block.routine_check,
    )


class Unit:
    """Answers readings; downloads get the outcomes of a list, after which it has the new version."""

    def __init__(self, *outcomes, version=OLD, hardware="MTC-270"):
        self.outcomes = list(outcomes)
        self.version, self.hardware = version, hardware
        self.downloads = []
        self.resets = 0

    def answer(self, ask):
        if isinstance(ask, Pause):
            return Paused()
        if isinstance(ask, Download):
            self.downloads.append(ask)
            outcome = self.outcomes.pop(0) if self.outcomes else Answered(pdu=b"")
            if isinstance(outcome, Answered):
                self.version = NEW
            return outcome
        assert isinstance(ask, Exchange)
        if ask.pdu[0] == 0x11:
            self.resets += 1
            return Answered(pdu=b"\x51\x01")
        values = {0xF189: self.version, 0xF191: self.hardware, 0xF18C: "S", 0xD010: None}
        value = values[int.from_bytes(ask.pdu[1:3], "big")]
        data = value.encode() if value is not None else (13_500).to_bytes(2, "big")
        return Answered(pdu=b"\x62" + ask.pdu[1:3] + data)

    def run(self, strand):
        reply = None
        while True:
            try:
                reply = self.answer(strand.send(reply))
            except StopIteration as stop:
                return stop.value


def start(unit, step, *, begun=False):
    return program(unit, step, bytes(unit.software_blocks[0].size_bytes), begun=begun)


def test_the_supply_of_the_pack_is_watched_through_the_lane(pack, unit, step):
    car = Unit()
    software = {step.software_file: bytes(unit.software_blocks[0].size_bytes)}
    end = car.run(run_lane(pack, (step,), software, frozenset(), marked=False))
    assert end.stop == ""
    (download,) = car.downloads
    watch = download.watch
    window = pack.supply
    assert watch == make_watch(pack)
    assert (watch.unit, watch.identifier) == (window.unit, window.identifier)
    assert (watch.lowest_volts, watch.highest_volts) == (window.lowest_volts, window.highest_volts)
    assert download.procedure == unit.software_blocks[0].procedure
    assert [each.size_bytes for each in download.places] == [20480, 12288]


def test_a_pack_without_supply_watches_nothing(pack):
    assert make_watch(replace(pack, supply=None)) is None
    elsewhere = replace(pack.supply, unit=UnitId("nobody"))
    assert make_watch(replace(pack, supply=elsewhere)) is None


def test_what_was_not_sent_is_tried_once_more_without_a_reset(unit, step):
    car = Unit(NotSent(why="no key"), NotSent(why="no key"))
    outcome = car.run(start(unit, step))
    assert outcome.state is StepState.NOT_BEGUN
    assert outcome.detail == "nothing was erased: no key"
    assert (len(car.downloads), car.resets) == (2, 0)


def test_what_was_not_sent_the_first_time_may_be_the_second(unit, step):
    car = Unit(NotSent(why="link lost"))
    assert car.run(start(unit, step)).state is StepState.DONE
    assert [each.resume for each in car.downloads] == [False, False]


@pytest.mark.parametrize(("place", "said"), [(0xF189, "software version"), (0xF191, "hardware")])
def test_silence_is_no_refusal_and_no_other_version(unit, step, place, said):
    car = Unit()
    answer = car.answer

    def fall_silent(ask):
        if isinstance(ask, Exchange) and ask.pdu[1:3] == place.to_bytes(2, "big"):
            return Unknown(why="no answer in time")
        return answer(ask)

    car.answer = fall_silent
    outcome = car.run(start(unit, step))
    assert outcome.state is StepState.NOT_BEGUN
    assert f"{said}" in outcome.detail
    assert "nothing was sent" in outcome.detail
    assert (car.downloads, car.resets) == ([], 0)


def test_a_refusal_before_the_erasing_leaves_the_unit_as_it_is(unit, step):
    outcome = Unit(Refused(code=0x22)).run(start(unit, step))
    assert outcome.state is StepState.REFUSED
    assert "conditionsNotCorrect; nothing was erased" in outcome.detail


def test_a_refusal_after_the_erasing_leaves_it_open(unit, step):
    outcome = Unit(Refused(code=0x72, erased=True)).run(start(unit, step))
    assert outcome.state is StepState.UNCERTAIN
    assert "resume to begin again" in outcome.detail


def test_in_a_run_that_was_begun_a_refusal_proves_nothing(unit, step):
    outcome = Unit(Refused(code=0x22), version="0.0.0").run(start(unit, step, begun=True))
    assert outcome.state is StepState.UNCERTAIN


def test_an_unknown_outcome_is_looked_at_and_begun_again(unit, step):
    car = Unit(Unknown(why="no answer"), Unknown(why="no answer"))
    outcome = car.run(start(unit, step))
    assert (outcome.state, outcome.looks) == (StepState.DONE, 2)
    assert [each.resume for each in car.downloads] == [False, True, True]


def test_it_is_not_tried_for_ever(unit, step):
    car = Unit(*[Unknown(why="silence")] * 99)
    outcome = car.run(start(unit, step))
    assert outcome.state is StepState.UNCERTAIN
    assert len(car.downloads) == 5
    assert "silence" in outcome.detail


def test_another_hardware_in_a_begun_run_is_not_written_either(unit, step):
    car = Unit(version="0.0.0", hardware="MTC-999")
    outcome = car.run(start(unit, step, begun=True))
    assert outcome.state is StepState.UNCERTAIN
    assert "this is MTC-999; nothing was sent" in outcome.detail
    assert not car.downloads


def test_what_only_ends_a_download_leaves_a_unit_that_has_its_old_software(unit, step):
    car = Unit()
    outcome = car.run(start(unit, replace(step, only_if_begun=True), begun=True))
    assert (outcome.state, car.downloads, car.resets) == (StepState.ALREADY, [], 0)


def test_what_only_ends_a_download_ends_it_in_a_boot_loader(unit, step):
    car = Unit(version="0.0.0")
    outcome = car.run(start(unit, replace(step, only_if_begun=True), begun=True))
    assert (outcome.state, len(car.downloads)) == (StepState.DONE, 1)
