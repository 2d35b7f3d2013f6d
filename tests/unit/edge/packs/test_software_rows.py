"""Advice on software that replaces software."""

import sys
from hashlib import sha256
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from small_pack import FILES, SOFTWARE

from donorfit.edge.packs.pack_reader import load_pack

BLOCK = """\
[[unit.software]]
version = "{brings}"
file = "hook.bin"
sha256 = "{sha}"
memory_address = 0x100
size_bytes = 1024
hardware = {hardware}
replaces = {over}
routine_check = 0x0202
seconds = 5
"""


@pytest.fixture
def advise(make_pack):
    """Warnings about a pack whose hook unit has certain blocks: version, replaced ones, hardware."""

    def advise(*blocks, whole=False):
        path = make_pack()
        units = FILES["units.toml"]
        start, end = units.index("[[unit.software]]"), units.index("[[unit.record]]")
        texts = [
            BLOCK.format(
                brings=brings,
                sha=sha256(SOFTWARE).hexdigest(),
                hardware=list(hardware or ("K2",)),
                over=list(over),
            )
            for brings, over, *hardware in blocks
        ]
        text = units[:start] + "".join(texts) + units[end:]
        (path / "units.toml").write_text(text.replace("'", '"'))
        warnings = load_pack(path).warnings
        return warnings if whole else [each.what for each in warnings]

    return advise


def test_rows_that_lead_on_and_back_are_no_advice(advise):
    assert advise(("2.0", ())) == []
    assert advise(("2.0", ("1.8", "1.9"))) == []
    assert advise(("2.1", ("2.0", "2.3")), ("2.3", ("2.1",)), ("2.0", ("2.1",))) == []
    assert advise(("2.1", ("2.0",)), ("2.2", ("2.0",)), ("2.3", ("2.1", "2.2"))) == []
    assert advise(("2.1", ("2.0",)), ("2.3", ())) == []


def test_a_version_that_no_block_replaces_is_named_unless_it_is_the_newest(advise):
    assert advise(("2.1", ("2.0",)), ("2.2", ("2.0",)), ("2.3", ("2.1",))) == [
        "hook_unit, hardware K2: no block leads from 2.2 on to 2.3"
    ]
    said = advise(("2.1", ("2.0",)), ("2.2", ("2.0",)), ("2.3", ("2.1",)), ("2.0", ("2.2",)))
    assert said == ["hook_unit, hardware K2: no block leads from 2.2 on to 2.3, only back to 2.0"]


def test_versions_that_only_lead_to_each_other_are_named(advise):
    (said,) = advise(("2.1", ("2.2",)), ("2.2", ("2.1",)), ("2.3", ("2.0",)))
    assert said.endswith("from 2.2 on to 2.3; 2.1 and 2.2 only lead to each other")


def test_what_holds_for_several_hardware_numbers_is_said_once(advise):
    both = ("K1", "K2")
    assert advise(
        ("2.2", ("2.0",), *both), ("2.3", ("2.1",), *both), ("2.1", ("2.0",), *both)
    ) == ["hook_unit, hardware K1, K2: no block leads from 2.2 on to 2.3"]


def test_a_block_that_nothing_leads_to_on_its_hardware_is_named(advise):
    assert advise(("2.1", ("2.0",), "K1"), ("2.3", ("2.1",), "K1", "K2")) == [
        "hook_unit, software 2.3: on hardware K2 nothing leads to it, since 2.1 comes to K1 only"
    ]
    assert advise(("2.1", ("2.0",), "K1"), ("2.3", ("2.1", "2.2"), "K2")) == []


def test_a_block_over_itself_is_named(advise):
    assert advise(("2.1", ("2.0", "2.1"))) == ["hook_unit, software 2.1 names itself in replaces"]


def test_advice_says_the_line_of_the_replaces(advise):
    (warning,) = advise(("2.1", ("2.0", "2.1")), whole=True)
    assert warning.file.endswith("units.toml")
    lines = Path(warning.file).read_text().splitlines()
    assert lines[warning.line - 1] == 'replaces = ["2.0", "2.1"]'
    assert warning.next_step
