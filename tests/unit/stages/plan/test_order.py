"""Steps in rounds: what comes before what, why a round waits, and what limits do."""

import random
import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "job"))
from toys import make_pack, make_step

from donorfit.records.finding import Severity
from donorfit.records.plan import PlanPurpose, StepKind
from donorfit.stages.plan.order import order_steps, order_within_support
from donorfit.vehicle.control_unit import (
    ControlUnit,
    KeeperRole,
    ListEncoding,
    OptionListStore,
    SoftwareBlock,
)
from donorfit.vehicle.identity import Address, DataIdentifier, SoftwareVersion, UnitId
from donorfit.vehicle.pack import GatewayTurn, SideBySide, SupplyWindow

FORTH, BACK = PlanPurpose.RETROFIT, PlanPurpose.UNDO
BASE_A = 10.0
LISTS, RECORD, RESET = StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD, StepKind.RESET
PROGRAM, CLEAR = StepKind.PROGRAM, StepKind.CLEAR_FAULTS
BLOCK_BYTES, BLOCK_SECONDS = 40_000, 40.0
WINDOW = SupplyWindow(
    lowest_volts=12.0,
    highest_volts=15.0,
    unit=UnitId("u5"),
    identifier=DataIdentifier(0xD010),
    volts_per_bit=0.001,
    base_current_a=BASE_A,
    battery_ah=70.0,
)


def make_unit(number, network, role=None):
    block = SoftwareBlock(
        version=SoftwareVersion.parse("2.3"),
        file="block.bin",
        sha256="b" * 64,
        memory_address=0,
        size_bytes=BLOCK_BYTES,
        hardware=("H",),
        routine_check=1,
        seconds=BLOCK_SECONDS,
    )
    store = OptionListStore(
        role=role or KeeperRole.COPY,
        identifier=DataIdentifier(0x2000),
        encoding=ListEncoding.CODES,
        length_bytes=42,
    )
    return ControlUnit(
        id=UnitId(f"u{number}"),
        title=f"Unit {number}",
        address=Address(number),
        network=network,
        option_list=store if role else None,
        software_blocks=(block,),
    )


def make_family(**allowed):
    """Unit 1 is the gateway and keeps the list that counts; 2 and 3 are with it on network a."""
    units = (
        make_unit(1, "a", KeeperRole.MASTER),
        make_unit(2, "a", KeeperRole.COPY),
        make_unit(3, "a"),
        make_unit(4, "b", KeeperRole.COPY),
        make_unit(5, "b"),
        make_unit(6, "c"),
    )
    side_by_side = SideBySide(**{"most_units": 3, **allowed}) if allowed is not None else None
    return replace(make_pack(), units=units, gateway=Address(1), side_by_side=side_by_side)


def step(kind, number, seconds=2.0, current_a=BASE_A, **more):
    network = {1: "a", 2: "a", 3: "a", 4: "b", 5: "b", 6: "c"}[number]
    made = make_step(0, kind, number, f"u{number}", seconds=seconds, current_a=current_a, **more)
    return replace(made, network=network)


def program(number, current_a=BASE_A + 5, seconds=BLOCK_SECONDS):
    return step(PROGRAM, number, seconds, current_a, software_sha256="b" * 64)


def find_rounds(ordered):
    """Rounds by kind and unit number."""
    return {(each.kind, each.address): each.round for each in ordered.steps}


ROW = (
    step(LISTS, 1), step(LISTS, 2), step(LISTS, 4),
    step(RECORD, 3), step(RECORD, 3), step(RECORD, 4), step(RECORD, 6),
    step(RESET, 1, 4.0), step(RESET, 2), step(RESET, 4), step(RESET, 6, 9.0),
    program(3), step(RECORD, 3), step(RESET, 3), program(6),
    *(step(CLEAR, number) for number in (1, 2, 3, 4, 6)),
)  # fmt: skip


