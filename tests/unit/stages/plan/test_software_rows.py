"""Software that is loaded in a row, and back: what the plan says of it before anything is sent."""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_undo_plan import undo

from donorfit.records.change_record import StepState
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Plan, Step, StepKind
from donorfit.vehicle.donor import Companion
from donorfit.vehicle.identity import SoftwareVersion, UnitId

World = Any
LIGHTING = UnitId("lighting")
UP = {"2.7": ("2.5",), "3.0": ("2.7",)}
UP_AND_BACK = {"2.5": ("2.7",), "2.7": ("2.5", "3.0"), "3.0": ("2.7",)}


def with_blocks(world: World, over: dict[str, tuple[str, ...]], **seconds: float) -> World:
    """The lighting unit, which has 2.5 and needs 3.0, with blocks over certain versions."""
    (pattern, *_) = world.pack.find_unit(LIGHTING).software_blocks
    blocks = tuple(
        replace(
            pattern,
            version=SoftwareVersion.parse(brings),
            file=f"{brings}.bin",
            hardware=("L1",),
            replaces=tuple(map(SoftwareVersion.parse, versions)),
            seconds=seconds.get(f"v{brings}", 40.0),
        )
        for brings, versions in over.items()
    )
    need = Companion(unit=LIGHTING, reason="lamps", software_from=SoftwareVersion.parse("3.0"))
    return world.with_pack_unit("lighting", software_blocks=blocks).with_module(companions=(need,))


def list_downloads(plan: Plan) -> list[Step]:
    return [step for step in plan.steps if step.kind is StepKind.PROGRAM]


def list_versions(plan: Plan) -> list[tuple[str, str]]:
    return [(step.software_before, step.software_after) for step in list_downloads(plan)]


def find(plan: Plan, id_: str) -> Finding:
    return next(each for each in plan.findings if each.id == id_)


def test_the_downloads_follow_each_other_and_only_the_last_ends_where_the_car_works(world: World):
    plan = with_blocks(world, UP).plan()
    first, last = list_downloads(plan)
    assert list_versions(plan) == [("2.5", "2.7"), ("2.7", "3.0")]
    assert [each.what for each in (first, last)] == [
        "program Lighting unit with software 2.7, download 1 of 2",
        "program Lighting unit with software 3.0, download 2 of 2",
    ]
    assert (first.round, first.safe_after) == (last.round, False)
    assert last.waits_for == (first.id,)
    assert last.waits_because == "software 2.7 has to run before what replaces it is loaded"
    assert [first.seconds, last.seconds] == [43.0, 43.0]
    # Its record, whose layout changes with 3.0, is written when the last software runs.
    late = plan.steps[plan.steps.index(last) + 1]
    assert (late.kind, late.unit, len(late.after)) == (StepKind.WRITE_RECORD, "lighting", 4)


def test_the_row_is_told_in_words_with_what_it_takes(world: World):
    note = find(with_blocks(world, UP).plan(), "software-in-a-row")
    assert note.severity is Severity.NOTE
    assert note.what == (
        "Lighting unit is brought from software 2.5 to 3.0 in 2 downloads: 2.7, then 3.0."
    )
    assert "86 s and 2048 bytes" in note.why
    assert note.evidence == ("2.7 over 2.5: 2.7.bin", "3.0 over 2.7: 3.0.bin")


def test_the_supply_is_forecast_over_all_downloads(world: World):
    plan = with_blocks(world, UP).plan()
    assert plan.supply is not None
    assert plan.order is not None
    software = plan.order.rounds[list_downloads(plan)[0].round - 1]
    assert software.seconds >= 86.0
    assert not software.restorable
    assert plan.supply.minutes == pytest.approx(plan.seconds / 60)


def test_one_download_where_that_is_cheaper(world: World):
    over = {**UP, "3.1": ("2.5",)}
    assert list_versions(with_blocks(world, over, **{"v3.1": 80.0}).plan()) == [("2.5", "3.1")]
    assert len(list_versions(with_blocks(world, over, **{"v3.1": 90.0}).plan())) == 2


def test_a_way_that_ends_too_early_is_told(world: World):
    plan = with_blocks(world, {"2.7": ("2.5",), "3.0": ("2.8",)}).plan()
    missing = find(plan, "software-missing")
    assert missing.severity is Severity.BLOCKING
    assert "3.0 after 2.8, but not after 2.5" in missing.why
    assert "lead to 2.7, and no further" in missing.why
    assert not list_downloads(plan)


