"""Every answer against counting all lists of a small rule base out."""

import importlib.util
import os
import sys
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from donorfit.equipment import (
    RepairRequest,
    Structure,
    check,
    facts,
    implied,
    months,
    read_uvl,
    repair,
    replay,
    why,
)
from donorfit.equipment.compiled import compile_rules
from donorfit.equipment.least_cost import find_least_cost
from donorfit.equipment.repair import prepare
from donorfit.equipment.whole_list import WholeListCheck, find_broken_plainly
from donorfit.vehicle.identity import BuildMonth

_SPEC = importlib.util.spec_from_file_location(
    "small_models", Path(__file__).with_name("small_models.py")
)
small_models = importlib.util.module_from_spec(_SPEC)
sys.modules["small_models"] = small_models
_SPEC.loader.exec_module(small_models)
models, MONTHS = small_models.models, small_models.MONTHS

EXAMPLES = int(os.environ.get("DONORFIT_LAW_EXAMPLES", "200"))
"""Random rule bases for each law; ten thousand take about fifteen minutes in all."""

relaxed = settings(
    max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


def read(model):
    return read_uvl(model.write(), file="small.uvl")


def pick(data, model):
    return frozenset(o for o in range(len(model.parents)) if data.draw(st.booleans()))


def name(options):
    return tuple(f"o{option}" for option in sorted(options))


@given(models(), st.data())
@relaxed
def test_check_and_months(model, data) -> None:
    rules, on = read(model), pick(data, model)
    answer = months(rules, name(on), structure=Structure.DECLARED)
    for month in MONTHS:
        expected = model.holds(on, month)
        found = check(rules, name(on), BuildMonth.parse(month), structure=Structure.DECLARED)
        assert found.possible == expected
        assert bool(found.broken) != expected
        assert any(w.holds(BuildMonth.parse(month)) for w in answer.windows) == expected
    anywhere = check(rules, name(on), None, structure=Structure.DECLARED)
    assert anywhere.possible == bool(answer.windows)


@given(models(), st.data())
@relaxed
def test_arrays_find_what_plain_python_finds(model, data) -> None:
    compiled = compile_rules(read(model))
    whole = WholeListCheck(compiled)
    whole.lay_out_arrays()
    bits = whole.make_bits(pick(data, model))
    for segment in range(len(compiled.limits) + 1):
        plain = find_broken_plainly(compiled, bits, segment)
        assert whole.find_broken(bits, segment) == plain


def count_repairs(model, on, hard, costs, months):
    """All minimal repairs with their costs, by counting out; months from the declared one on."""
    month, month_cost = months
    found = []
    start = BuildMonth.parse(month).ordinal
    options = [o for o in range(len(model.parents)) if o not in hard]
    for other in MONTHS if month_cost is not None else (month,):
        for wanted in model.list_lists(other):
            if any((o in wanted) != value for o, value in hard.items()):
                continue
            flips = frozenset(o for o in options if (o in wanted) != (o in on))
            moved = BuildMonth.parse(other).ordinal - start
            cost = sum(costs[o] for o in flips) + abs(moved) * (month_cost or 0)
            found.append((cost, flips, moved))

    def beats(one, other):
        if one == other or not one[1] <= other[1]:
            return False
        nearer = abs(one[2]) <= abs(other[2]) and (one[2] * other[2] > 0 or not one[2])
        return nearer and (one[1], one[2]) != (other[1], other[2])

    return sorted(
        (each for each in found if not any(beats(other, each) for other in found)),
        key=lambda each: each[0],
    )


@given(models(), st.data())
@relaxed
def test_repairs_are_all_minimal_ones_in_order(model, data) -> None:
    rules, on = read(model), pick(data, model)
    hard = {
        o: data.draw(st.booleans())
        for o in range(len(model.parents))
        if data.draw(st.integers(0, 3)) == 0
    }
    costs = [data.draw(st.integers(1, 9)) for _ in model.parents]
    month = data.draw(st.sampled_from(MONTHS))
    move = data.draw(st.sampled_from((None, 1, 4)))
    expected = count_repairs(model, on, hard, costs, (month, move))
    answer = repair(
        rules,
        RepairRequest(
            declared=name(on),
            on=name(o for o, value in hard.items() if value),
            off=name(o for o, value in hard.items() if not value),
            costs=tuple((f"o{o}", cost) for o, cost in enumerate(costs)),
            month=BuildMonth.parse(month),
            month_fixed=move is None,
            month_cost=move or 1,
            top=100,
            structure=Structure.DECLARED,
        ),
    )
    assert answer.proved
    assert answer.possible == bool(expected)
    assert [each.cost for each in answer.repairs] == [cost for cost, _, _ in expected]
    for each in answer.repairs:
        after = (on | {int(o[1:]) for o in each.add}) - {int(o[1:]) for o in each.remove}
        assert model.holds(after, str(each.month))
        assert {e.option for e in each.entries} == {*each.add, *each.remove}
        assert all(e.reason for e in each.entries)
    for part in answer.parts:
        first = answer.repairs[0]
        others = {*first.add, *first.remove} - set(part.options)
        for way in part.ways:
            changed = {int(o[1:]) for o in others ^ {*way.add, *way.remove}}
            assert model.holds((on ^ changed), month)
        assert part.ways[0].cost == sum(costs[int(o[1:])] for o in part.options)
    if not expected:
        assert_clash(model, rules, answer.clash, None if move else month)


def assert_clash(model, rules, clash, month) -> None:
    """Facts alone allow no list; without any one of them some list is possible."""
    assert clash.minimal
    assert clash.steps
    known = {f.option: f.on for f in clash.facts if f.role.value != "build month"}
    with_month = [month] if month and len(known) < len(clash.facts) else list(MONTHS)

    def possible(wanted, spans):
        return any(
            all((int(o[1:]) in each) == value for o, value in wanted.items())
            for span in spans
            for each in model.list_lists(span)
        )

    assert not possible(known, with_month)
    for option in known:
        rest = {o: v for o, v in known.items() if o != option}
        assert possible(rest, with_month)


@given(models(months=False), st.data())
@relaxed
def test_implied_and_facts(model, data) -> None:
    rules = read(model)
    lists = model.list_lists(MONTHS[0])
    answer = facts(rules)
    assert answer.possible == bool(lists)
    every = range(len(model.parents))
    always = {f"o{o}" for o in every if lists and all(o in x for x in lists)}
    never = {f"o{o}" for o in every if lists and not any(o in x for x in lists)}
    assert set(answer.core) == always
    assert set(answer.dead) == never
    optional = {
        f"o{o}"
        for _, kind, members in model.groups
        for o in members
        if small_models.count_least(kind, len(members)) < len(members)
        and f"o{o}" not in never
        and lists
        and all(o in x for x in lists if model.parents[o] in x)
    }
    assert set(answer.falsely_optional) == optional
    chosen = data.draw(st.sampled_from(every))
    left = [x for x in lists if chosen in x]
    found = implied(rules, [f"o{chosen}"])
    assert found.possible == bool(left)
    if left:
        assert set(found.on) == set(name(o for o in every if all(o in x for x in left))) - {
            f"o{chosen}"
        }
        assert set(found.off) == set(name(o for o in every if not any(o in x for x in left)))
        quick = implied(rules, [f"o{chosen}"], complete=False)
        assert set(quick.on) <= set(found.on)
        assert set(quick.off) <= set(found.off)


@given(models(), st.data())
@relaxed
def test_why_names_true_clashes(model, data) -> None:
    rules, on = read(model), pick(data, model)
    month = data.draw(st.sampled_from(MONTHS))
    answer = why(rules, name(on), month=BuildMonth.parse(month), structure=Structure.DECLARED)
    assert bool(answer.clashes) != model.holds(on, month)
    for clash in answer.clashes:
        known = {int(f.option[1:]): f.on for f in clash.facts if f.role.value != "build month"}
        spans = MONTHS if len(known) == len(clash.facts) else [month]
        assert all((option in on) == value for option, value in known.items())
        assert not any(
            all((o in each) == value for o, value in known.items())
            for span in spans
            for each in model.list_lists(span)
        )


@given(models(), st.data())
@relaxed
def test_the_skeleton_agrees_with_what_some_list_agrees_with(model, data) -> None:
    from donorfit.equipment.explain import list_month_facts
    from donorfit.equipment.warm import Warm

    compiled = compile_rules(read(model))
    warm = Warm(compiled)
    assert warm.skeleton.top  # made before its time, so that it is asked
    by_month = [model.list_lists(month) for month in MONTHS]
    for _ in range(3):
        values = data.draw(st.dictionaries(st.integers(0, len(model.parents) - 1), st.booleans()))
        month = data.draw(st.sampled_from([None, *range(len(MONTHS))]))
        known = None if month is None else BuildMonth.parse(MONTHS[month])
        places = {o: compiled.places[f"o{o}"] + 1 for o in values}
        facts = [places[o] if value else -places[o] for o, value in values.items()]
        found = [
            each
            for lists in (by_month if month is None else [by_month[month]])
            for each in lists
            if all((o in each) == value for o, value in values.items())
        ]
        assert warm.solve([*facts, *list_month_facts(compiled, known)]) == bool(found)
        if not found:
            assert not warm.holds(warm.get_core())


@given(models(), st.data())
@relaxed
def test_front_of_month_against_options(model, data) -> None:
    rules, on = read(model), pick(data, model)
    month = data.draw(st.sampled_from(MONTHS))
    request = RepairRequest(
        declared=name(on),
        costs=tuple((f"o{o}", 1 + o % 3) for o in range(len(model.parents))),
        month=BuildMonth.parse(month),
        structure=Structure.DECLARED,
    )
    front = repair(rules, request).front
    start = BuildMonth.parse(month).ordinal
    cheapest = {}
    for other in MONTHS:
        costs = [sum(1 + o % 3 for o in on ^ x) for x in model.list_lists(other)]
        moved = abs(BuildMonth.parse(other).ordinal - start)
        if costs:
            cheapest[moved] = min(*costs, cheapest.get(moved, 10**6))
    # beyond the last limit the rules stay as they are, so the counted months are all that matter
    expected = []
    for moved in sorted(cheapest):
        if not expected or cheapest[moved] < expected[-1][1]:
            expected.append((moved, cheapest[moved]))
    assert [(abs(point.month_moved), point.cost) for point in front] == expected


@given(models(), st.data())
@relaxed
def test_when_time_is_up_some_minimal_repair_is_told(model, data) -> None:
    rules, on = read(model), pick(data, model)
    month = data.draw(st.sampled_from(MONTHS))
    request = RepairRequest(
        declared=name(on),
        month=BuildMonth.parse(month),
        month_fixed=True,
        structure=Structure.DECLARED,
    )
    whole = repair(rules, request)
    cut = repair(rules, request, is_late=lambda: True)
    assert cut.possible == whole.possible or not cut.seconds_used_up
    if cut.seconds_used_up and whole.possible:
        assert not cut.proved
        assert cut.lower_bound <= whole.repairs[0].cost
        found = {*cut.repairs[0].add, *cut.repairs[0].remove}
        repairs = repair(
            rules,
            RepairRequest(
                declared=request.declared,
                month=request.month,
                month_fixed=True,
                structure=request.structure,
                top=100,
            ),
        ).repairs
        assert found in [{*each.add, *each.remove} for each in repairs]


@given(models(), st.data())
@relaxed
def test_no_repair_costs_less_than_is_told_without_a_search(model, data) -> None:
    rules, on = read(model), pick(data, model)
    month = data.draw(st.sampled_from([None, *MONTHS]))
    request = RepairRequest(
        declared=name(on),
        month=None if month is None else BuildMonth.parse(month),
        month_fixed=data.draw(st.booleans()),
        structure=data.draw(st.sampled_from([Structure.DECLARED, Structure.AUTO])),
        costs=tuple((one, data.draw(st.integers(1, 9))) for one in name(on)),
    )
    whole = repair(rules, request)
    if whole.possible:
        prepared = prepare(rules, request)
        least = find_least_cost(prepared.compiled, prepared.problem)
        assert least <= whole.repairs[0].cost * prepared.costs.scale


@given(models(largest=6), st.data())
@settings(
    max_examples=max(60, EXAMPLES // 10),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
def test_our_own_solver_gives_the_same_answers(model, data) -> None:
    """What a machine without python-sat gets."""
    from donorfit.equipment import sat
    from donorfit.equipment.warm import get_warm

    rules, on = read(model), pick(data, model)
    request = RepairRequest(
        declared=name(on),
        month=BuildMonth.parse(data.draw(st.sampled_from(MONTHS))),
        top=20,
        structure=Structure.DECLARED,
    )

    def ask(base):
        answers = repair(base, request), facts(base), why(base, name(on), month=request.month)
        return (
            sorted((r.cost, r.month) for r in answers[0].repairs),
            [p.cost for p in answers[0].front],
            (set(answers[1].core), set(answers[1].dead), set(answers[1].falsely_optional)),
            bool(answers[2].clashes),
        )

    expected = ask(rules)
    known, sat.has_glucose = sat.has_glucose, lambda: False
    try:
        get_warm.cache_clear()
        assert ask(read(model)) == expected
    finally:
        sat.has_glucose = known
        get_warm.cache_clear()


@given(models(), st.data())
@relaxed
def test_explanations_replay(model, data) -> None:
    rules, on = read(model), pick(data, model)
    month = BuildMonth.parse(data.draw(st.sampled_from(MONTHS)))
    answer = why(rules, name(on), month=month, structure=Structure.DECLARED)
    asked = why(rules, on=name(on), off=name(set(range(len(model.parents))) - on), month=month)
    for clash in (*answer.clashes, *asked.clashes):
        assert replay(rules, [clash]).sound, replay(rules, [clash])
        if clash.steps[0].rules:
            from dataclasses import replace

            cut = replace(clash, steps=(replace(clash.steps[-1], rules=()),))
            assert not replay(rules, [cut]).sound
