"""The shipped schemas are those of the data classes, and what the commands print follows them."""

import json
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

import donorfit
from donorfit.cli.root import root
from donorfit.edge.answer_schemas import ANSWERS, name_file, write_answer_schema

HOME = Path(donorfit.__file__).parent
PACK = HOME / "demo" / "pack"
DATA = Path(__file__).parents[2] / "data"
LIST = "gateway U1120-55 0x2F\nnonsense\nP0135 28\n"
ARGUMENTS = {
    "faults code": ("P0135-11", "--status", "0x2F"),
    "faults read": ("-", "--pack", PACK),
    "faults compare": ("--after", "-", "--pack", PACK),
    "faults now": ("-", "--pack", PACK),
    "faults explain": ("-", "--pack", PACK),
    "electrical supply": ("--load", "30:22", "--window", "12:14.5", "--support", 5),
    "electrical charge": ("--volts", 12.3),
    "electrical sleep": ("--before", 50, "--after", 62, "--rest-volts", 12.4),
    "electrical wire": ("--current", 10, "--length", 2),
    "electrical pins": (PACK, "boot_left_preparation", "tow_control_car_side"),
    "electrical parts": (PACK, "boot_left_preparation", "tow_control_car_side"),
    "network read": (PACK / "networks" / "can_body.dbc",),
    "network needs": (PACK, "tow_control_2"),
    "network load": (
        PACK / "networks" / "can_body.dbc",
        *("--bit-rate", 500_000, "--add", PACK / "networks" / "can_comfort.dbc"),
    ),
    "network collisions": (
        PACK / "networks" / "can_body.dbc",
        *("--add", PACK / "networks" / "can_comfort.dbc", "--pack", PACK),
    ),
    "network lin": (DATA / "networks" / "seat.ldf",),
    "network termination": (PACK, "--module", "tow_control_2", "--ohm", 60),
    "network ring": (PACK, "--insert", "seat"),
    "network log": (
        *("LOG", "--protection", "--bit-rate", 125_000),
        *("--pack", PACK, "--module", "tow_control_2"),
    ),
    "network values": ("LOG", PACK / "networks" / "can_body.dbc"),
    "network match": (
        PACK / "networks" / "can_body.dbc",
        *(PACK / "networks" / "can_comfort.dbc", "--rows", "--pack", PACK),
    ),
    "cautions": ("--where", "EU"),
}


@pytest.mark.parametrize("command", ANSWERS)
def test_the_shipped_schema_is_the_one_of_the_classes(command: str) -> None:
    shipped = (HOME / "schemas" / name_file(command)).read_text(encoding="utf-8")
    assert shipped == write_answer_schema(command), "write the schemas anew"
    jsonschema.Draft202012Validator.check_schema(json.loads(shipped))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Light demands of the demonstration's body network, every 20 ms with a counter; rubbish."""
    path = tmp_path / "drive.log"
    lines = [f"({place * 0.02:.6f}) can0 090#{place % 2:02X}000000" for place in range(40)]
    path.write_text("\n".join([*lines, "rubbish"]) + "\n")
    return path


@pytest.mark.parametrize("command", ANSWERS)
def test_the_answer_follows_its_schema(command: str, log: Path) -> None:
    given = (log if each == "LOG" else each for each in ARGUMENTS[command])
    arguments = [*command.split(), *map(str, given), "--json"]
    result = CliRunner().invoke(root, arguments, input=LIST)
    assert result.exit_code == 0, result.output
    answer = json.loads(result.output)
    schema = json.loads((HOME / "schemas" / name_file(command)).read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    assert list(validator.iter_errors(answer)) == []
    for name in answer:
        assert not validator.is_valid({key: answer[key] for key in answer if key != name})
    assert not validator.is_valid(answer | {"more": 1})
    assert not validator.is_valid(answer | {"schema": "another 1"})
