"""Units in their boot loaders say neither supply nor who they are: then a person has to."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "apply"))
from lane_toys import NAMES, make_lane_pack, make_lane_plan, make_lane_preparation

from donorfit.diagnostics.conversation import (
    Answered,
    Mark,
    Noted,
    Pause,
    Paused,
    Refused,
    Unknown,
)
from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import SafetyError, StoppedError
from donorfit.job.going_on import begin_or_go_on, list_renewals
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Severity
from donorfit.records.plan import StepKind
from donorfit.stages.apply.lanes import run_lane
from donorfit.vehicle.control_unit import SERIAL_IDENTIFIER, VIN_IDENTIFIER
from donorfit.vehicle.identity import DataIdentifier, UnitId
from donorfit.vehicle.pack import SupplyWindow

NOW = "2026-03-01T09:00:00+00:00"
SUPPLY = DataIdentifier(0xD010)
METER, KEEPER = 4, 1
"""Unit 4 is programmed by the plan; unit 1 keeps the option list and says the VIN."""


def make_pack(meter):
    window = SupplyWindow(
        unit=NAMES[meter],
        identifier=SUPPLY,
        volts_per_bit=0.001,
        lowest_volts=12.0,
        highest_volts=15.0,
        base_current_a=10.0,
        battery_ah=70.0,
    )
    return replace(make_lane_pack(), supply=window)


def make_keeper_plan(pack):
    """The plan with one more download, into the keeper."""
    plan = make_lane_plan(pack)
    step = next(each for each in plan.steps if each.kind is StepKind.PROGRAM)
    more = replace(step, id="s99", unit=UnitId(NAMES[KEEPER]), address=pack.units[0].address)
    return replace(plan, steps=(*plan.steps, more))


REFUSED = Refused(code=0x31)


class Car:
    """Answers what a unit in its application says; ``mute`` ones refuse what they are asked."""

    def __init__(self, plan, mute, answer=REFUSED):
        self.vin, self.mute, self.answer, self.asked = plan.vin, mute, answer, []

    def say(self, ask):
        identifier = int.from_bytes(ask.pdu[1:3])
        self.asked.append((ask.address, identifier))
        if (ask.address, identifier) in self.mute:
            return self.answer
        values = {
            VIN_IDENTIFIER: self.vin.encode(),
            SERIAL_IDENTIFIER: f"S{ask.address}".encode(),
            SUPPLY: (13_500).to_bytes(2, "big"),
        }
        return Answered(pdu=b"\x62" + ask.pdu[1:3] + values[identifier])


class Person:
    def __init__(self, **words):
        self.words, self.asked = words, []

    def answer(self, question_id, text, choices):
        assert choices == ("yes", "no")
        self.asked.append((question_id, text))
        return self.words.get(question_id.replace("-", "_"))


@pytest.fixture
def store(tmp_path):
    with JobFile.create(tmp_path / "job.donorfit", lambda: NOW) as file:
        yield file


def go_on(store, pack, plan, car, person):
    preparation = replace(make_lane_preparation(plan), prepared_at=NOW)
    store.begin_run("apply", f"{compute_digest(plan)} {compute_digest(preparation)}")

    def strand():
        yield "the first ask of the work"

    work = begin_or_go_on(
        store,
        person,
        strand(),
        pack=pack,
        plan=plan,
        preparation=preparation,
        now=NOW,
        support_current_a=None,
    )
    ((_, look),) = next(work).strands
    reply = None
    while True:
        try:
            reply = car.say(look.send(reply))
        except StopIteration as end:
            return work.send((end.value,))


MUTES = {
    "supply-by-hand": {(METER, SUPPLY)},
    f"unit-by-hand-{NAMES[METER]}": {(METER, SERIAL_IDENTIFIER)},
    "car-by-hand": {(KEEPER, VIN_IDENTIFIER)},
}


@pytest.mark.parametrize("question", MUTES)
def test_a_yes_lets_the_work_go_on_and_is_kept(store, question):
    pack = make_pack(METER)
    plan = make_keeper_plan(pack)
    person = Person(**{question.replace("-", "_"): "yes"})
    first = go_on(store, pack, plan, Car(plan, MUTES[question]), person)
    assert first == "the first ask of the work"
    assert [asked for asked, _ in person.asked] == [question]
    (renewal,) = list_renewals(store, compute_digest(plan))
    assert renewal.ready
    assert [(each.question, each.choice) for each in renewal.answers] == [(question, "yes")]
    assert [each.severity for each in renewal.findings] == [Severity.WARNING]
    assert (renewal.supply_volts is None) == (question == "supply-by-hand")


@pytest.mark.parametrize("question", MUTES)
def test_a_no_and_no_word_at_all_keep_the_work_from_going_on(store, question):
    pack = make_pack(METER)
    plan = make_keeper_plan(pack)
    person = Person(**{question.replace("-", "_"): "no"})
    with pytest.raises(SafetyError, match="may not go on"):
        go_on(store, pack, plan, Car(plan, MUTES[question]), person)
    with pytest.raises(StoppedError) as caught:
        go_on(store, pack, plan, Car(plan, MUTES[question]), Person())
    assert f"--answer {question}=yes" in caught.value.next_step


def test_all_that_is_missing_is_named_at_once(store):
    pack = make_pack(METER)
    plan = make_keeper_plan(pack)
    mute = set().union(*MUTES.values())
    with pytest.raises(StoppedError) as caught:
        go_on(store, pack, plan, Car(plan, mute), Person())
    assert caught.value.next_step.count("--answer") == 3


@pytest.mark.parametrize(
    ("mute", "answer"),
    [
        # units that the plan does not program have to speak for themselves
        ({(5 + 1, SERIAL_IDENTIFIER)}, Refused(code=0x31)),
        ({(KEEPER, VIN_IDENTIFIER)}, Refused(code=0x31)),
        # a unit that says nothing at all may not be there
        ({(METER, SERIAL_IDENTIFIER)}, Unknown(why="no answer")),
    ],
)
def test_nobody_is_asked_in_place_of_a_unit_that_is_not_programmed_or_silent(store, mute, answer):
    pack = make_pack(METER)
    plan = make_lane_plan(pack)
    person = Person()
    with pytest.raises(SafetyError, match="may not go on"):
        go_on(store, pack, plan, Car(plan, mute, answer), person)
    assert person.asked == []


def test_a_supply_that_is_read_and_low_is_never_a_matter_of_words(store):
    pack = make_pack(METER)
    pack = replace(pack, supply=replace(pack.supply, lowest_volts=14.0))
    plan = make_lane_plan(pack)
    person = Person(supply_by_hand="yes")
    with pytest.raises(SafetyError, match="may not go on"):
        go_on(store, pack, plan, Car(plan, set()), person)
    assert person.asked == []


@pytest.mark.parametrize("begun", [True, False])
def test_only_a_download_that_was_begun_goes_without_a_reading_of_its_own_meter(begun):
    pack = make_pack(METER)
    plan = make_lane_plan(pack)
    (step,) = (
        each for each in plan.steps if each.kind is StepKind.PROGRAM and each.address == METER
    )
    lane = run_lane(
        pack,
        (step,),
        {f"{METER}.bin": b"data"},
        frozenset({step.id} if begun else ()),
        marked=False,
        downloads=plan.list_downloads(UnitId(NAMES[METER])),
    )
    reply, asked = None, []
    while True:
        try:
            ask = lane.send(reply)
        except StopIteration as end:
            result = end.value
            break
        match ask:
            case Mark():
                reply = Noted()
            case Pause():
                reply = Paused()
            case _:
                asked.append(ask.what)
                reply = Unknown(why="no answer")
    if begun:
        assert any("software" in each for each in asked)
    else:
        assert "the supply could not be read" in result.stop
        assert not any("software" in each for each in asked)
