"""The demonstration: pack, car, bench and declared survey belong together and tell one story."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zlib import crc32

import pytest

from donorfit.configuration import decode_option_list, derive, is_checksum_right, read_fields
from donorfit.edge.packs import load_pack, read_declared_survey
from donorfit.edge.packs.pack_reader import read_software_image
from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.equipment import RepairRequest, check, facts, repair
from donorfit.records.survey import (
    FaultRead,
    OptionListRead,
    RecordRead,
    Survey,
    SurveyKind,
    UnitSurvey,
)
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import NEUTRAL_VIN, Scenario, UnitTruth
from donorfit.stages.fit_check import fit_check
from donorfit.stages.plan import make_plan
from donorfit.vehicle.expression import Facts
from donorfit.vehicle.identity import BuildMonth, FaultCode, OptionName, SoftwareVersion, UnitId
from donorfit.vehicle.layout import FieldKind
from donorfit.vehicle.network import NetworkKind
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.rules import GroupKind

BUILT = BuildMonth.parse("2020-03")
BORDER = BuildMonth.parse("2021-07")
MODULE = "tow_control_2"
OLD_CODE = ("climate", 0x94101C)

CUSTOMISED = {
    ("gateway", "sleep_delay_s"): 1800,
    ("gateway", "language"): 4,
    ("gateway", "reminder_km"): 30,
    ("body", "lock_on_drive"): 1,
    ("body", "windows_by_remote"): 1,
    ("body", "mirrors_fold_on_lock"): 1,
    ("lighting", "tail_with_daytime"): 1,
    ("lighting", "light_home_s"): 60,
    ("lighting", "daytime_percent"): 70,
    ("climate", "seat_heating_auto"): 1,
    ("climate", "fan_auto"): 0,
    ("seat", "easy_entry"): 1,
    ("park_distance", "volume_rear"): 3,
    ("park_distance", "pitch_rear_hz"): 900,
    ("rear_camera", "start_view"): 1,
    ("rear_camera", "lines_colour"): 1,
    ("instrument", "speed_warning"): 1,
    ("instrument", "speed_warning_kmh"): 105,
    ("media_source", "volume_speed"): 1,
    ("media_source", "bass_db"): 3,
}
EARLIER_RETROFIT = {("amplifier", "sound_stage"): 2, ("amplifier", "subwoofer"): 0}


@pytest.fixture(scope="module")
def demo(repository: Path) -> Path:
    return repository / "src" / "donorfit" / "demo"


@pytest.fixture(scope="module")
def pack(demo: Path) -> Pack:
    reading = load_pack(demo / "pack", thorough=True)
    assert reading.warnings == ()
    return reading.pack


@pytest.fixture(scope="module")
def car(demo: Path) -> Scenario:
    return read_scenario(demo / "car.toml")


@pytest.fixture(scope="module")
def declared(pack: Pack, car: Scenario) -> OptionListRead:
    """The list that counts: what the master in the car stores."""
    return read_lists(pack, car)[UnitId("gateway")]


def read_lists(pack: Pack, car: Scenario) -> dict[UnitId, OptionListRead]:
    truths = {truth.id: truth for truth in car.units}
    found = {}
    for unit in pack.list_keepers():
        keeper = truths[unit.id].keeper
        assert keeper is not None
        assert unit.option_list is not None
        assert len(keeper.content) == unit.option_list.length_bytes
        found[unit.id] = decode_option_list(unit.option_list, pack, keeper.content)
    return found


def list_fitted(pack: Pack, car: Scenario) -> tuple[OptionName, ...]:
    fitted = {truth.id for truth in car.units if truth.fitted}
    return tuple(
        unit.present_option
        for unit in pack.units
        if unit.present_option is not None and unit.id in fitted
    )


def test_the_family_has_the_size_that_was_asked_for(pack: Pack) -> None:
    rules = pack.rules
    concrete = len(rules) - len(rules.list_abstract()) - len(rules.types)
    assert concrete >= 150
    assert len(rules.rules) >= 80
    assert {GroupKind.OPTIONAL, GroupKind.OR, GroupKind.ALTERNATIVE} <= set(rules.group_kinds)
    assert sum(rule.window.limited for rule in rules.rules) >= 10
    assert len(pack.units) >= 14
    assert len(pack.faults) >= 40
    assert {module.id for module in pack.modules} == {MODULE, "amplifier_2"}
    buses = [each for each in pack.networks if each.kind is NetworkKind.CAN]
    assert len(buses) == 3
    assert all(len(bus.messages) >= 12 for bus in buses)
    assert all(1 <= len(unit.records) <= 3 for unit in pack.units)
    lengths = [
        layout.length_bytes
        for unit in pack.units
        for record in unit.records
        for layout in record.layouts
    ]
    assert min(lengths) >= 4
    assert max(lengths) <= 24
    assert any(len(record.layouts) == 2 for unit in pack.units for record in unit.records)
    assert BORDER in rules.list_months()


def test_every_option_is_possible_and_no_rule_is_spare(pack: Pack) -> None:
    answer = facts(pack.rules)
    assert answer.possible
    assert answer.dead == ()
    assert answer.falsely_optional == ()
    assert answer.redundant == ()


def test_no_real_car_is_in_it(pack: Pack, car: Scenario) -> None:
    assert pack.wmi == ("ZZ9",)
    assert car.vin.decode().startswith("ZZ9")


def test_the_car_is_of_the_family(pack: Pack, car: Scenario) -> None:
    messages = {m.name: m.senders for network in pack.networks for m in network.messages}
    for message in car.messages:
        assert messages[message.name] == (message.sender,)
    known = {(fault.unit, fault.code): fault.title for fault in pack.faults}
    assert [truth.id for truth in car.units] == [unit.id for unit in pack.units]
    for truth, unit in zip(car.units, pack.units, strict=True):
        assert truth.address == unit.address
        assert truth.hardware in unit.hardware
        assert {(each.identifier, each.writable) for each in truth.records} == {
            (each.identifier, each.writable) for each in unit.records
        }
        assert all((unit.id, fault.code) in known for fault in truth.faults), unit.id


def test_the_software_in_the_pack_is_what_the_unit_accepts(
    demo: Path, pack: Pack, car: Scenario
) -> None:
    unit = pack.find_unit(UnitId("tow_control"))
    assert unit is not None
    block = unit.software_blocks[0]
    data = read_software_image(demo / "pack", block).data
    truth = next(each for each in car.units if each.id == unit.id).blocks[0]
    assert (truth.size_bytes, truth.crc32) == (len(data), crc32(data))
    assert truth.memory_address == block.memory_address
    assert truth.version == str(block.version)


def list_values(
    pack: Pack, car: Scenario, declared: OptionListRead
) -> Iterator[tuple[str, str, int, int | None]]:
    """Unit, field, value stored, value derived from the declared list; per-car values left out."""
    truths = {truth.id: truth for truth in car.units}
    for unit in pack.units:
        truth = truths[unit.id]
        software = SoftwareVersion.parse(truth.software)
        known = Facts(options=frozenset(declared.options), month=BUILT, software=software)
        for record in unit.records:
            stored = next(r for r in truth.records if r.identifier == record.identifier).content
            layout = record.choose_layout(software)
            assert layout is not None
            assert len(stored) == layout.length_bytes
            assert layout.checksum is None or is_checksum_right(layout.checksum, stored)
            values = dict(read_fields(layout, stored))
            kinds = {field.name: field.kind for field in layout.fields}
            for each in derive(layout, known):
                if kinds[each.name] is not FieldKind.PER_CAR:
                    yield unit.id, each.name, values[each.name], each.raw


def test_the_records_are_derived_but_for_what_is_listed(
    pack: Pack, car: Scenario, declared: OptionListRead
) -> None:
    found = {
        (unit, name): stored
        for unit, name, stored, derived in list_values(pack, car, declared)
        if unit != "tow_control" and stored != derived
    }
    assert found == CUSTOMISED | EARLIER_RETROFIT


def test_the_module_in_the_car_is_the_neutral_one_of_the_bench(demo: Path, car: Scenario) -> None:
    bench, other = (read_scenario(demo / f) for f in ("bench.toml", "bench_other_vin.toml"))
    inside = next(truth for truth in car.units if truth.id == "tow_control")
    alone, foreign = bench.units[0], other.units[0]
    assert alone.vin == inside.vin == NEUTRAL_VIN
    assert foreign.vin == bench.vin != car.vin
    for key in ("serial", "hardware", "software", "part", "address", "records", "blocks"):
        assert getattr(alone, key) == getattr(inside, key) == getattr(foreign, key), key


def test_what_the_earlier_retrofit_left(
    pack: Pack, car: Scenario, declared: OptionListRead
) -> None:
    copy = read_lists(pack, car)[UnitId("body")]
    assert declared.month == copy.month == BUILT
    assert declared.unknown == copy.unknown == ()
    assert set(declared.options) - set(copy.options) == {"sound_surround", "boot_subwoofer"}
    assert set(copy.options) <= set(declared.options)
    assert check(pack.rules, copy.options, BUILT).possible
    assert not check(pack.rules, declared.options, BUILT).possible


def test_one_cheapest_repair_is_proved(
    pack: Pack, car: Scenario, declared: OptionListRead
) -> None:
    module = pack.find_module(MODULE)
    assert module is not None
    answer = repair(
        pack.rules,
        RepairRequest(
            declared=declared.options,
            on=module.options_on,
            off=module.options_off,
            fitted=list_fitted(pack, car),
            month=BUILT,
            top=5,
        ),
    )
    assert answer.possible
    assert answer.proved
    assert len(answer.repairs) == 1
    best = answer.repairs[0]
    assert best.month == BORDER
    assert set(best.remove) == {"sound_6", "sound_surround", "boot_subwoofer", "service_plan_1"}
    assert set(best.add) == {
        "towing_coupling",
        "trailer_electrics",
        "trailer_electrics_2",
        "trailer_socket_13",
        "park_distance_trailer",
        "camera_coupling_view",
        "sound_amplifier",
        "sound_hifi",
        "service_plan_2",
    }


def read_faults(car: SimulatedCar, truth: UnitTruth) -> tuple[FaultRead, ...]:
    """Ask a unit for its codes (0x19 0x02) and read the answer by hand: ISO 14229-1."""
    answer = car.handle(truth.address, b"\x19\x02\xff", 100.0)[0].pdu
    assert answer[:2] == b"\x59\x02"
    rows = [answer[at : at + 4] for at in range(3, len(answer), 4)]
    return tuple(
        FaultRead(code=FaultCode(int.from_bytes(row[:3], "big")), status=row[3]) for row in rows
    )


def survey_car(pack: Pack, scenario: Scenario) -> Survey:
    car = SimulatedCar(scenario, fast=True)
    lists = read_lists(pack, scenario)
    return Survey(
        kind=SurveyKind.CAR,
        pack=pack.id,
        pack_digest=pack.digest,
        taken_at="2026-01-01T00:00:00+00:00",
        vin=scenario.vin.decode(),
        month=lists[UnitId("gateway")].month,
        options=lists[UnitId("gateway")].options,
        units=tuple(
            UnitSurvey(
                unit=truth.id,
                address=truth.address,
                answered=True,
                vin=truth.vin.decode() if truth.vin != NEUTRAL_VIN else "",
                serial=truth.serial,
                hardware=truth.hardware,
                part=truth.part,
                software=truth.software,
                option_list=lists.get(truth.id),
                records=tuple(
                    RecordRead(identifier=each.identifier, data=each.content)
                    for each in truth.records
                ),
                faults=read_faults(car, truth),
                fault_availability=truth.availability_mask,
            )
            for truth in scenario.units
        ),
        supply_volts=13.6,
    )


def test_the_plan_makes_every_code_go_but_the_old_one(pack: Pack, car: Scenario) -> None:
    survey = survey_car(pack, car)
    codes = {(unit.unit, each.code) for unit in survey.units for each in unit.faults}
    assert len(codes) == 19
    assert OLD_CODE in codes
    report = fit_check(pack, survey, MODULE)
    plan = make_plan(pack, survey, report)
    assert plan.questions == ()
    assert plan.month_after == BORDER
    touched = {edit.unit for edit in plan.edits}
    assert touched == {
        "gateway", "body", "lighting", "park_distance", "rear_camera", "tow_control",
        "media_source",
    }  # fmt: skip
    after = {(step.unit, step.identifier): step.after for step in plan.steps if step.after}
    mended = replace(car, units=tuple(_write(truth, after) for truth in car.units))
    new = SimulatedCar(mended, fast=True)
    left = {
        (truth.id, each.code)
        for truth in mended.units
        for each in read_faults(new, truth)
        if each.status & 0x09
    }
    assert left == {OLD_CODE}
    lists = read_lists(pack, mended)
    assert lists[UnitId("gateway")].options == lists[UnitId("body")].options


def _write(truth: UnitTruth, after: dict[tuple[UnitId, int], bytes]) -> UnitTruth:
    keeper = truth.keeper
    return replace(
        truth,
        keeper=keeper
        and replace(keeper, content=after.get((truth.id, keeper.identifier), keeper.content)),
        records=tuple(
            replace(each, content=after.get((truth.id, each.identifier), each.content))
            for each in truth.records
        ),
    )


def test_the_owner_keeps_every_value(pack: Pack, car: Scenario, declared: OptionListRead) -> None:
    survey = survey_car(pack, car)
    plan = make_plan(pack, survey, fit_check(pack, survey, MODULE))
    written = {(edit.unit, each.name): each.result for edit in plan.edits for each in edit.fields}
    kept = {key: value for key, value in CUSTOMISED.items() if key in written}
    assert len(kept) >= 9
    assert {key: written[key] for key in kept} == kept


def test_the_declared_survey_is_the_car_as_its_papers_say(
    demo: Path, pack: Pack, car: Scenario
) -> None:
    survey = read_declared_survey(demo / "declared.toml", pack)
    assert survey.vin == car.vin.decode()
    assert survey.month == BUILT
    assert survey.options == read_lists(pack, car)[UnitId("body")].options
    truths = {truth.id: truth for truth in car.units}
    for unit in survey.units:
        assert unit.software == truths[unit.unit].software
        assert unit.hardware in {"", truths[unit.unit].hardware}
