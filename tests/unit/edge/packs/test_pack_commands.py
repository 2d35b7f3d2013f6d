"""``donorfit pack`` as a person calls it."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from donorfit.cli.pack import pack_group
from donorfit.edge.packs.schema_files import SHAPES
from donorfit.errors import InputError


def run(*arguments: str) -> str:
    result = CliRunner().invoke(pack_group, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_check_counts_what_is_there(make_pack) -> None:
    told = run("check", str(make_pack()))
    assert "The pack can be used." in told
    assert [line.split() for line in told.splitlines() if "control units" in line] == [
        ["control", "units", "6"]
    ]


def test_check_as_json(make_pack) -> None:
    answer = json.loads(run("check", str(make_pack()), "--json"))
    assert answer["usable"] is True
    assert answer["counts"]["options"] == 4
    assert answer["counts"]["rules"] == 2
    assert answer["warnings"] == []


def test_check_raises_every_mistake_and_prints_them_as_json(make_pack) -> None:
    path = make_pack(("units.toml", "first_bit = 8\n", "first_bit = 28\n"))
    runner = CliRunner()
    result = runner.invoke(pack_group, ["check", str(path), "--json"])
    assert isinstance(result.exception, InputError)
    answer = json.loads(result.stdout)
    assert answer["usable"] is False
    assert answer["mistakes"][0]["line"] == 50
    assert answer["mistakes"][0]["file"] == f"{path}/units.toml"


def test_show(make_pack) -> None:
    path = str(make_pack())
    told = run("show", path)
    assert "hook_unit: Hook unit" in told
    assert json.loads(run("show", path, "--json"))["units"][1]["present_option"] == "hook"


@pytest.mark.parametrize("name", SHAPES)
def test_schema(name: str) -> None:
    assert name in run("schema")
    assert json.loads(run("schema", name))["title"] == f"donorfit {name}"


def test_an_unknown_schema() -> None:
    result = CliRunner().invoke(pack_group, ["schema", "nothing"])
    assert isinstance(result.exception, InputError)


def test_import_odx_drafts_units(tmp_path: Path, shared_data: Path) -> None:
    pytest.importorskip("odxtools")
    file = shared_data / "odx" / "somersault.pdx"
    told = run("import-odx", str(file), "--out", str(tmp_path / "draft"))
    assert "2 units" in told
    units = (tmp_path / "draft" / "units.toml").read_text()
    assert 'id = "somersault_lazy"' in units
    services = json.loads((tmp_path / "draft" / "services.json").read_text())
    assert len(services["units"]) == 2
    again = CliRunner().invoke(
        pack_group, ["import-odx", str(file), "--out", str(tmp_path / "draft")]
    )
    assert isinstance(again.exception, InputError)
    assert "overwrite" in str(again.exception)
