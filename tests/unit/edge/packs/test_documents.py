"""What the format pages show is read as they say."""

import re
import tomllib
from pathlib import Path

import pytest

from donorfit.configuration import ALGORITHMS
from donorfit.edge.packs.schema_files import SHAPES, make_schema
from donorfit.vehicle.fault import CauseKind
from donorfit.vehicle.network import PinFunction


def read_blocks(page: Path) -> list[str]:
    return re.findall(r"```toml\n(.*?)```", page.read_text("utf-8"), re.DOTALL)


def list_keys(schema: dict) -> set[str]:
    tables = [schema, *schema.get("$defs", {}).values()]
    return {key for table in tables for key in table["properties"]}


def list_written(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value) | {key for each in value.values() for key in list_written(each)}
    if isinstance(value, list):
        return {key for each in value for key in list_written(each)}
    return set()


@pytest.mark.parametrize("name", ["pack-format.md", "declared-survey.md"])
def test_every_key_of_the_formats_is_shown_and_no_other(repository: Path, name: str) -> None:
    shown: set[str] = set()
    for block in read_blocks(repository / "docs" / name):
        shown |= list_written(tomllib.loads(block))
    shapes = [s for s in SHAPES if (s == "declared-survey") == (name == "declared-survey.md")]
    known = {key for shape in shapes for key in list_keys(make_schema(shape))}
    choices = {"none", "7 pins", "13 pins"}
    assert shown - choices == known


def test_every_word_of_the_lists_is_named(repository: Path) -> None:
    text = (repository / "docs" / "pack-format.md").read_text("utf-8")
    for word in (*ALGORITHMS, *(k.value for k in CauseKind), *(f.value for f in PinFunction)):
        assert f"`{word}`" in text, word
