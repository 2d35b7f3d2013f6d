"""What is proved before the first erasing, and the faults that strike a download, one by one.

Numbers in names are those of the list in docs/reliability.md. Judged by the unit's own memory.
"""

from dataclasses import replace

import pytest
from download_rig import ADDRESS, DATA, GATEWAY, NEW, PROCEDURES, UNIT, Rig, with_unit

from donorfit.diagnostics.conversation import Download, SupplyWatch
from donorfit.diagnostics.talk import NoteKind
from donorfit.records.change_record import StepState
from donorfit.simulator.scenario import Disturbance, DisturbanceKind, SupplyTruth
from donorfit.vehicle.identity import DataIdentifier, SoftwareVersion, UnitId

ONE = PROCEDURES["one piece"]
TWO = PROCEDURES["two pieces, erased by a routine, checked together, taken into use"]
WATCH = SupplyWatch(
    unit=UnitId("gateway"),
    address=GATEWAY,
    identifier=DataIdentifier(0xD010),
    volts_per_bit=0.001,
    lowest_volts=12.0,
    highest_volts=15.5,
)


def disturb(*disturbances):
    return lambda scenario: replace(scenario, disturbances=disturbances)


def refuse(service: int, code: int, occurrence: int = 1) -> Disturbance:
    return Disturbance(
        unit=UNIT,
        service=service,
        kind=DisturbanceKind.REFUSE,
        code=code,
        occurrence=occurrence,
    )


def is_untouched(rig) -> bool:
    return rig.is_old and not any(isinstance(ask, Download) for ask in rig.asks)


def test_another_hardware_number_is_sent_nothing():
    rig = Rig(ONE, changes=lambda scenario: with_unit(scenario, hardware="HW-9"))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.REFUSED
    assert (
        outcome.detail == "the software is for hardware HW-1, HW-2, this is HW-9; nothing was sent"
    )
    assert is_untouched(rig)


def test_another_version_is_sent_nothing():
    rig = Rig(ONE, changes=lambda scenario: with_unit(scenario, software="1.1.0"))
    outcome = rig.run_to_the_end()
    assert (outcome.state, outcome.detail) == (
        StepState.DIFFERS,
        "reports '1.1.0' instead of '1.0.0'; nothing was sent",
    )
    assert not any(isinstance(ask, Download) for ask in rig.asks)


def test_a_version_that_the_software_may_not_replace_is_sent_nothing():
    rig = Rig(ONE)
    block = replace(rig.unit.software_blocks[0], replaces=(SoftwareVersion.parse("0.9"),))
    rig.unit = replace(rig.unit, software_blocks=(block,))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.REFUSED
    assert outcome.detail == "it may replace 0.9, the unit has 1.0.0; nothing was sent"
    assert is_untouched(rig)


@pytest.mark.parametrize("size", [0, len(DATA) - 1, len(DATA) + 1])
def test_another_size_is_sent_nothing(size):
    rig = Rig(ONE, data=(DATA + b"x")[:size])
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.REFUSED
    assert f"the software has {size} bytes, the pack says 200" in outcome.detail
    assert not rig.asks


def test_a_block_that_the_pack_does_not_have_is_sent_nothing():
    rig = Rig(ONE)
    block = replace(rig.unit.software_blocks[0], sha256="e" * 64)
    unit, rig.unit = rig.unit, replace(rig.unit, software_blocks=(block,))
    del unit
    step_digest = "d" * 64
    assert block.sha256 != step_digest
    import download_rig

    make_step = download_rig.make_step
    try:
        download_rig.make_step = lambda _unit: replace(
            make_step(_unit), software_sha256=step_digest
        )
        outcome = rig.run_to_the_end()
    finally:
        download_rig.make_step = make_step
    assert outcome.state is StepState.REFUSED
    assert "the pack has no such block; nothing was sent" in outcome.detail
    assert not rig.asks


def test_09_an_erase_that_failed_is_not_said_to_have_erased_nothing():
    # generalProgrammingFailure: an error while erasing or programming (ISO 14229-1, table A.1)
    rig = Rig(TWO, changes=disturb(refuse(0x31, 0x72)))
    assert rig.run_to_the_end().state is StepState.DONE
    assert rig.outcomes[0].state is StepState.UNCERTAIN
    assert "may be in its boot loader: resume to begin again" in rig.outcomes[0].detail


@pytest.mark.parametrize("code", [0x22, 0x31, 0x33, 0x70])
def test_09_an_erase_that_is_refused_leaves_the_unit_as_it_was(code):
    rig = Rig(TWO, changes=disturb(refuse(0x31, code), refuse(0x31, code), refuse(0x31, code, 2)))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.REFUSED
    assert "nothing was erased" in outcome.detail
    assert rig.is_old


@pytest.mark.parametrize("code", [0x70, 0x71, 0x72, 0x73])
@pytest.mark.parametrize("name", PROCEDURES)
def test_10_a_transfer_that_is_broken_off_is_begun_again(name, code):
    rig = Rig(PROCEDURES[name], changes=disturb(refuse(0x36, code, 3)))
    assert rig.run_to_the_end().state is StepState.DONE
    assert rig.is_new
    assert sum(isinstance(ask, Download) for ask in rig.asks) == 1
    assert any("begun again" in note.text for note in rig.notes)


