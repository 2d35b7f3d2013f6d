"""Laws of the supply forecast, of wires, and of the assignment."""

from itertools import permutations

from hypothesis import given
from hypothesis import strategies as st

from donorfit.electrical import Battery, forecast_supply, size_wire
from donorfit.electrical.assignment import assign
from donorfit.electrical.battery import VOLTAGE_TABLES
from donorfit.records.plan import Step, StepKind
from donorfit.vehicle.pack import SupplyWindow

loads = st.lists(st.tuples(st.floats(1, 3600), st.floats(1, 60)), max_size=6)
tables = st.sampled_from(sorted(VOLTAGE_TABLES))


def make_steps(load: list[tuple[float, float]]) -> list[Step]:
    return [
        Step(
            id=f"s{place:02}",
            kind=StepKind.PROGRAM,
            unit="u",
            address=1,
            network="n",
            what="w",
            seconds=seconds,
            current_a=current,
        )
        for place, (seconds, current) in enumerate(load)
    ]


def make_window(lowest: float) -> SupplyWindow:
    return SupplyWindow(
        lowest_volts=lowest,
        highest_volts=14.5,
        unit="u",
        identifier=1,
        volts_per_bit=0.1,
        base_current_a=8,
        battery_ah=70,
    )


@given(loads, st.floats(11.0, 13.8), tables)
def test_support_holds_the_window_and_one_ampere_less_does_not(load, lowest, table):
    battery = Battery(capacity_ah=70, table=VOLTAGE_TABLES[table])
    forecast = forecast_supply(steps=make_steps(load), window=make_window(lowest), battery=battery)
    if not forecast.holds:
        assert forecast.support_current_a == 150
        return
    assert lowest <= forecast.lowest_volts <= 14.5
    assert forecast.lowest_volts >= forecast.lowest_volts_unsupported - 1e-9
    if forecast.support_current_a == 0:
        assert forecast.lowest_volts == forecast.lowest_volts_unsupported
        return
    assert forecast.lowest_volts_unsupported < lowest


@given(loads, st.floats(1, 2))
def test_a_longer_session_never_needs_less(load, stretch):
    window = make_window(12.1)
    plain = forecast_supply(steps=make_steps(load), window=window, stretch=1)
    longer = forecast_supply(steps=make_steps(load), window=window, stretch=stretch)
    assert longer.support_current_a >= plain.support_current_a
    assert longer.lowest_volts_unsupported <= plain.lowest_volts_unsupported + 1e-9
    assert longer.charge_ah == plain.charge_ah


@given(tables, st.floats(0, 1), st.floats(0, 1))
def test_more_charge_is_never_less_voltage(table, first, second):
    volts = VOLTAGE_TABLES[table].find_volts
    low, high = sorted((first, second))
    assert volts(low) <= volts(high)


@given(st.floats(0.1, 25), st.floats(0.1, 30))
def test_a_chosen_wire_passes_every_test(current, length):
    wire = size_wire(current, length)
    if wire.found:
        assert current <= 0.75 * wire.fuse.rating_a + 1e-6
        assert wire.fuse.rating_a <= wire.fuse.wire_rating_a
        assert wire.drop_share <= 0.03
    else:
        assert wire.reason


@given(
    st.integers(0, 4).flatmap(
        lambda columns: st.lists(
            st.lists(st.integers(0, 30), min_size=columns, max_size=columns), max_size=4
        )
    ),
    st.integers(1, 30),
)
def test_the_assignment_against_all_of_them(costs, unpaired):
    answer = assign(costs, unpaired=unpaired)
    used = [column for column in answer if column is not None]
    assert len(set(used)) == len(used)

    def total(choice: list[int | None]) -> int:
        return sum(
            unpaired if column is None else costs[row][column] for row, column in enumerate(choice)
        )

    rows, columns = len(costs), len(costs[0]) if costs else 0
    slots = [*range(columns), *([None] * rows)]
    cheapest = min(total(list(choice)) for choice in set(permutations(slots, rows)))
    assert total(answer) == cheapest