def test_a_retrofit_goes_from_the_list_that_counts_to_the_fault_codes():
    ordered = order_steps(make_family(), ROW, FORTH)
    kinds = [[each.kind for each in ordered.steps if each.round == n] for n in range(1, 8)]
    assert kinds[0] == [LISTS]
    assert [each.address for each in ordered.steps if each.round == 1] == [1]
    assert set(kinds[1]) == {LISTS}
    assert set(kinds[2]) == {RECORD}
    assert set(kinds[3]) == set(kinds[4]) == {RESET}
    assert kinds[5] == [PROGRAM, RECORD, RESET, PROGRAM]
    assert set(kinds[6]) == {CLEAR}
    assert [each.id for each in ordered.steps] == [f"s{n:02d}" for n in range(1, len(ROW) + 1)]
    assert ordered.order.seconds == 2 + 2 + 4 + 9 + 4 + 44 + 6
    assert ordered.order.row_seconds == sum(each.seconds for each in ROW)
    assert ordered.order.proved
    assert ordered.order.last_restorable == 5


def test_the_gateway_restarts_by_itself_and_its_round_says_why():
    ordered = order_steps(make_family(), ROW, FORTH)
    restart = next(each for each in ordered.steps if (each.kind, each.address) == (RESET, 1))
    each = ordered.order.rounds[restart.round - 1]
    assert [lane.steps for lane in each.lanes] == [(restart.id,)]
    assert "reached through the gateway" in each.because


@pytest.mark.parametrize(("turn", "place"), [(GatewayTurn.FIRST, 1), (GatewayTurn.LAST, 2)])
def test_the_gateway_is_programmed_first_or_last_as_the_pack_says(turn, place):
    row = (program(3), program(1), program(4), step(CLEAR, 1))
    ordered = order_steps(make_family(gateway=turn), row, FORTH)
    assert find_rounds(ordered)[PROGRAM, 1] == place
    assert find_rounds(ordered)[PROGRAM, 3] == find_rounds(ordered)[PROGRAM, 4] == 3 - place


def test_the_unit_that_reports_the_supply_is_written_by_itself():
    pack = replace(make_family(), supply=WINDOW)
    row = (step(RECORD, 3), step(RECORD, 5), step(RECORD, 6), step(RESET, 5), step(RESET, 6))
    rounds = find_rounds(order_steps(pack, row, FORTH))
    assert rounds[RECORD, 3] == rounds[RECORD, 6] != rounds[RECORD, 5]
    assert rounds[RESET, 5] == rounds[RESET, 6]


def test_the_way_back_is_the_other_way_round():
    row = (program(3), step(RECORD, 6), step(RECORD, 3), step(LISTS, 4), step(LISTS, 1),
           step(RESET, 1), step(RESET, 6), step(CLEAR, 1))  # fmt: skip
    ordered = order_steps(make_family(), row, BACK)
    rounds = find_rounds(ordered)
    assert (
        rounds[PROGRAM, 3] < rounds[RECORD, 3] == rounds[RECORD, 6] < rounds[LISTS, 4]
        < rounds[LISTS, 1] < rounds[RESET, 6] < rounds[RESET, 1] < rounds[CLEAR, 1]
    )  # fmt: skip
    assert ordered.order.last_restorable == 0


def test_too_much_current_together_makes_two_rounds_and_says_so():
    row = (program(3, BASE_A + 8), program(4, BASE_A + 8), step(CLEAR, 1))
    free = order_steps(make_family(most_current_a=26.0), row, FORTH)
    assert find_rounds(free)[PROGRAM, 3] == find_rounds(free)[PROGRAM, 4]
    assert free.order.rounds[0].current_a == 26.0
    bound = order_steps(make_family(most_current_a=25.9), row, FORTH)
    assert find_rounds(bound)[PROGRAM, 3] != find_rounds(bound)[PROGRAM, 4]
    assert "26.0 A" in bound.order.rounds[1].because
    assert all(each.current_a <= 25.9 for each in bound.order.rounds)
    assert order_steps(make_family(), row, FORTH, 25.9).order == bound.order


def test_too_much_load_on_the_gateway_makes_two_rounds_and_says_so():
    row = (program(3), program(4), step(CLEAR, 1))
    rate = BLOCK_BYTES / BLOCK_SECONDS
    free = order_steps(make_family(gateway_bytes_per_s=2 * rate), row, FORTH)
    assert len(free.order.rounds) == 2
    bound = order_steps(make_family(gateway_bytes_per_s=2 * rate - 1), row, FORTH)
    assert len(bound.order.rounds) == 3
    assert "the gateway passes" in bound.order.rounds[1].because


