"""A download between two blocks waits for the supply, and keeps the unit's session meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import pytest
from scripted_car import ADDRESS, UNIT, Bench, Script, download, h

from donorfit.diagnostics.conversation import Answered, NotSent, SupplyWatch, Unknown
from donorfit.diagnostics.policy import Policy
from donorfit.diagnostics.talk import NoteKind
from donorfit.vehicle.identity import Address, DataIdentifier, UnitId
from donorfit.vehicle.software import DownloadProcedure, SegmentPlace

METER = Address(0x1010)
WATCH = SupplyWatch(
    unit=UnitId("gateway"),
    address=METER,
    identifier=DataIdentifier(0xD010),
    volts_per_bit=0.001,
    lowest_volts=12.0,
    highest_volts=15.5,
)


@dataclass
class Battery(Script):
    """A car in which every block takes a second and the supply follows a list of times."""

    volts: tuple[tuple[float, float], ...] = ((0.0, 13.5),)
    last_s: dict[int, float] = field(default_factory=dict)
    longest_gap_s: float = 0.0
    spoil: bytes | None = None

    def handle(self, target, pdu, now_s):
        if target != ADDRESS:
            if self.spoil is not None:
                answer = self.spoil
            else:
                volts = [volts for at_s, volts in self.volts if at_s <= now_s][-1]
                answer = h("62D010") + round(volts * 1000).to_bytes(2, "big")
            answer = h("7E00") if pdu == h("3E00") else answer
            return Script(otherwise=lambda _pdu: answer or None).handle(target, pdu, now_s)
        before = self.last_s.get(target, now_s)
        self.longest_gap_s = max(self.longest_gap_s, now_s - before)
        self.last_s[target] = now_s
        if pdu[0] == 0x36:
            self.entries = [(pdu[:2].hex(), [(0.01, "7F3678"), (1.0, f"76{pdu[1]:02X}")])]
        return super().handle(target, pdu, now_s)


def ask(size: int = 800, **rest):
    return replace(download(size), **{"watch": WATCH} | rest)


def supply_notes(bench):
    return [note.text for note in bench.notes if note.kind is NoteKind.SUPPLY]


def test_the_download_pauses_and_goes_on_with_the_next_block():
    car = Battery(volts=((0, 13.5), (15, 11.2), (60, 13.2)))
    bench = Bench(car)
    outcomes, seconds = bench.run(ask())
    assert outcomes == [Answered(pdu=b"")]
    assert supply_notes(bench) == [
        "the supply is at 11.20 V, outside 12.0 to 15.5 V: waiting between two blocks",
        "13.20 V, going on",
    ]
    # every block once, in order, and nothing but "tester present" in the pause
    assert [pdu[1] for pdu in car.sent("36")] == list(range(1, 51))
    blocks = [at_s for at_s, pdu in car.requests if pdu[0] == 0x36]
    pause, began_s = max((after - before, before) for before, after in pairwise(blocks))
    assert pause > 35
    within = [pdu for at_s, pdu in car.requests if began_s < at_s < began_s + pause]
    assert set(within) == {h("3E80")}
    assert car.longest_gap_s < 5.0  # S3 of the unit
    assert 90 < seconds < 110


def test_the_supply_is_read_every_ten_seconds_and_not_at_every_block():
    car = Battery()
    looks = []
    handle = car.handle

    def count(target, pdu, now_s):
        if target == METER:
            looks.append((now_s, pdu))
        return handle(target, pdu, now_s)

    car.handle = count
    outcomes, _ = Bench(car).run(ask())
    assert outcomes == [Answered(pdu=b"")]
    assert {pdu for _, pdu in looks} <= {h("22D010"), h("3E00")}
    times = [at_s for at_s, pdu in looks if pdu[0] == 0x22]
    assert 4 <= len(times) <= 6


def test_the_supply_is_looked_at_before_the_erasing_and_never_inside():
    car = Battery(volts=((0, 11.0), (20, 13.0)))
    procedure = DownloadProcedure(routine_erase=0xFF00)
    car.entries = [("3101FF00", [(0.01, "7F3178"), (4.5, "7F3178"), (9.0, "7101FF0000")])]
    outcomes, _ = Bench(car).run(ask(64, procedure=procedure))
    assert outcomes == [Answered(pdu=b"")]
    erase_s = next(at_s for at_s, pdu in car.requests if pdu.startswith(h("3101FF00")))
    assert erase_s >= 20
    assert not [pdu for at_s, pdu in car.requests if erase_s < at_s < erase_s + 9]


def test_before_the_erasing_a_supply_that_stays_low_leaves_the_unit_as_it_is():
    car = Battery(volts=((0, 11.0),))
    outcomes, seconds = Bench(car).run(ask())
    assert isinstance(outcomes[0], NotSent)
    assert "11.00 V" in outcomes[0].why
    assert not car.sent("34")
    assert 300 < seconds < 320


def test_between_two_blocks_a_supply_that_stays_low_stops_with_its_reason():
    car = Battery(volts=((0, 13.5), (12, 16.0)))
    bench = Bench(car)
    outcomes, _ = bench.run(ask())
    assert isinstance(outcomes[0], Unknown)
    assert "16.00 V, outside 12.0 to 15.5 V, and for 300 s it did not come back" in outcomes[0].why
    assert not car.sent("37")
    assert car.longest_gap_s < 5.0


@pytest.mark.parametrize("spoil", [b"", h("7F2231"), h("62D010"), h("62D01012"), h("7F2278")])
def test_a_supply_that_cannot_be_read_does_not_stop_what_runs(spoil):
    car = Battery(spoil=spoil)
    outcomes, _ = Bench(car).run(ask())
    assert outcomes == [Answered(pdu=b"")]
    assert car.longest_gap_s < 5.0


def test_a_supply_that_was_low_has_to_be_seen_to_be_good():
    car = Battery(volts=((0, 13.5), (12, 11.0)))
    handle = car.handle

    def fall_silent(target, pdu, now_s):
        if target == METER and now_s > 40:
            return ()
        return handle(target, pdu, now_s)

    car.handle = fall_silent
    outcomes, _ = Bench(car).run(ask())
    assert isinstance(outcomes[0], Unknown)
    assert "11.00 V" in outcomes[0].why


OWN = replace(WATCH, address=ADDRESS, unit=UNIT)
TWO_PIECES = DownloadProcedure(
    segments=(
        SegmentPlace(address=0x1000, size_bytes=400),
        SegmentPlace(address=0x8000, size_bytes=400),
    )
)


class OwnMeter(Battery):
    """The unit that is programmed is the one that measures the supply."""

    def handle(self, target, pdu, now_s):
        if pdu == h("22D010"):
            volts = [volts for at_s, volts in self.volts if at_s <= now_s][-1]
            self.requests.append((now_s, pdu))
            answer = self.spoil or h("62D010") + round(volts * 1000).to_bytes(2, "big")
            return Script(otherwise=lambda _pdu: answer).handle(target, pdu, now_s)
        return super().handle(target, pdu, now_s)


def test_a_unit_that_measures_the_supply_itself_is_asked_before_each_piece_only():
    car = OwnMeter()
    bench = Bench(car)
    outcomes, _ = bench.run(ask(watch=OWN, procedure=TWO_PIECES))
    assert outcomes == [Answered(pdu=b"")]
    order = "".join(f"{pdu[0]:02X} " for _, pdu in car.requests if pdu[0] in {0x22, 0x34, 0x37})
    assert order == "22 34 37 22 34 37 "
    assert sum("keep an eye on a voltmeter" in text for text in supply_notes(bench)) == 1


def test_a_unit_that_measures_a_bad_supply_itself_is_not_erased():
    car = OwnMeter(volts=((0, 11.0), (40, 13.1)))
    bench = Bench(car)
    outcomes, seconds = bench.run(ask(watch=OWN))
    assert outcomes == [Answered(pdu=b"")]
    assert "13.10 V, going on" in supply_notes(bench)
    assert min(at_s for at_s, pdu in car.requests if pdu[0] == 0x34) > 40
    assert seconds > 80


def test_a_unit_that_never_sees_a_good_supply_itself_is_left_alone():
    car = OwnMeter(volts=((0, 11.0),))
    outcomes, _ = Bench(car).run(ask(watch=OWN))
    assert isinstance(outcomes[0], NotSent)
    assert not car.sent("34")


@pytest.mark.parametrize("spoil", [h("7F2231"), h("62D010"), h("62D01012")])
def test_a_unit_that_cannot_say_its_supply_is_programmed_as_planned(spoil):
    car = OwnMeter(spoil=spoil)
    outcomes, _ = Bench(car).run(ask(watch=OWN))
    assert outcomes == [Answered(pdu=b"")]


def test_one_place_for_all_units_is_enough():
    car = Battery(volts=((0, 11.0), (6, 13.0)))
    outcomes, _ = Bench(car, policy=Policy(parallel_units=1)).run(ask(64))
    assert outcomes == [Answered(pdu=b"")]


def test_progress_says_how_fast_it_goes_without_the_pause():
    car = Battery(volts=((0, 13.5), (15, 11.2), (60, 13.2)))
    bench = Bench(car)
    bench.run(ask())
    rates = [note.bytes_per_s for note in bench.notes if note.kind is NoteKind.PROGRESS]
    known = [rate for rate in rates if rate]
    assert len(known) > 45
    # sixteen bytes a block, a block in a little more than a second
    assert all(13 < rate < 17 for rate in known)
    last = [note for note in bench.notes if note.kind is NoteKind.PROGRESS][-2]
    assert last.left_s == pytest.approx(1.1, abs=0.4)
