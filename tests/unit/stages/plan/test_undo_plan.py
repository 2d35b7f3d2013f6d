"""The plan that takes a carried-out plan back."""

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from donorfit.errors import SafetyError
from donorfit.records.change_record import ChangeRecord, StepResult, StepState
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Severity
from donorfit.records.plan import FaultPhase, FieldVerdict, Plan, PlanPurpose, StepKind
from donorfit.records.preparation import Backup, Identity, Preparation
from donorfit.stages.plan import make_undo_plan
from donorfit.vehicle.donor import Companion
from donorfit.vehicle.identity import SoftwareVersion, UnitId

World = Any
WRITES = (StepKind.WRITE_OPTION_LIST, StepKind.WRITE_RECORD)


def prepare(plan: Plan) -> Preparation:
    return Preparation(
        plan_digest=compute_digest(plan),
        vin=plan.vin,
        prepared_at="2026-01-01T00:00:00+00:00",
        backups=tuple(
            Backup(
                unit=step.unit,
                address=step.address,
                identifier=step.identifier,
                data=step.before,
                sha256=hashlib.sha256(step.before).hexdigest(),
            )
            for step in plan.steps
            if step.kind in WRITES
        ),
        identities=tuple(
            Identity(
                unit=step.unit, address=step.address, serial="", hardware="L1", software="2.5"
            )
            for step in plan.steps
        ),
        wake_checks=(),
        supply_volts=13.4,
        support_current_a=30.0,
        ready=True,
    )


def change(plan: Plan, preparation: Preparation, states: Mapping[str, StepState]) -> ChangeRecord:
    return ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(preparation),
        vin=plan.vin,
        steps=tuple(
            StepResult(
                step=step.id,
                unit=step.unit,
                what=step.what,
                state=states.get(step.id, StepState.DONE),
            )
            for step in plan.steps
        ),
        finished=True,
        changed=(),
    )


def undo(world: World, plan: Plan, **states: StepState) -> Plan:
    preparation = prepare(plan)
    return make_undo_plan(world.pack, plan, preparation, change(plan, preparation, states))


def test_every_write_goes_back_in_reverse_order(world: World) -> None:
    plan = world.plan()
    back = undo(world, plan)
    written = [step for step in plan.steps if step.kind in WRITES]
    restored = [step for step in back.steps if step.kind in WRITES]
    assert [(s.unit, s.before, s.after) for s in restored] == [
        (s.unit, s.after, s.before) for s in reversed(written)
    ]
    assert restored[-1].unit == "gateway"
    assert [step.kind for step in back.steps[len(restored) :]] == [StepKind.RESET] * 4 + [
        StepKind.CLEAR_FAULTS
    ] * 4
    assert [step.id for step in back.steps[:2]] == ["s01", "s02"]


def test_a_car_that_was_prepared_again_in_between_gets_the_first_bytes_back(world: World) -> None:
    """The second preparation's backups hold what the first run wrote."""
    plan = world.plan()
    first = prepare(plan)
    written = tuple(
        replace(backup, data=step.after, sha256=hashlib.sha256(step.after).hexdigest())
        for backup, step in zip(
            first.backups, (step for step in plan.steps if step.kind in WRITES), strict=True
        )
    )
    second = replace(first, backups=written)
    back = make_undo_plan(world.pack, plan, second, change(plan, second, {}))
    assert [(s.unit, s.after) for s in back.steps if s.kind in WRITES] == [
        (s.unit, s.before) for s in reversed(plan.steps) if s.kind in WRITES
    ]


def test_the_list_and_the_month_are_the_old_ones_again(world: World) -> None:
    plan = world.plan()
    back = undo(world, plan)
    assert back.purpose is PlanPurpose.UNDO
    assert (back.options_before, back.options_after) == (plan.options_after, plan.options_before)
    assert (back.month_before, back.month_after) == (plan.month_after, plan.month_before)
    assert {(each.option, each.declared) for each in back.option_changes} == {
        (each.option, not each.declared) for each in plan.option_changes
    }
    assert back.preparation_digest == compute_digest(prepare(plan))
    assert back.supply is not None


