"""The loop: intents before asks, replay, cuts, questions, reconnecting, stopping."""

import asyncio
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from toys import (
    CutError,
    Nobody,
    Schedule,
    ToyConnection,
    Yes,
    make_car,
    no_sleep,
)

from donorfit.diagnostics.conversation import (
    Answered,
    Chosen,
    Effect,
    Exchange,
    Mark,
    MarkKind,
    Pause,
    Question,
    Together,
    Unknown,
)
from donorfit.edge.journal.memory import MemoryRun
from donorfit.errors import JournalError, LinkError, StoppedError
from donorfit.job.loop import Loop
from donorfit.job.progress import Happening
from donorfit.vehicle.identity import Address, UnitId

READ = b"\x22\xf1\x90"
WRITE = b"\x2e\x30\x01\x05\x06"


def exchange(pdu, address=2):
    effect = Effect.CHANGING if pdu[0] == 0x2E else Effect.READING
    return Exchange(
        unit=UnitId(f"u{address}"), address=Address(address), pdu=pdu, effect=effect, what="toy"
    )


def run(strand, *, entries=None, car=None, cuts=None, person=None, failures=0, **options):
    told = []
    connection = ToyConnection(car or make_car(), Schedule(cuts=cuts or {}), failures=failures)
    loop = Loop(
        journal=MemoryRun(entries if entries is not None else []),
        connection=connection,
        person=person or Nobody(),
        listener=told.append,
        sleep=no_sleep,
        **options,
    )
    return asyncio.run(loop.run("toy", strand)), told, connection


def write_once():
    first = yield exchange(READ)
    second = yield exchange(WRITE)
    third = yield exchange(READ)
    return first, second, third


def test_a_finished_part_is_replayed_and_the_rest_is_asked():
    entries, car = [], make_car()
    with pytest.raises(CutError):
        run(write_once(), entries=entries, car=car, cuts={3: "kill before"})
    (_, second, third), _, connection = run(write_once(), entries=entries, car=car)
    assert second == Answered(pdu=b"\x6e\x30\x01")
    assert isinstance(third, Answered)
    assert car.units[2].writes == 1
    assert connection.schedule.carried == 1  # the last reading only


def test_an_intent_without_an_outcome_comes_back_as_not_known():
    entries, car = [], make_car()
    with pytest.raises(CutError):
        run(write_once(), entries=entries, car=car, cuts={2: "kill after"})
    (_, second, _), told, _ = run(write_once(), entries=entries, car=car)
    assert isinstance(second, Unknown)
    assert car.units[2].writes == 1
    assert Happening.REPLAYED in {each.happening for each in told}


def test_readings_after_the_last_binding_ask_are_made_afresh():
    def strand():
        seen = []
        for _ in range(3):
            seen.append((yield exchange(READ)))  # noqa: PERF401 - a generator cannot yield inside one
        yield exchange(WRITE)
        return seen

    entries, car = [], make_car()
    with pytest.raises(CutError):
        run(strand(), entries=entries, car=car, cuts={3: "kill before"})
    car.units[2].memory[0xF190] = b"ANOTHER"
    seen, _, connection = run(strand(), entries=entries, car=car)
    assert all(each.pdu.endswith(b"ANOTHER") for each in seen)
    assert connection.schedule.carried == 4


def test_a_changed_conversation_is_refused():
    entries = []
    run(write_once(), entries=entries)

    def other():
        yield exchange(b"\x22\xf1\x8c")
        yield exchange(WRITE)

    with pytest.raises(JournalError, match="does not fit"):
        run(other(), entries=entries)


def test_strands_run_side_by_side_and_are_found_again_by_name():
    def one(address):
        answer = yield exchange(WRITE, address)
        return address, answer

    def parent():
        results = yield Together((("a", one(2)), ("b", one(3))))
        return results

    entries, car = [], make_car()
    results, _, _ = run(parent(), entries=entries, car=car)
    assert [address for address, _ in results] == [2, 3]
    again, _, connection = run(parent(), entries=entries, car=car)
    assert again == results
    assert connection.schedule.carried == 0


