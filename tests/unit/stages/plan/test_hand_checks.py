"""Checks by hand that the bus and the sleeping car ask for."""

from dataclasses import replace
from pathlib import Path

import pytest

import donorfit
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.stages.plan.hand_checks import list_hand_checks
from donorfit.vehicle.donor import HandCheck


@pytest.fixture(scope="module")
def pack():
    return read_pack(Path(donorfit.__file__).parent / "demo" / "pack")


def find(checks, name):
    return next((each.text for each in checks if each.id == name), "")


def test_the_ends_of_the_line_are_measured(pack):
    module = pack.find_module("tow_control_2")
    checks = list_hand_checks(pack, module)
    assert [each.id for each in checks][: len(module.hand_checks)] == [
        each.id for each in module.hand_checks
    ]
    assert "can_body reads about 60 ohm" in find(checks, "bus_ohm")
    silent = replace(pack, networks=tuple(replace(n, terminated_by=()) for n in pack.networks))
    assert not find(list_hand_checks(silent, module), "bus_ohm")
    ring = list_hand_checks(pack, pack.find_module("amplifier_2"))
    assert not find(ring, "bus_ohm")


def test_the_sleeping_car_is_measured(pack):
    module = pack.find_module("tow_control_2")
    window = replace(pack.supply, sleep_current_ma=30.0)
    known = replace(pack, supply=window)
    checks = list_hand_checks(known, replace(module, sleep_current_ma=6.0))
    assert "some 36 mA (30 mA before the work)" in find(checks, "sleep_current")
    assert not find(list_hand_checks(known, replace(module, sleep_current_ma=0)), "sleep_current")
    silent = replace(pack, supply=None)
    assert not find(list_hand_checks(silent, module), "sleep_current")


def test_the_packs_own_words_come_first(pack):
    module = replace(
        pack.find_module("tow_control_2"), hand_checks=(HandCheck(id="bus_ohm", text="60."),)
    )
    assert find(list_hand_checks(pack, module), "bus_ohm") == "60."