def test_fields_are_shown_on_their_way_back(world: World) -> None:
    plan = world.plan()
    edit = next(each for each in undo(world, plan).edits if each.unit == "body")
    trailer = edit.fields[0]
    assert (trailer.current, trailer.result, trailer.verdict) == (1, 0, FieldVerdict.APPLIED)
    assert edit.fields[1].verdict is FieldVerdict.UNCHANGED


def test_a_checksum_is_one_on_its_way_back_too(world: World) -> None:
    plan = world.plan()
    forward = {
        (edit.unit, edit.record)
        for edit in plan.edits
        if any(field.verdict is FieldVerdict.RECOMPUTED for field in edit.fields)
    }
    assert forward
    back = undo(world, plan)
    assert forward == {
        (edit.unit, edit.record)
        for edit in back.edits
        if any(field.verdict is FieldVerdict.RECOMPUTED for field in edit.fields)
    }


def test_only_what_was_or_may_have_been_done_goes_back(world: World) -> None:
    plan = world.plan()
    states = dict.fromkeys((step.id for step in plan.steps), StepState.NOT_REACHED)
    states |= {"s01": StepState.DONE, "s02": StepState.UNCERTAIN, "s03": StepState.REFUSED}
    back = undo(world, plan, **states)
    assert [step.unit for step in back.steps if step.kind in WRITES] == ["body", "gateway"]
    assert back.edits == ()


def test_nothing_done_leaves_nothing_to_undo(world: World) -> None:
    plan = world.plan()
    states = dict.fromkeys((step.id for step in plan.steps), StepState.NOT_REACHED)
    back = undo(world, plan, **states)
    assert back.steps == ()
    assert back.options_after == plan.options_after
    assert [each.id for each in back.findings] == ["nothing-to-undo"]


def test_bytes_that_are_neither_old_nor_new_are_left_and_told(world: World) -> None:
    plan = world.plan()
    back = undo(world, plan, s03=StepState.DIFFERS)
    assert "s03" in {step.id for step in plan.steps if step.unit == "body"}
    assert [s.unit for s in back.steps if s.kind is StepKind.WRITE_RECORD] == [
        "tow_control",
        "lighting",
    ]
    finding = next(each for each in back.findings if each.id == "neither-old-nor-new")
    assert plan.steps[2].before.hex().upper() in finding.next_step


def test_they_are_replaced_where_it_is_known_what_they_are(world: World) -> None:
    plan = world.plan()
    preparation = prepare(plan)
    done = change(plan, preparation, {"s03": StepState.DIFFERS})
    steps = tuple(
        replace(each, held=b"odd!") if each.step == "s03" else each for each in done.steps
    )
    back = make_undo_plan(world.pack, plan, preparation, replace(done, steps=steps))
    step = next(s for s in back.steps if s.kind is StepKind.WRITE_RECORD and s.unit == "body")
    assert (step.before, step.after) == (b"odd!", plan.steps[2].before)
    assert back.findings == ()


def test_settled_codes_come_back_with_the_old_state(world: World) -> None:
    back = undo(world, world.plan())
    assert back.expected_faults
    assert all(each.phase is FaultPhase.DURING for each in back.expected_faults)


def test_what_only_shows_during_work_is_not_said_to_come_from_before(world: World) -> None:
    plan = world.plan()
    settled = next(e for e in plan.expected_faults if e.phase is FaultPhase.GONE_AFTER)
    passing = replace(settled, phase=FaultPhase.DURING, cause="it restarts")
    plan = replace(plan, expected_faults=(settled, passing))
    preparation = prepare(plan)
    done = change(plan, preparation, {each.id: StepState.DONE for each in plan.steps})
    back = make_undo_plan(world.pack, plan, preparation, done)
    assert [each.cause for each in back.expected_faults] == [
        f"{settled.cause}, as before the work",
        "it restarts",
    ]


