"""Programming one unit twice: what it reports says how far its row of downloads has come."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "job"))
from toys import make_plan

from donorfit.diagnostics.conversation import (
    Answered,
    Download,
    Exchange,
    Pause,
    Paused,
    Unknown,
)
from donorfit.records.change_record import StepState
from donorfit.records.plan import Step, StepKind
from donorfit.stages.apply.program import program
from donorfit.vehicle.control_unit import ControlUnit, SoftwareBlock
from donorfit.vehicle.identity import Address, SoftwareVersion, UnitId

BOOT = "0.0.0"


def make_block(brings, over):
    return SoftwareBlock(
        version=SoftwareVersion.parse(brings),
        file=f"{brings}.bin",
        sha256="a" * 64,
        memory_address=0,
        size_bytes=4,
        hardware=("H",),
        routine_check=0,
        seconds=1.0,
        replaces=(SoftwareVersion.parse(over),),
    )


UNIT = ControlUnit(
    id=UnitId("hook"),
    title="Hook",
    address=Address(0x1071),
    network="can",
    software_blocks=(make_block("2.1", "2.0"), make_block("2.3", "2.1")),
)


def make_row(**more):
    blocks = UNIT.software_blocks
    return tuple(
        Step(
            id=f"s{number:02d}",
            kind=StepKind.PROGRAM,
            unit=UNIT.id,
            address=UNIT.address,
            network=UNIT.network,
            what=f"program {block.version}",
            software_file=block.file,
            software_sha256=block.sha256,
            software_before=str(block.replaces[0]),
            software_after=str(block.version),
            **more,
        )
        for number, block in enumerate(blocks, start=1)
    )


ROW = make_row()
FIRST, SECOND = ROW


def run(step, version, *, begun=(), row=ROW):
    """The outcome of one step on a unit that reports a version, and whether it was programmed."""
    sent = False
    strand = program(
        UNIT,
        step,
        bytes(4),
        begun=step.id in begun,
        row=row,
        all_begun=frozenset(begun),
    )
    reply = None
    while True:
        try:
            ask = strand.send(reply)
        except StopIteration as stop:
            return stop.value, sent
        if isinstance(ask, Pause):
            reply = Paused()
        elif isinstance(ask, Download):
            sent, version = True, step.software_after
            reply = Answered(pdu=b"")
        else:
            assert isinstance(ask, Exchange)
            values = {b"\x22\xf1\x89": version, b"\x22\xf1\x91": "H", b"\x22\xf1\x8c": "S"}
            held = values.get(ask.pdu, "").encode()
            reply = Answered(pdu=bytes((ask.pdu[0] + 0x40,)) + ask.pdu[1:3] + held)


@pytest.mark.parametrize(
    ("step", "version", "begun", "state", "sent"),
    [
        (FIRST, "2.0", (), StepState.DONE, True),
        (FIRST, "2.1", (), StepState.ALREADY, False),
        (FIRST, "2.3", (), StepState.ALREADY, False),
        (FIRST, BOOT, (), StepState.DIFFERS, False),
        (FIRST, BOOT, ("s01",), StepState.DONE, True),
        # The unit is in its boot loader because of the second one: the first one is behind it.
        (FIRST, BOOT, ("s02",), StepState.ALREADY, False),
        (FIRST, "2.0", ("s02",), StepState.DONE, True),
        (SECOND, "2.0", (), StepState.DIFFERS, False),
        # It was expected in its boot loader and runs software that must not be replaced by this.
        (SECOND, "2.0", ("s02",), StepState.REFUSED, False),
        (SECOND, "2.1", ("s02",), StepState.DONE, True),
        (SECOND, BOOT, ("s02",), StepState.DONE, True),
        (SECOND, "2.3", ("s01", "s02"), StepState.DONE, False),
    ],
)
def test_a_step_of_a_row(step, version, begun, state, sent):
    outcome, was_sent = run(step, version, begun=begun)
    assert (outcome.state, was_sent) == (state, sent), outcome.detail


@pytest.mark.parametrize(
    ("step", "before", "after", "state"),
    [
        # A copy of the job file that is older than the car: the row was loaded to its end since,
        (FIRST, "2.0", "2.3", StepState.ALREADY),
        # or it was taken back since, and 2.3 may only go over 2.1.
        (SECOND, "2.1", "2.0", StepState.REFUSED),
    ],
)
def test_what_a_unit_runs_after_a_cut_download_is_not_overwritten(step, before, after, state):
    strand = program(UNIT, step, bytes(4), begun=False, row=ROW, all_begun=frozenset())
    downloads, reply = 0, None
    while True:
        try:
            ask = strand.send(reply)
        except StopIteration as stop:
            outcome = stop.value
            break
        if isinstance(ask, Download):
            downloads += 1
            reply = Unknown(why="the run ended before an answer was written down")
        elif isinstance(ask, Pause):
            reply = Paused()
        else:
            version = after if downloads else before
            values = {b"\x22\xf1\x89": version, b"\x22\xf1\x91": "H", b"\x22\xf1\x8c": "S"}
            held = values.get(ask.pdu, "").encode()
            reply = Answered(pdu=bytes((ask.pdu[0] + 0x40,)) + ask.pdu[1:3] + held)
    assert (downloads, outcome.state) == (1, state), outcome.detail
    assert after in outcome.detail


@pytest.mark.parametrize("version", ["2.0", "2.1", "2.3"])
@pytest.mark.parametrize("place", [0, 1])
def test_what_only_ends_a_download_leaves_every_version_of_the_row(place, version):
    row = make_row(only_if_begun=True)
    outcome, sent = run(row[place], version, begun=("s01", "s02"), row=row)
    assert outcome.state in {StepState.DONE, StepState.ALREADY}
    assert not sent


def test_a_version_that_is_none_of_the_row_may_be_a_boot_loaders():
    outcome, sent = run(FIRST, "9.9", begun=("s01",))
    assert (outcome.state, sent) == (StepState.DONE, True)


@pytest.mark.parametrize(
    ("begun", "first"),
    [
        ((), []),
        (("s01",), ["s01"]),
        (("s02",), ["s01", "s02"]),
        (("s03",), ["s03"]),
        (("s02", "s03"), ["s01", "s02", "s03"]),
        (("s04",), []),
    ],
)
def test_what_comes_before_all_rounds(begun, first):
    other = replace(FIRST, id="s03", unit=UnitId("lamp"))
    record = replace(FIRST, id="s04", kind=StepKind.WRITE_RECORD)
    plan = replace(make_plan(), steps=(FIRST, SECOND, other, record))
    assert [step.id for step in plan.list_first(frozenset(begun))] == first
    assert plan.list_downloads(UNIT.id) == ROW
