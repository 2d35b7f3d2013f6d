"""The JSON Schema of scenario files, made from the reader's own shapes.

``python -m donorfit.edge.packs.scenario_schema`` prints it; the copy in ``donorfit/schemas`` is
that text, so that editors can complete a scenario.
"""

import json
import sys
from typing import Any

from donorfit.edge.packs.scenario_shapes import ScenarioShape

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def write_schema() -> str:
    """The schema as text, the same in every run."""
    schema: dict[str, Any] = {"$schema": DIALECT, **ScenarioShape.model_json_schema()}
    schema["title"] = "donorfit scenario"
    return json.dumps(schema, indent=2, sort_keys=True) + "\n"


def list_keys() -> frozenset[str]:
    """Every key that some table of a scenario knows."""
    schema = ScenarioShape.model_json_schema()
    tables = [schema, *schema["$defs"].values()]
    return frozenset(key for table in tables for key in table.get("properties", {}))


if __name__ == "__main__":
    sys.stdout.write(write_schema())