class TestSoftware:
    @pytest.fixture
    def programmed(self, world: World) -> World:
        need = Companion(
            unit=UnitId("lighting"), reason="lamps", software_from=SoftwareVersion.parse("3.0")
        )
        return world.with_module(companions=(need,))

    def test_without_the_old_block_it_stays_and_its_record_too(self, programmed: World) -> None:
        plan = programmed.plan()
        back = undo(programmed, plan)
        assert StepKind.PROGRAM not in {step.kind for step in back.steps}
        ids = [each.id for each in back.findings]
        assert ids == ["software-stays", "layout-stays"]
        assert "lighting" not in {step.unit for step in back.steps}

    def test_a_download_that_may_have_been_cut_is_ended_before_anything_is_restored(
        self, programmed: World
    ) -> None:
        """A unit in its boot loader shows no records, and there is no old block to load."""
        plan = programmed.plan()
        download = next(step for step in plan.steps if step.kind is StepKind.PROGRAM)
        back = undo(programmed, plan, **{download.id: StepState.UNCERTAIN})
        first = back.steps[0]
        assert (first.kind, first.unit, first.only_if_begun) == (
            StepKind.PROGRAM,
            download.unit,
            True,
        )
        assert (first.software_before, first.software_after) == (
            download.software_before,
            download.software_after,
        )

    def test_with_the_old_block_it_goes_back_before_the_record(self, programmed: World) -> None:
        unit = programmed.pack.find_unit(UnitId("lighting"))
        old = replace(unit.software_blocks[1], version=SoftwareVersion.parse("2.5"))
        world = programmed.with_pack_unit("lighting", software_blocks=(*unit.software_blocks, old))
        plan = world.plan()
        back = undo(world, plan)
        kinds = [step.kind for step in back.steps if step.unit == "lighting"]
        assert kinds == [
            StepKind.PROGRAM,
            StepKind.WRITE_RECORD,
            StepKind.RESET,
            StepKind.CLEAR_FAULTS,
        ]
        assert (back.steps[0].software_before, back.steps[0].software_after) == ("3.0", "2.5")
        assert back.findings == ()

    def test_an_old_block_that_may_not_go_over_the_new_one_stays_away(
        self, programmed: World
    ) -> None:
        unit = programmed.pack.find_unit(UnitId("lighting"))
        for over, goes_back in (("3.0", True), ("2.9", False)):
            old = replace(
                unit.software_blocks[1],
                version=SoftwareVersion.parse("2.5"),
                replaces=(SoftwareVersion.parse(over),),
            )
            world = programmed.with_pack_unit(
                "lighting", software_blocks=(unit.software_blocks[1], old)
            )
            back = undo(world, world.plan())
            assert (StepKind.PROGRAM in {step.kind for step in back.steps}) is goes_back


class TestRefused:
    def test_records_of_different_jobs(self, world: World) -> None:
        plan = world.plan()
        preparation = prepare(plan)
        done = change(plan, preparation, {})
        other = replace(plan, month_reason="another plan")
        for args in (
            (other, preparation, done),
            (plan, replace(preparation, supply_volts=1.0), done),
            (plan, preparation, replace(done, vin="x")),
            (plan, preparation, replace(done, plan_digest="x")),
        ):
            with pytest.raises(SafetyError, match="do not belong together"):
                make_undo_plan(world.pack, *args)

    def test_a_damaged_backup(self, world: World) -> None:
        plan = world.plan()
        good = prepare(plan)
        bad = replace(good, backups=(replace(good.backups[0], data=b"x"), *good.backups[1:]))
        with pytest.raises(SafetyError, match="gateway 0x1001 is damaged"):
            make_undo_plan(world.pack, plan, bad, change(plan, bad, {}))

    def test_a_missing_backup_blocks(self, world: World) -> None:
        plan = world.plan()
        good = prepare(plan)
        less = replace(good, backups=good.backups[1:])
        back = make_undo_plan(world.pack, plan, less, change(plan, less, {}))
        blocking = [each.id for each in back.findings if each.severity is Severity.BLOCKING]
        assert blocking == ["backup-missing"]


def test_the_way_back_says_where_it_can_stop(world: World) -> None:
    """Not between the copy of the list and the list that counts, nor between records of a unit."""
    plan = world.plan()
    preparation = prepare(plan)
    states = {step.id: StepState.DONE for step in plan.steps}
    undo = make_undo_plan(world.pack, plan, preparation, change(plan, preparation, states))
    lists = [step for step in undo.steps if step.kind is StepKind.WRITE_OPTION_LIST]
    assert [(step.unit, step.safe_after) for step in lists] == [("body", False), ("gateway", True)]
    assert [each.safe for each in undo.order.rounds].count(False) == 1
