"""Reading scenario files: values, and every mistake with its line."""

import json
import time
from pathlib import Path

import pytest

from donorfit.edge.packs.scenario_files import parse_scenario, read_scenario
from donorfit.errors import InputError
from donorfit.simulator import causes
from donorfit.simulator.scenario import DisturbanceKind, ScenarioKind

SMALLEST = """\
format = "donorfit scenario 1"
title = "bench"
kind = "bench"
[car]
vin = "ZZ9AA11A8LA000001"
gateway = 0x1071
[[unit]]
id = "tow"
address = 0x1071
"""


def list_mistakes(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        parse_scenario(text.encode(), file="car.toml")
    mistakes = caught.value.mistakes
    assert mistakes
    assert str(mistakes[0]) in str(caught.value)
    return [str(each) for each in mistakes]


def test_a_whole_scenario(repository: Path):
    scenario = read_scenario(repository / "tests/data/scenarios/small_car.toml")
    assert scenario.kind is ScenarioKind.CAR
    assert [unit.id for unit in scenario.units] == ["gateway", "body", "tow_control", "camera"]
    gateway, body, tow, camera = scenario.units
    assert gateway.keeper.content == b"\x20\x03A001L110" + bytes(32)
    assert gateway.faults[0].cause == causes.UnitNotDeclared(unit="tow_control", option="T042")
    assert gateway.faults[0].code == 0xD12300
    assert body.keeper.content == bytes.fromhex("200303000000")
    assert body.records[0].checksum.algorithm == "crc8-sae-j1850"
    assert tow.vin == b"\xff" * 17
    assert gateway.vin == scenario.vin
    assert tow.blocks[0].records == ((0x0700, b"\0\0\7\0"),)
    assert not camera.fitted
    assert scenario.messages[0].sent_when[0].unit == "tow_control"


def test_the_smallest_scenario_and_defaults():
    scenario = parse_scenario(SMALLEST.encode(), file="car.toml")
    assert scenario.kind is ScenarioKind.BENCH
    assert scenario.timing.p2_star_ms == 5000
    assert scenario.units[0].security.secret == b"DEMO"


def test_a_unit_may_have_its_own_secret():
    text = SMALLEST + "[unit.security]\nsecret = '01 02 03 04'\n[security]\nattempts = 5\n"
    security = parse_scenario(text.encode(), file="car.toml").units[0].security
    assert (security.secret, security.attempts, security.delay_s) == (b"\1\2\3\4", 5, 10.0)


@pytest.mark.parametrize("kind", list(DisturbanceKind))
def test_every_kind_of_disturbance(kind):
    needs = {
        "pending": "seconds = 1.0",
        "late answer": "seconds = 1",
        "refuse": "code = 0x72",
        "store differently": "byte = 1\nvalue = 2",
        "supply dip": "volts = 8.0\nseconds = 1.0",
    }
    text = f'{SMALLEST}[[disturbance]]\nunit = "tow"\nservice = 0x2E\nkind = "{kind.value}"\n'
    scenario = parse_scenario((text + needs.get(kind.value, "")).encode(), file="car.toml")
    assert scenario.disturbances[0].kind is kind
    assert scenario.disturbances[0].executed is (kind is DisturbanceKind.DROP_CONNECTION)


def test_all_mistakes_of_shape_at_once_with_lines():
    found = list_mistakes(
        SMALLEST.replace('"bench"\n[car]', '"boat"\n[car]').replace("LA000001", "LAI00001")
        + 'colour = "red"\nserial = "Ä"\nwrite_s = -1.0\nfitted = 1\nvin = "short"\n'
        + '[[unit.record]]\nidentifier = 0x12345\nbytes = "0"\n'
        + '[[unit.fault]]\ncode = "X1234"\n[unit.fault.cause]\nkind = "bad luck"\n'
        + '[[unit.fault]]\ncode = 5\n[unit.fault.cause]\nkind = "option contradicts"\nwhen = "A001 &"\n'
    )
    lines = sorted(int(each.split(":")[1]) for each in found)
    assert lines == [3, 5, 10, 11, 12, 13, 14, 16, 17, 19, 21, 26]
    assert any("colour is not known here" in each for each in found)
    assert any("kind is 'bad luck'" in each and "'ring break'" in each for each in found)
    assert any("the condition ends too early" in each for each in found)
    assert any("letters" in each or "VIN" in each for each in found)


CHECKS = [
    ("gateway = 0x1071", "gateway = 0x1070", 6, "no unit has the gateway's address 0x1070"),
    (
        "gateway = 0x1071",
        "gateway = 0x1071\nfunctional_address = 0x1071",
        7,
        "a unit has this address too",
    ),
]
ADDED = [
    ('[[unit]]\nid = "tow"\naddress = 0x1072', 11, "id 'tow' is given to a second unit"),
    ('[[unit]]\nid = "b"\naddress = 0x1071', 12, "address 0x1071 is given to a second unit"),
    ('[[unit]]\nid = "b"\naddress = 0x1072', 3, "a bench scenario has one unit"),
    ("[unit.can]\nrequest = 0x800\nresponse = 1", 11, "0x800 has more than 11 bits"),
    ("[unit.can]\nrequest = 1\nresponse = 1", 12, "identifier 0x1 is the request of tow"),
    ("lowest_volts = 17.0", 10, "lowest_volts is not below"),
    ('[unit.data]\n0xF190 = "00"', 11, "0xF190 is used twice"),
    (
        '[[unit.record]]\nidentifier = 1\nbytes = "00"\n[unit.data]\n0x1 = "00"',
        11,
        "0x0001 is used twice",
    ),
    (
        '[[unit.record]]\nidentifier = 1\nbytes = "00"\nkept_bytes = [0, 1]',
        13,
        "byte 1 lies beyond",
    ),
    (
        '[[unit.record]]\nidentifier = 1\nbytes = "00"\n[[unit.record.allowed]]\nbyte = 1\nvalues = [0]',
        14,
        "beyond",
    ),
    (
        '[[unit.record]]\nidentifier = 1\nbytes = "00"\n[[unit.record.allowed]]\nbyte = 0\nvalues = [1]',
        15,
        "own bytes",
    ),
    (
        '[[unit.record]]\nidentifier = 1\nbytes = "00 01"\n[unit.record.checksum]\nalgorithm = "sum8"\nbyte = 1\nfirst_byte = 0\nlast_byte = 0',
        12,
        "right checksum",
    ),
    (
        '[[unit.record]]\nidentifier = 1\nbytes = "00"\n[unit.record.checksum]\nalgorithm = "sum8"\nbyte = 1\nfirst_byte = 0\nlast_byte = 0',
        15,
        "checksum lies beyond",
    ),
    (
        '[unit.keeper]\nrole = "master"\nidentifier = 1\nencoding = "codes"\nlength_bytes = 10',
        10,
        "either build_month",
    ),
    (
        '[unit.keeper]\nrole = "master"\nidentifier = 1\nencoding = "codes"\nlength_bytes = 10\nbytes = "20 03"',
        15,
        "2 bytes are given",
    ),
    (
        '[unit.keeper]\nrole = "master"\nidentifier = 1\nencoding = "codes"\nlength_bytes = 4\nbuild_month = "2020-03"\noptions = ["A001"]',
        16,
        "1 codes need 6 bytes",
    ),
    (
        '[unit.keeper]\nrole = "copy"\nidentifier = 1\nencoding = "bits"\nlength_bytes = 4\nbuild_month = "2020-03"\noptions = ["A001"]',
        16,
        "A001 has no bit",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "lists disagree"',
        12,
        "keeps no option list",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "month disagrees"',
        12,
        "no month is given",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "stored"\n[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "stored"',
        15,
        "code 0x0001 is given to a second fault",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "ring break"\nunits = ["tow", "x"]',
        14,
        "no unit 'x'",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "message missing"\nmessages = ["x"]',
        14,
        "no message 'x'",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "unit missing"\nunit = "x"\noption = "A001"',
        14,
        "no unit 'x'",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "configuration disagrees"\n[[unit.fault.cause.demand]]\nidentifier = 2\nbyte = 0\nvalue = 0',
        15,
        "stores nothing under 0x0002",
    ),
    (
        '[[unit.fault]]\ncode = 1\n[unit.fault.cause]\nkind = "configuration disagrees"\n[[unit.fault.cause.demand]]\nidentifier = 0xF190\nbyte = 17\nvalue = 0x11\nmask = 0x10',
        16,
        "byte 17 lies beyond",
    ),
    (
        '[[message]]\nname = "m"\nsender = "tow"\n[[message.sent_when]]\nidentifier = 0xF190\nbyte = 0\nvalue = 0x11\nmask = 0x10',
        16,
        "bits outside mask",
    ),
    ('[[message]]\nname = "m"\nsender = "x"', 12, "no unit 'x'"),
    ('[[disturbance]]\nunit = "x"\nservice = 0x2E\nkind = "busy"', 11, "no unit 'x'"),
    ('[[disturbance]]\nunit = "tow"\nservice = 0x2E\nkind = "refuse"', 10, "needs code"),
    (
        '[[disturbance]]\nunit = "tow"\nservice = 0x2E\nkind = "busy"\nseconds = 1.0',
        14,
        "means nothing",
    ),
    (
        '[[unit.software_block]]\nversion = "1"\nmemory_address = 0\nsize_bytes = 1\ncrc32 = 0\nroutine_check = 1\nseconds = 1\n[[unit.software_block.record]]\nidentifier = 7\nbytes = "00"',
        18,
        "no record 0x0007",
    ),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), CHECKS)
def test_checks_of_the_car(old, new, line, words):
    assert any(
        each.startswith(f"car.toml:{line}: ") and words in each
        for each in list_mistakes(SMALLEST.replace(old, new))
    )


@pytest.mark.parametrize(("added", "line", "words"), ADDED)
def test_checks_across_the_file(added, line, words):
    found = list_mistakes(SMALLEST + added + "\n")
    assert any(each.startswith(f"car.toml:{line}: ") and words in each for each in found), found


def test_two_masters_and_two_like_blocks():
    keeper = '[unit.keeper]\nrole = "master"\nidentifier = 1\nencoding = "codes"\nlength_bytes = 2\nbytes = "20 03"\n'
    block = '[[unit.software_block]]\nversion = "1"\nmemory_address = 0\nsize_bytes = 1\ncrc32 = 0\nroutine_check = 1\nseconds = 1.0\n'
    text = (
        SMALLEST.replace("bench", "car")
        + keeper
        + '[[unit]]\nid = "b"\naddress = 2\n'
        + keeper
        + block * 2
    )
    found = list_mistakes(text)
    assert len(found) == 2
    assert "a second fitted unit is master" in found[0]
    assert "the same address and size" in found[1]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "format is missing"),
        (b"\xff\xfe\x00", "no UTF-8"),
        (b"a = ", "no TOML"),
        (b"\0", "no TOML"),
        (b"unit = 3", "unit is 3"),
        (b"[" * 200_000, "no TOML"),
        (b"a = " + b"[" * 90 + b"]" * 90, "nested more than"),
        (b"a." * 100_000 + b"b = 1", "more than 40 parts"),
        (b"a = " + b"9" * 5000, "no TOML"),
        (b"# " + b"x" * 8_000_000, "more than 8000000"),
    ],
)
def test_files_that_are_no_scenario(raw, words):
    began = time.process_time()
    with pytest.raises(InputError, match=words) as caught:
        parse_scenario(raw, file="car.toml")
    assert caught.value.mistakes
    assert time.process_time() - began < 20  # bounded work, not a measure of speed