def test_a_missing_way_back_is_told_link_by_link(world: World):
    warning = find(with_blocks(world, {**UP, "2.5": ("2.7",)}).plan(), "software-no-way-back")
    assert warning.severity is Severity.WARNING
    assert "from 3.0 on" in warning.what
    assert warning.evidence == (
        "once 2.7 is in: back by 2.5",
        "once 3.0 is in: no way back, it keeps 3.0",
    )
    warning = find(with_blocks(world, UP).plan(), "software-no-way-back")
    assert "from 2.7 on" in warning.what


def test_a_whole_way_back_is_told_too(world: World):
    plan = with_blocks(world, UP_AND_BACK).plan()
    note = find(plan, "software-way-back")
    assert note.severity is Severity.NOTE
    assert note.evidence == (
        "once 2.7 is in: back by 2.5",
        "once 3.0 is in: back by 2.7, then 2.5",
    )
    assert "software-no-way-back" not in [each.id for each in plan.findings]


def test_undo_leads_back_by_the_blocks_that_lead_down(world: World):
    changed = with_blocks(world, UP_AND_BACK)
    back = undo(changed, changed.plan())
    assert list_versions(back) == [("3.0", "2.7"), ("2.7", "2.5")]
    assert [step.safe_after for step in list_downloads(back)] == [False, True]
    # then the record, in the layout of the old software
    restored = next(s for s in back.steps if s.unit == "lighting" and s.after)
    assert len(restored.after) == 3
    assert back.findings == ()


@pytest.mark.parametrize(
    ("first", "second", "versions"),
    [
        (StepState.DONE, StepState.NOT_REACHED, [("2.7", "2.5")]),
        (StepState.DONE, StepState.UNCERTAIN, [("3.0", "2.7"), ("2.7", "2.5")]),
        (StepState.UNCERTAIN, StepState.NOT_REACHED, [("2.7", "2.5")]),
        (StepState.UNCERTAIN, StepState.UNCERTAIN, [("3.0", "2.7"), ("2.7", "2.5")]),
        (StepState.NOT_REACHED, StepState.NOT_REACHED, []),
        (StepState.REFUSED, StepState.NOT_REACHED, []),
    ],
)
def test_undo_of_a_row_that_was_cut(
    world: World, first: StepState, second: StepState, versions: list[tuple[str, str]]
):
    changed = with_blocks(world, UP_AND_BACK)
    plan = changed.plan()
    one, two = list_downloads(plan)
    assert list_versions(undo(changed, plan, **{one.id: first, two.id: second})) == versions


def test_undo_by_a_shorter_way_where_only_the_newest_can_be_there(world: World):
    changed = with_blocks(world, {**UP_AND_BACK, "2.5": ("2.7", "3.0")})
    plan = changed.plan()
    two = list_downloads(plan)[1]
    assert list_versions(undo(changed, plan)) == [("3.0", "2.5")]
    cut = undo(changed, plan, **{two.id: StepState.UNCERTAIN})
    assert list_versions(cut) == [("3.0", "2.7"), ("2.7", "2.5")]


def test_undo_that_passes_a_version_by_says_so_and_ends_first_what_was_begun(world: World):
    changed = with_blocks(world, {**UP, "2.5": ("3.0",)})
    plan = changed.plan()
    two = list_downloads(plan)[1]
    back = undo(changed, plan, **{two.id: StepState.UNCERTAIN})
    assert list_versions(back) == [("2.7", "3.0"), ("3.0", "2.5")]
    assert [step.only_if_begun for step in list_downloads(back)] == [True, False]
    warning = find(back, "software-passed-by")
    assert "2.7" in warning.what


def test_undo_without_a_way_back_leaves_software_and_the_record_that_belongs_to_it(world: World):
    changed = with_blocks(world, UP)
    plan = changed.plan()
    back = undo(changed, plan)
    assert list_downloads(back) == []
    assert [each.id for each in back.findings] == ["software-stays", "layout-stays"]
    one, two = list_downloads(plan)
    cut = undo(changed, plan, **{one.id: StepState.UNCERTAIN, two.id: StepState.UNCERTAIN})
    assert list_versions(cut) == [("2.5", "2.7"), ("2.7", "3.0")]
    assert all(step.only_if_begun for step in list_downloads(cut))
