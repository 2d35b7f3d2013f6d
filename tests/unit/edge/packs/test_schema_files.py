"""The shipped JSON Schemas are those that the shapes give."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from donorfit.edge.packs.schema_files import SHAPES, make_schema, read_shipped_schema, write_schema


@pytest.mark.parametrize("name", SHAPES)
def test_no_drift(name: str) -> None:
    assert read_shipped_schema(name) == write_schema(name), "write the schemas anew"


@pytest.mark.parametrize("name", SHAPES)
def test_unknown_keys_are_refused_everywhere(name: str) -> None:
    schema = make_schema(name)
    tables = [schema, *schema.get("$defs", {}).values()]
    assert all(each["additionalProperties"] is False for each in tables)


def list_parts(demo: Path) -> list[tuple[str, Path]]:
    pack = demo / "pack"
    parts: dict[str, Any] = tomllib.loads((pack / "pack.toml").read_text("utf-8"))["parts"]
    found = [("pack", pack / "pack.toml"), ("declared-survey", demo / "declared.toml")]
    for kind, files in parts.items():
        if kind != "options":
            found += [(f"pack-{kind}", pack / file) for file in files]
    return found


def test_the_demo_follows_the_schemas(repository: Path) -> None:
    """Checked by jsonschema, an independent library."""
    jsonschema = pytest.importorskip("jsonschema")
    parts = list_parts(repository / "src" / "donorfit" / "demo")
    assert len(parts) >= 15
    for name, path in parts:
        schema = make_schema(name)
        validator = jsonschema.Draft202012Validator
        validator.check_schema(schema)
        values = tomllib.loads(path.read_text("utf-8"))
        assert not list(validator(schema).iter_errors(values)), path
        wrong = {**values, "strange": 1}
        assert list(validator(schema).iter_errors(wrong)), path