def test_files_that_cannot_be_opened(tmp_path):
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(InputError, match=str(path.name)):
            read_scenario(path)


def test_schema_is_that_of_the_reader(repository: Path):
    """The shipped JSON Schema is written anew with ``python -m donorfit.edge.packs.scenario_schema``."""
    from donorfit.edge.packs.scenario_schema import write_schema

    shipped = repository / "src/donorfit/schemas/scenario.schema.json"
    assert shipped.read_text(encoding="utf-8") == write_schema()


@pytest.mark.reference
def test_the_small_car_fits_the_schema(repository: Path):
    """Checked by an independent JSON Schema validator."""
    jsonschema = pytest.importorskip("jsonschema")
    import tomllib

    schema = json.loads((repository / "src/donorfit/schemas/scenario.schema.json").read_text())
    values = tomllib.loads((repository / "tests/data/scenarios/small_car.toml").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(values)


def test_the_documented_examples_are_read(repository: Path):
    """Every key named in a TOML block of the format's page is a key that the reader knows."""
    from donorfit.edge.packs.scenario_schema import list_keys

    page = (repository / "docs/scenario-format.md").read_text(encoding="utf-8")
    blocks = page.split("```toml\n")[1:]
    keys = set()
    for block in blocks:
        for line in block.split("```")[0].splitlines():
            key, equals, _ = line.partition("=")
            if equals and not line.startswith(("#", " ", "[")):
                keys.add(key.strip())
    unknown = keys - list_keys() - {"T042", "L110", "0xD020"}
    assert len(keys) > 60
    assert unknown == set()