def test_an_open_question_stops_and_its_answer_is_kept():
    def strand():
        answer = yield Question(id="doors", text="Are the doors shut?", choices=("yes", "no"))
        return answer

    entries = []
    with pytest.raises(StoppedError, match="nobody"):
        run(strand(), entries=entries)
    answer, _, _ = run(strand(), entries=entries, person=Yes())
    assert answer == Chosen(choice="yes")
    assert run(strand(), entries=entries)[0] == answer


def test_a_reading_survives_a_lost_link_and_a_change_does_not_get_repeated():
    (first, _, _), told, connection = run(write_once(), cuts={1: "lost before"})
    assert isinstance(first, Answered)
    assert connection.made == 2
    assert Happening.RECONNECTED in {each.happening for each in told}
    car = make_car()
    (_, second, _), _, _ = run(write_once(), car=car, cuts={2: "lost after"})
    assert isinstance(second, Unknown)
    assert car.units[2].writes == 1


def test_a_lost_link_that_stays_lost_stops_the_run():
    with pytest.raises(StoppedError, match="lost"):
        run(write_once(), cuts={1: "lost before"}, reconnects=0)


def test_nobody_at_the_first_connection_is_a_link_error():
    with pytest.raises(LinkError):
        run(write_once(), failures=1)


@pytest.mark.parametrize("answered_later", [True, False])
def test_a_step_that_closes_without_an_answer_says_so(answered_later):
    def strand():
        yield Mark(kind=MarkKind.OPENED, what="s01", unit=UnitId("u2"))
        outcome = yield exchange(WRITE)
        assert isinstance(outcome, Unknown)
        yield exchange(READ)
        if answered_later:
            yield exchange(WRITE)
        yield Mark(kind=MarkKind.CLOSED, what="s01", unit=UnitId("u2"))

    _, told, _ = run(strand(), cuts={1: "lost after"})
    settled = [each for each in told if "read back as planned" in each.what]
    assert [each.unit for each in settled] == ([] if answered_later else ["u2"])


def test_where_nobody_answers_one_strand_asks_for_all():
    """Twenty units that are read side by side would otherwise wait twenty times."""
    connection = ToyConnection(make_car(), Schedule(cuts={}), failures=9)
    loop = Loop(
        journal=MemoryRun([]),
        connection=connection,
        person=Nobody(),
        listener=lambda _: None,
        sleep=no_sleep,
    )

    def read():
        yield exchange(READ)

    def read_all():
        yield Together(tuple((name, read()) for name in "abc"))

    with pytest.raises(LinkError, match="nobody answers"):
        asyncio.run(loop.run("toy", read_all()))
    assert connection.failures == 8


def test_where_the_work_stops_before_a_step_is_told_by_the_step():
    def strand():
        loop.stop_asked = True
        yield Mark(kind=MarkKind.OPENED, what="s21", unit=UnitId("u2"))

    loop = Loop(
        journal=MemoryRun(),
        connection=ToyConnection(make_car(), Schedule()),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=no_sleep,
    )
    with pytest.raises(StoppedError) as stopped:
        asyncio.run(loop.run("toy", strand()))
    assert stopped.value.where == "u2: step s21"


def test_a_wish_to_stop_ends_before_the_next_change_only():
    car = make_car()

    def strand():
        yield exchange(READ)
        loop.stop_asked = True
        yield Pause(seconds=0, why="x")
        yield exchange(READ)
        yield exchange(WRITE)

    loop = Loop(
        journal=MemoryRun(),
        connection=ToyConnection(car, Schedule()),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=no_sleep,
    )
    with pytest.raises(StoppedError, match="where you asked"):
        asyncio.run(loop.run("toy", strand()))
    assert car.units[2].writes == 0


def test_a_journal_that_cannot_be_written_stops_before_the_ask():
    class FullRun(MemoryRun):
        def write_intent(self, strand, past, what):
            raise JournalError(what="The disk is full.")

    car = make_car()
    loop = Loop(
        journal=FullRun(),
        connection=ToyConnection(car, Schedule()),
        person=Nobody(),
        listener=lambda progress: None,
        sleep=no_sleep,
    )
    with pytest.raises(JournalError):
        asyncio.run(loop.run("toy", write_once()))
    assert car.units[2].writes == 0
