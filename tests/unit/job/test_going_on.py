"""How long answers count, and what stands before work that goes on."""

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[2] / "faults" / "apply"))
from lane_toys import make_lane_pack, make_lane_plan, make_lane_preparation

from donorfit.diagnostics.conversation import Together
from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import SafetyError, StoppedError
from donorfit.job.going_on import (
    ANSWERS_COUNT_S,
    LOOK,
    RENEWAL,
    begin_or_go_on,
    find_beginning,
    list_renewals,
    say_too_old,
)
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.plan import PlannedCaution
from donorfit.records.renewal import GivenAnswer, Renewal

PACK = make_lane_pack()
PLAN = make_lane_plan(PACK)
PREPARATION = make_lane_preparation(PLAN)
BEGUN = datetime(2026, 3, 1, 9, tzinfo=timezone(timedelta(hours=1)))
CAUTION = PlannedCaution(
    id="gas", text="Ventilate.", because="", jurisdictions=(), source="", seen=""
)
CAREFUL = replace(PLAN, cautions=(CAUTION,))
READY = replace(PREPARATION, plan_digest=compute_digest(CAREFUL), prepared_at=BEGUN.isoformat())


@given(
    st.integers(-400_000, 400_000),
    st.sampled_from([UTC, timezone(timedelta(hours=-7)), BEGUN.tzinfo]),
)
def test_answers_count_for_a_time_whatever_the_zone_says(seconds, zone):
    now = (BEGUN + timedelta(seconds=seconds)).astimezone(zone)
    counts = not say_too_old(BEGUN.isoformat(), now.isoformat())
    assert counts is (-300 <= seconds <= ANSWERS_COUNT_S)


@pytest.mark.parametrize("text", ["", "yesterday", "2026-03-01T09:00:00", "\x00"])
def test_a_time_that_says_nothing_makes_an_answer_old(text):
    assert "cannot be told" in say_too_old(text, BEGUN.isoformat())


class Person:
    def __init__(self, words):
        self.words, self.asked = words, []

    def answer(self, question_id, text, choices):
        self.asked.append(question_id)
        return self.words.get(question_id)


@pytest.fixture
def store(tmp_path):
    with JobFile.create(tmp_path / "job.donorfit", BEGUN.isoformat) as file:
        yield file


def go_on(store, person, *, hours):
    def strand():
        yield "the first ask of the work"

    return begin_or_go_on(
        store,
        person,
        strand(),
        pack=PACK,
        plan=CAREFUL,
        preparation=READY,
        now=(BEGUN + timedelta(hours=hours)).isoformat(),
        support_current_a=None,
    )


def begin(store):
    return store.begin_run("apply", f"{compute_digest(CAREFUL)} {compute_digest(READY)}")


def renew(hours, *, ready=True, too_old="old", choice="understood"):
    return Renewal(
        plan_digest=compute_digest(CAREFUL),
        preparation_digest=compute_digest(READY),
        vin=CAREFUL.vin,
        looked_at=(BEGUN + timedelta(hours=hours)).isoformat(),
        too_old=too_old,
        answers=(GivenAnswer(question="caution-gas", text="Ventilate.", choice=choice),),
        wake_checks=(),
        supply_volts=None,
        support_current_a=None,
        ready=ready,
    )


def test_a_first_apply_begins_at_once_with_a_fresh_preparation_only(store):
    assert next(go_on(store, Person({}), hours=3)) == "the first ask of the work"
    with pytest.raises(SafetyError, match="too old"):
        go_on(store, Person({}), hours=5)


@pytest.mark.parametrize("ended", [False, True])
def test_work_that_was_begun_looks_first_and_asks_only_when_answers_are_old(store, ended):
    run = begin(store)
    if ended:
        run.end()
    person = Person({"caution-gas": "understood"})
    (first,) = next(go_on(store, person, hours=3)).strands
    assert first[0] == LOOK
    assert person.asked == []
    assert isinstance(next(go_on(store, person, hours=5)), Together)
    assert person.asked == ["caution-gas"]
    with pytest.raises(StoppedError) as caught:
        go_on(store, Person({}), hours=5)
    assert "--answer caution-gas=understood" in caught.value.next_step


@pytest.mark.parametrize("ready", [True, False])
def test_only_answers_that_agree_count_anew(store, ready):
    """Whether something else kept the work from going on then makes them no older."""
    begin(store)
    store.add_record(RENEWAL, encode(renew(8, ready=False, choice="stop")))
    store.add_record(RENEWAL, encode(renew(8, too_old="")))
    with pytest.raises(StoppedError):
        go_on(store, Person({}), hours=9)
    store.add_record(RENEWAL, encode(renew(8, ready=ready)))
    assert isinstance(next(go_on(store, Person({}), hours=11)), Together)
    assert len(list_renewals(store, compute_digest(CAREFUL))) == 3
    with pytest.raises(StoppedError):
        go_on(store, Person({}), hours=13)


def test_the_work_is_not_touched_where_something_has_ceased_to_hold(store):
    begin(store)
    strand = go_on(store, Person({}), hours=1)
    next(strand)
    with pytest.raises(SafetyError, match="may not go on"):
        strand.send((renew(1, ready=False),))
    assert store.find_latest(RENEWAL) is not None
    again = go_on(store, Person({}), hours=1)
    next(again)
    assert again.send((renew(1),)) == "the first ask of the work"


def test_preparing_that_was_cut_counts_from_its_beginning_or_begins_anew(store):
    now = (BEGUN + timedelta(hours=2)).isoformat()
    assert find_beginning(store, "plan", now) == now
    store.begin_run("prepare", "plan")
    assert find_beginning(store, "plan", now) == BEGUN.isoformat()
    assert not store.list_runs()[0].ended_at
    late = (BEGUN + timedelta(hours=6)).isoformat()
    assert find_beginning(store, "plan", late) == late
    assert store.list_runs()[0].ended_at
