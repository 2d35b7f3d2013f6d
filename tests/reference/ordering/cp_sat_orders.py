"""The same orders as models of CP-SAT, written from the meaning of the words and not from our code.

``find_shortest_rounds`` is the problem that donorfit solves; ``find_shortest_free`` drops the
rounds and lets every task begin when it may, which bounds from below what rounds can reach.
"""

import itertools
import math

from ortools.sat.python import cp_model

SCALE = 1000


def find_shortest_rounds(tasks, limits, seconds=10.0):
    """Length in thousandths of the shortest order of rounds: between these, equal where proved."""
    model = cp_model.CpModel()
    count = len(tasks)
    length, unit = _count_lengths(tasks)
    total = sum(length.values())
    place = {
        (task.id, number): model.new_bool_var("") for task in tasks for number in range(count)
    }
    number_of = {
        task.id: sum(number * place[task.id, number] for number in range(count)) for task in tasks
    }
    for task in tasks:
        model.add_exactly_one(place[task.id, number] for number in range(count))
    lane_of = {task.id: task.lane for task in tasks}
    for task in tasks:
        for before in task.after:
            strict = 0 if lane_of[before] == task.lane else 1
            model.add(number_of[before] + strict <= number_of[task.id])
    ends = []
    for number in range(count):
        here = {task.id: place[task.id, number] for task in tasks}
        ends.append(_add_round(model, tasks, here, length, limits))
    # It follows from the rest, and spares CP-SAT a long proof where few lanes are allowed.
    model.add(sum(ends) * limits.lanes >= total)
    model.minimize(sum(ends))
    return _solve(model, seconds, unit)


def _add_round(model, tasks, here, length, limits):
    """One round: ``here`` says which tasks are in it; the answer is its length."""
    end = model.new_int_var(0, sum(length.values()), "")
    by_lane = {}
    for task in tasks:
        by_lane.setdefault(task.lane, []).append(task)
    used = [model.new_bool_var("") for _ in by_lane]
    for flag, members in zip(used, by_lane.values(), strict=True):
        model.add(end >= sum(length[task.id] * here[task.id] for task in members))
        model.add_max_equality(flag, [here[task.id] for task in members])
    model.add(sum(used) <= limits.lanes)
    single = model.new_bool_var("")
    model.add(sum(used) <= 1).only_enforce_if(single)
    for limit, attribute in _list_limits(limits):
        peaks = []
        for members in by_lane.values():
            needs = {task.id: round(getattr(task, attribute) * SCALE) for task in members}
            peak = model.new_int_var(0, max(needs.values()), "")
            for id_, need in needs.items():
                model.add(peak >= need * here[id_])
            peaks.append(peak)
        model.add(sum(peaks) <= round(limit * SCALE)).only_enforce_if(~single)
    for task in tasks:
        if task.alone:
            others = [flag for id_, flag in here.items() if id_ != task.id]
            model.add(sum(others) == 0).only_enforce_if(here[task.id])
    return end


def _list_limits(limits):
    named = ((limits.current_a, "current_a"), (limits.bytes_per_s, "bytes_per_s"))
    return [each for each in named if not math.isinf(each[0])]


def find_shortest_free(tasks, limits, seconds=10.0):
    """Length in thousandths where every task begins when it may: between these."""
    model = cp_model.CpModel()
    length, unit = _count_lengths(tasks)
    total = sum(length.values())
    end = model.new_int_var(0, total, "")
    spans, starts, ends = {}, {}, {}
    for task in tasks:
        starts[task.id] = model.new_int_var(0, total, "")
        ends[task.id] = starts[task.id] + length[task.id]
        spans[task.id] = model.new_fixed_size_interval_var(starts[task.id], length[task.id], "")
        model.add(end >= ends[task.id])
    for task in tasks:
        for before in task.after:
            model.add(starts[task.id] >= ends[before])
    for lane in {task.lane for task in tasks}:
        model.add_no_overlap([spans[task.id] for task in tasks if task.lane == lane])
    every = [spans[task.id] for task in tasks]
    model.add_cumulative(every, [1] * len(tasks), limits.lanes)
    for limit, attribute in _list_limits(limits):
        most = round(limit * SCALE)
        needs = [min(most, round(getattr(task, attribute) * SCALE)) for task in tasks]
        model.add_cumulative(every, needs, most)
    for task, other in itertools.permutations(tasks, 2):
        if task.alone:
            model.add_no_overlap([spans[task.id], spans[other.id]])
    model.minimize(end)
    return _solve(model, seconds, unit)


def _count_lengths(tasks):
    """Lengths as whole numbers of the largest unit that divides them all; small numbers help."""
    length = {task.id: round(task.seconds * SCALE) for task in tasks}
    unit = math.gcd(*length.values())
    return {id_: each // unit for id_, each in length.items()}, unit


def _solve(model, seconds, unit):
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_time_in_seconds = seconds
    status = solver.solve(model)
    assert status in {cp_model.OPTIMAL, cp_model.FEASIBLE}
    return round(solver.best_objective_bound) * unit, round(solver.objective_value) * unit