def test_10_a_transfer_that_is_broken_off_every_time_stops_and_says_where_the_unit_is():
    rig = Rig(ONE, changes=disturb(*(refuse(0x36, 0x72, number) for number in range(1, 400))))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.UNCERTAIN
    assert "NRC 0x72" in outcome.detail
    assert "may be in its boot loader: resume to begin again" in outcome.detail
    assert not rig.memory.application


@pytest.mark.parametrize("name", PROCEDURES)
def test_03_silence_within_a_transfer_ends_new(name):
    silence = Disturbance(
        unit=UNIT, service=0x36, kind=DisturbanceKind.SILENCE, occurrence=2, executed=True
    )
    rig = Rig(PROCEDURES[name], changes=disturb(silence))
    assert rig.run_to_the_end().state is StepState.DONE
    assert rig.is_new


@pytest.mark.parametrize("name", PROCEDURES)
def test_25_a_reset_within_a_transfer_ends_new(name):
    reset = Disturbance(
        unit=UNIT, service=0x36, kind=DisturbanceKind.RESET, occurrence=3, executed=True
    )
    rig = Rig(PROCEDURES[name], changes=disturb(reset))
    assert rig.run_to_the_end().state is StepState.DONE
    assert rig.is_new


@pytest.mark.parametrize("name", PROCEDURES)
def test_27_a_unit_that_was_left_in_its_boot_loader_is_programmed_by_the_next_run(name):
    rig = Rig(PROCEDURES[name], {12: "kill"})
    assert rig.run_to_the_end().state is StepState.DONE
    assert rig.is_new
    downloads = [ask for ask in rig.asks if isinstance(ask, Download)]
    assert [ask.resume for ask in downloads] == [False, True]


def test_26_a_unit_that_keeps_other_bytes_than_it_was_sent_is_not_called_done():
    """The check compares what stands in the memory, whatever the blocks' answers said."""
    block = replace(Rig(ONE).car.scenario.units[1].blocks[0], crc32=0x12345678)
    rig = Rig(ONE, changes=lambda scenario: with_unit(scenario, blocks=(block,)))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.UNCERTAIN
    assert "NRC 0x72" in outcome.detail
    assert any("status record 01" in note.text for note in rig.notes)


def dip(service: int, volts: float, seconds: float, occurrence: int) -> Disturbance:
    return Disturbance(
        unit=UNIT,
        service=service,
        kind=DisturbanceKind.SUPPLY_DIP,
        volts=volts,
        seconds=seconds,
        occurrence=occurrence,
    )


@pytest.mark.parametrize("occurrence", range(1, 7))
@pytest.mark.parametrize("name", PROCEDURES)
def test_33_a_supply_dip_at_any_block_is_waited_out(name, occurrence):
    rig = Rig(PROCEDURES[name], watch=WATCH, changes=disturb(dip(0x36, 8.0, 60.0, occurrence)))
    assert rig.run_to_the_end().state is StepState.DONE
    assert rig.is_new
    assert sum(isinstance(ask, Download) for ask in rig.asks) == 1
    assert any(note.kind is NoteKind.SUPPLY for note in rig.notes)


@pytest.mark.parametrize("service", [0x34, 0x31])
def test_33_a_supply_dip_at_the_erasing_is_refused_and_nothing_is_erased(service):
    procedure = TWO if service == 0x31 else ONE
    rig = Rig(procedure, watch=WATCH, changes=disturb(dip(service, 8.0, 60.0, 1)))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.REFUSED
    assert "voltageTooLow" in outcome.detail
    assert rig.is_old


def test_33_a_supply_that_never_comes_back_stops_between_two_blocks():
    rig = Rig(ONE, watch=WATCH, changes=disturb(dip(0x36, 11.0, 1e6, 2)))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.UNCERTAIN
    assert not rig.memory.application
    assert "V, outside 12.0 to 15.5 V" in outcome.detail


def test_33_a_supply_that_is_low_from_the_beginning_erases_nothing():
    low = SupplyTruth(support_limit_a=0.0, charge_percent=5.0)
    rig = Rig(ONE, watch=WATCH, changes=lambda scenario: replace(scenario, supply=low))
    outcome = rig.run_to_the_end()
    assert outcome.state is StepState.NOT_BEGUN  # the unit did not say no
    assert "nothing was erased" in outcome.detail
    assert rig.is_old


def test_the_supply_unit_is_read_and_the_programmed_unit_is_not_bothered():
    rig = Rig(ONE, watch=WATCH)
    seen = []
    handle = rig.car.handle

    def watch(target, pdu, now_s):
        seen.append((target, pdu[:3].hex()))
        return handle(target, pdu, now_s)

    rig.car.handle = watch
    assert rig.run_to_the_end().state is StepState.DONE
    assert (GATEWAY, "22d010") in seen
    start = seen.index((ADDRESS, "340044"))
    end = seen.index((ADDRESS, "37"))
    within = {pdu[:2] for target, pdu in seen[start:end] if target == ADDRESS}
    assert within == {"34", "36"}
    assert rig.memory.software == NEW
