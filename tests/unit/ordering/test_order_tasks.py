"""Orders: the laws that every one keeps, orders worked out by hand, and what is refused."""

import itertools
import math
import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "reference" / "ordering"))
from random_work import make_work

from donorfit.errors import MisuseError
from donorfit.ordering import Limits, Task, order_tasks


def work(*rows):
    """Tasks from rows of id, lane, seconds, current and what they wait for."""
    return [
        Task(id=id_, lane=lane, seconds=seconds, current_a=current, after=after)
        for id_, lane, seconds, current, after in rows
    ]


def name_rounds(order):
    return [{lane.name: lane.tasks for lane in each.lanes} for each in order.rounds]


def test_lanes_run_side_by_side_and_the_longest_counts():
    order = order_tasks(
        work(("a", "n", 5, 0, ()), ("b", "n", 4, 0, ()), ("c", "m", 7, 0, ())), Limits(lanes=2)
    )
    assert name_rounds(order) == [{"n": ("a", "b"), "m": ("c",)}]
    assert (order.seconds, order.row_seconds, order.bound_seconds) == (9, 16, 9)
    assert order.proved


def test_one_lane_is_the_row():
    tasks = work(("a", "n", 5, 0, ()), ("b", "m", 4, 0, ()), ("c", "k", 7, 0, ()))
    order = order_tasks(tasks, Limits())
    assert order.seconds == order.row_seconds == 16
    assert order.proved


def test_two_downloads_that_need_too_much_current_never_share_a_round():
    # 9 A and 9 A beside each other are 18 A; each fits with the light work of the other network.
    tasks = work(
        ("a", "n", 40, 9, ()), ("b", "m", 40, 9, ()), ("c", "n", 30, 1, ()), ("d", "m", 30, 1, ())
    )
    order = order_tasks(tasks, Limits(lanes=2, current_a=10))
    assert order.seconds == 80
    assert order.proved
    assert all(each.current_a == 10 for each in order.rounds)


def test_the_order_of_what_waits_is_kept_on_a_lane_and_between_rounds():
    tasks = work(("late", "n", 1, 0, ("b", "c")), ("b", "n", 2, 0, ()), ("c", "m", 3, 0, ()))
    order = order_tasks(tasks, Limits(lanes=2))
    assert name_rounds(order) == [{"n": ("b",), "m": ("c",)}, {"n": ("late",)}]
    chain = work(("late", "n", 1, 0, ("b",)), ("b", "n", 2, 0, ()), ("c", "m", 3, 0, ()))
    assert name_rounds(order_tasks(chain, Limits(lanes=2))) == [{"n": ("b", "late"), "m": ("c",)}]


def test_a_task_that_must_be_alone_has_its_round_for_itself():
    tasks = [
        Task(id="gateway", lane="n", seconds=4, alone=True),
        Task(id="a", lane="n", seconds=3),
        Task(id="b", lane="m", seconds=12),
    ]
    order = order_tasks(tasks, Limits(lanes=4))
    assert {"n": ("gateway",)} in name_rounds(order)
    assert {"n": ("a",), "m": ("b",)} in name_rounds(order)
    assert order.seconds == 16


def test_a_task_above_the_limit_runs_by_itself_and_is_named():
    tasks = work(("a", "n", 5, 20, ()), ("b", "m", 5, 1, ()))
    order = order_tasks(tasks, Limits(lanes=2, current_a=10))
    assert order.too_heavy == ("a",)
    assert order.seconds == 10


def check_laws(tasks, limits, order):
    """Every law of an order, from the meaning of the words."""
    by_id = {task.id: task for task in tasks}
    rounds = {
        id_: number
        for number, each in enumerate(order.rounds)
        for lane in each.lanes
        for id_ in lane.tasks
    }
    done = [id_ for each in order.rounds for lane in each.lanes for id_ in lane.tasks]
    assert sorted(done) == sorted(by_id), "every task once"
    for each in order.rounds:
        names = [lane.name for lane in each.lanes]
        assert len(set(names)) == len(names) <= limits.lanes
        here = [by_id[id_] for lane in each.lanes for id_ in lane.tasks]
        assert len(here) == 1 or not any(task.alone for task in here)
        for lane in each.lanes:
            assert {by_id[id_].lane for id_ in lane.tasks} == {lane.name}
            for place, id_ in enumerate(lane.tasks):
                for before in by_id[id_].after:
                    assert rounds[before] < rounds[id_] or before in lane.tasks[:place]
        # Any interleaving: any task of a lane may meet any task of every other lane.
        if len(each.lanes) > 1:
            for meeting in itertools.product(*(lane.tasks for lane in each.lanes)):
                assert sum(by_id[id_].current_a for id_ in meeting) <= limits.current_a + 1e-9
                assert sum(by_id[id_].bytes_per_s for id_ in meeting) <= limits.bytes_per_s + 1e-9
    assert order.seconds == pytest.approx(sum(each.seconds for each in order.rounds))
    assert order.bound_seconds <= order.seconds <= order.row_seconds
    assert order.proved == (order.seconds == order.bound_seconds)


@pytest.mark.parametrize("most", [5, 12, 40])
def test_every_order_keeps_the_laws(most):
    dice = random.Random(most)
    for _ in range(60):
        tasks, limits = make_work(dice, most=most)
        check_laws(tasks, limits, order_tasks(tasks, limits, budget=3_000))


def test_the_same_tasks_give_the_same_order():
    dice = random.Random(3)
    for _ in range(20):
        tasks, limits = make_work(dice, most=12)
        assert order_tasks(tasks, limits, budget=500) == order_tasks(tasks, limits, budget=500)


def test_a_search_that_is_cut_short_says_so_and_its_bound_holds():
    dice = random.Random(11)
    cut = 0
    for _ in range(80):
        tasks, limits = make_work(dice, most=8)
        short = order_tasks(tasks, limits, budget=1)
        full = order_tasks(tasks, limits, budget=1_000_000)
        assert full.proved
        assert short.bound_seconds <= full.seconds <= short.seconds
        cut += not short.proved
    assert cut, "no search was cut short: the test shows nothing"


@pytest.mark.parametrize(
    ("tasks", "limits", "said"),
    [
        ([Task(id="a", lane="n", seconds=1)] * 2, Limits(), "twice"),
        ([Task(id="a", lane="n", seconds=-1)], Limits(), "figure"),
        ([Task(id="a", lane="n", seconds=math.nan)], Limits(), "figure"),
        ([Task(id="a", lane="n", seconds=1, after=("b",))], Limits(), "not there"),
        ([Task(id="a", lane="n", seconds=1, after=("a",))], Limits(), "wait for each other"),
        ([Task(id="a", lane="n", seconds=1)], Limits(lanes=0), "limits"),
        ([Task(id="a", lane="n", seconds=1)], Limits(current_a=math.nan), "limits"),
    ],
)
def test_what_makes_no_sense_is_refused(tasks, limits, said):
    with pytest.raises(MisuseError, match=said):
        order_tasks(tasks, limits)


def test_no_task_is_no_round():
    order = order_tasks([], Limits())
    assert order.rounds == ()
    assert order.proved
