"""The catalogue of cautions and the choice from it."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import donorfit
from donorfit.cli.cautions import cautions_command
from donorfit.errors import InputError
from donorfit.records.caution_catalogue import (
    CAUTIONS,
    GENERAL_CAUTIONS,
    TOPICS,
    choose_cautions,
    find_cautions,
)
from donorfit.vehicle.control_unit import System
from donorfit.vehicle.pack import Caution

OWN = Caution(
    id="own", text="A rule may apply.", jurisdictions=("EU",), source="x", seen="2026-01-01"
)


def list_ids(**facts: object) -> list[str]:
    return [each.id for each in choose_cautions(**facts)]


def test_every_entry_is_complete_and_careful():
    assert len(CAUTIONS) == len(GENERAL_CAUTIONS)
    for each in GENERAL_CAUTIONS:
        assert re.search(r"\bmay\b|read only|never|recorded here|not a legal date", each.text), (
            each.id
        )
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", each.id)
        assert each.jurisdictions
        assert each.source
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", each.seen)
        assert each.text.endswith(".")


def test_some_always_apply():
    assert list_ids() == ["approval", "parts-provenance"]


@pytest.mark.parametrize(
    ("facts", "added"),
    [
        ({"donor_vin_differs": True}, {"donor-vin"}),
        ({"month_changes": True}, {"build-month"}),
        ({"programming": True}, {"programming"}),
        ({"supply": True}, {"supply", "battery-gas"}),
        ({"wires": True}, {"wiring"}),
        ({"ring": True}, {"optical-ring"}),
        ({"systems": [(System.LIGHTING, "lighting")]}, {"lighting"}),
        ({"systems": [(System.BRAKING, "brake")]}, {"braking"}),
        ({"systems": [(System.ORDINARY, "seat")]}, set()),
        ({"systems": [(System.DISTANCE_DISPLAY, "dials")]}, {"odometer"}),
        ({"systems": [(System.ENGINE, "engine")]}, {"emissions"}),
        ({"systems": [(System.MEDIA, "media")]}, {"privacy"}),
        ({"systems": [(System.RADIO, "phone")]}, {"radio", "privacy"}),
        ({"extra": [("towing", "the module")]}, {"towing"}),
    ],
)
def test_what_brings_up_what(facts, added):
    assert set(list_ids(**facts)) - set(list_ids()) == added


@pytest.mark.parametrize("system", [each for each in System if each.read_only])
def test_every_system_that_is_only_read_has_a_caution(system):
    assert len(list_ids(systems=[(system, "unit")])) == 3


def test_each_once_in_the_catalogues_order_with_a_reason():
    chosen = choose_cautions(
        systems=[(System.BRAKING, "brake"), (System.BRAKING, "booster")],
        extra=[("braking", "again"), ("own", "the pack")],
        own=[OWN],
        supply=True,
    )
    ids = [each.id for each in chosen]
    assert ids == [each for each in [*CAUTIONS, "own"] if each in ids]
    assert len(set(ids)) == len(ids)
    braking = next(each for each in chosen if each.id == "braking")
    assert braking.because == "brake belongs to braking"


def test_a_caution_that_nobody_knows_is_not_dropped():
    chosen = choose_cautions(extra=[("mystery", "the module")])
    assert chosen[-1].id == "mystery"
    assert "mystery" in chosen[-1].text


def test_the_packs_own_words_replace_the_general_ones():
    own = Caution(
        id="wiring", text="Ours may apply.", jurisdictions=("EU",), source="x", seen="2026-01-01"
    )
    chosen = choose_cautions(wires=True, own=[own])
    assert next(each for each in chosen if each.id == "wiring").text == "Ours may apply."
    assert "own" not in list_ids(own=[OWN])


def test_the_page_holds_every_caution_as_it_is(repository):
    page = (repository / "docs" / "cautions.md").read_text(encoding="utf-8")
    rows = [line for line in page.splitlines() if line.startswith("| `")]
    assert rows == [
        f"| `{c.id}` | {c.text} | {', '.join(c.jurisdictions)} | {c.source} | {c.seen} |"
        for c in GENERAL_CAUTIONS
    ]


def test_every_caution_has_a_topic_and_every_topic_known_cautions():
    assert {name for names in TOPICS.values() for name in names} == set(CAUTIONS)


@pytest.mark.parametrize("system", [each for each in System if each is not System.ORDINARY])
def test_every_system_is_a_topic(system):
    assert set(list_ids(systems=[(system, "unit")])) - set(list_ids()) == set(TOPICS[system.value])


def test_the_catalogue_by_topic_and_place():
    assert find_cautions() == GENERAL_CAUTIONS
    assert [each.id for each in find_cautions(["radio", "engine"])] == [
        "radio",
        "emissions",
        "privacy",
    ]
    assert find_cautions(["restraint"], "nowhere-land") == (CAUTIONS["restraint"],)
    with pytest.raises(KeyError):
        find_cautions(["nothing"])


def call(*arguments: object) -> Result:
    return CliRunner().invoke(cautions_command, [str(each) for each in arguments])


def test_the_command_lists_text_source_and_date():
    output = " ".join(call("--touches", "Engine").output.split())
    assert "emissions [US, everywhere]" in output
    assert "42 USC 7522(a)(3)" in output
    assert "seen 2026-11-25" in output
    assert "1 caution." in output
    assert "licensed practice come first" in output


def test_a_place_puts_its_own_sources_first():
    plain = json.loads(call("--where", "eu", "--json").output)
    named = ["EU" in each["jurisdictions"] for each in plain["cautions"]]
    assert named == sorted(named, reverse=True)
    assert any(named)
    assert len(named) == len(GENERAL_CAUTIONS)


def test_a_place_without_a_source_is_said():
    assert "None of them has a source of atlantis" in call("--where", "atlantis").output
    assert "None of them" not in call("--where", "EU").output


def test_a_topic_that_is_none_is_an_input_error():
    result = call("--touches", "nonsense")
    assert isinstance(result.exception, InputError)
    assert "distance display" in result.exception.next_step


def test_a_packs_own_cautions_are_added():
    path = Path(donorfit.__file__).parent / "demo" / "pack"
    assert "merle-boot-pocket" in call("--touches", "towing", "--pack", path).output
