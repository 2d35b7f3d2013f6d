"""JSON Schemas (2020-12) of the file formats, made from the shapes that read them."""

import json
from collections.abc import Mapping
from importlib import resources
from typing import Any

from donorfit.edge.packs.part_shapes import (
    CautionsFile,
    ConnectorsFile,
    FaultsFile,
    ManifestFile,
    ModulesFile,
    NetworksFile,
    SessionFile,
)
from donorfit.edge.packs.shape_base import Shape
from donorfit.edge.packs.survey_files import DeclaredSurveyFile
from donorfit.edge.packs.unit_shapes import UnitsFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"
SHAPES: Mapping[str, type[Shape]] = {
    "pack": ManifestFile,
    "pack-units": UnitsFile,
    "pack-networks": NetworksFile,
    "pack-connectors": ConnectorsFile,
    "pack-faults": FaultsFile,
    "pack-modules": ModulesFile,
    "pack-session": SessionFile,
    "pack-cautions": CautionsFile,
    "declared-survey": DeclaredSurveyFile,
}
"""Name of each schema, without ``.schema.json``, and the shape it is made from."""


def make_schema(name: str) -> dict[str, Any]:
    """The schema of one file format, made anew; raise KeyError for a name that is none."""
    schema = SHAPES[name].model_json_schema()
    return {"$schema": DIALECT, "title": f"donorfit {name}", **_drop_titles(schema)}


def write_schema(name: str) -> str:
    """The text of one schema file."""
    return json.dumps(make_schema(name), indent=2, ensure_ascii=False) + "\n"


def read_shipped_schema(name: str) -> str:
    """The text of one schema as it is shipped; raise FileNotFoundError for a name that is none."""
    folder = resources.files("donorfit") / "schemas"
    return (folder / f"{name}.schema.json").read_text(encoding="utf-8")


def _drop_titles(value: Any) -> Any:
    """Leave out the titles that repeat each key, and the names of our classes."""
    if isinstance(value, list):
        return [_drop_titles(each) for each in value]
    if not isinstance(value, dict):
        return value
    kept = {
        key: _drop_titles(each)
        for key, each in value.items()
        if key != "title" or not isinstance(each, str)
    }
    names = kept.get("$defs")
    return kept if not isinstance(names, dict) else {**kept, "$defs": dict(sorted(names.items()))}