def test_a_single_step_above_the_limit_forbids_the_plan():
    row = (program(3, BASE_A + 20), step(CLEAR, 1))
    ordered = order_steps(make_family(most_current_a=25.0), row, FORTH)
    (found,) = ordered.findings
    assert (found.id, found.severity) == ("current-limit", Severity.BLOCKING)
    asleep = order_steps(make_family(most_current_a=BASE_A - 1), row, FORTH)
    assert "by itself" in asleep.findings[0].what


def test_a_pack_that_says_nothing_is_worked_on_unit_by_unit():
    pack = replace(make_family(), side_by_side=None)
    ordered = order_steps(pack, ROW, FORTH)
    assert all(len(each.lanes) == 1 for each in ordered.order.rounds)
    assert ordered.order.seconds == ordered.order.row_seconds
    assert [each.id for each in ordered.findings] == ["side-by-side-not-said"]


def test_a_weak_supply_makes_less_happen_at_once():
    pack = replace(make_family(), supply=WINDOW)
    row = (program(3, BASE_A + 8), program(4, BASE_A + 8), step(CLEAR, 1))
    strong, needed, _ = order_within_support(pack, row, 150.0)
    assert len(strong.order.rounds) == 2
    weak, less, _ = order_within_support(pack, row, needed.support_current_a - 1)
    assert len(weak.order.rounds) == 3
    assert less.support_current_a < needed.support_current_a
    assert less.peak_current_a == BASE_A + 8


def test_no_step_is_no_round():
    ordered = order_steps(make_family(), (), FORTH)
    assert (ordered.steps, ordered.order, ordered.seconds) == ((), None, 0.0)


def make_random_row(dice):
    """Random work in an order that could be followed as it is."""
    row = [step(LISTS, number) for number in (1, 2, 4) if dice.random() < 0.6]
    for number in range(1, 7):
        row += [
            step(RECORD, number, dice.choice((2.0, 3.0))) for _ in range(dice.choice((0, 1, 2)))
        ]
    row += [step(RESET, number, dice.choice((3.0, 12.0))) for number in range(1, 7)]
    for number in dice.sample(range(1, 7), dice.randint(0, 4)):
        row.append(program(number, BASE_A + dice.choice((1.0, 6.0)), dice.choice((30.0, 90.0))))
        if dice.random() < 0.3:
            row += [step(RECORD, number), step(RESET, number)]
    return [*row, *(step(CLEAR, number) for number in range(1, 7))]


@pytest.mark.parametrize("seed", range(60))
def test_every_order_keeps_the_laws(seed):
    dice = random.Random(seed)
    row = make_random_row(dice)
    pack = replace(
        make_family(
            most_units=dice.randint(1, 3),
            gateway=dice.choice(list(GatewayTurn)),
            most_current_a=dice.choice((None, BASE_A + 7, BASE_A + 13)),
        ),
        supply=dice.choice((None, WINDOW)),
    )
    ordered = order_steps(pack, row, FORTH)
    order, steps = ordered.order, ordered.steps
    assert order.proved
    assert sorted(map(repr, map(forget, steps))) == sorted(map(repr, row)), "every step once"
    assert [id_ for r in order.rounds for lane in r.lanes for id_ in lane.steps] == [
        each.id for each in steps
    ]
    by_id = {each.id: each for each in steps}
    for unit in {each.unit for each in row}:
        own = [forget(each) for each in steps if each.unit == unit]
        assert own == [each for each in row if each.unit == unit], "a unit's own order stays"
    software = [each.round for each in steps if each.kind is PROGRAM]
    heads = {lane.steps[0] for lane in order.rounds[0].lanes}
    for each in steps:
        assert all(by_id[id_].round <= each.round for id_ in each.waits_for)
        assert bool(each.waits_for) == bool(each.waits_because) == (each.id not in heads)
        if each.kind is LISTS and software:
            assert each.round < min(software)
        if each.kind is CLEAR:
            assert each.round > max(other.round for other in steps if other.kind is not CLEAR)
    for each in order.rounds:
        assert len(each.lanes) <= pack.side_by_side.most_units
        assert each.restorable == (not software or each.number < min(software))
        if pack.side_by_side.most_current_a is not None and len(each.lanes) > 1:
            assert each.current_a <= pack.side_by_side.most_current_a


def forget(each):
    """The step as it was in the row."""
    return replace(each, id="s00", round=0, waits_for=(), waits_because="")
