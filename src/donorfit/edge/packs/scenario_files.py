"""Reading a scenario file: TOML in, a :class:`~donorfit.simulator.scenario.Scenario` out.

All mistakes of a file are reported together with their lines.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from donorfit.edge.packs.scenario_checks import check_scenario
from donorfit.edge.packs.toml_lines import (
    MAX_TOML_BYTES,
    TomlText,
    read_toml,
    write_mistakes,
)
from donorfit.errors import InputError, Mistake

if TYPE_CHECKING:
    from donorfit.simulator.scenario import Scenario


def read_scenario(path: Path) -> "Scenario":
    """Read a scenario file.

    Raises:
        InputError: the file cannot be read or is no scenario; holds every mistake found.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_TOML_BYTES + 1)
    except OSError as error:
        raise InputError(
            what="the scenario file cannot be read",
            where=str(path),
            why=error.strerror or str(error),
            next_step="name a TOML file as docs/scenario-format.md describes it",
        ) from error
    return parse_scenario(raw, file=str(path))


def parse_scenario(raw: bytes, *, file: str) -> "Scenario":
    """Read the bytes of a scenario file.

    Raises:
        InputError: as :func:`read_scenario`.
    """
    # pydantic takes long to load and is needed only here
    from pydantic import ValidationError  # noqa: PLC0415

    from donorfit.edge.packs.scenario_shapes import ScenarioShape  # noqa: PLC0415
    from donorfit.edge.packs.scenario_values import build_scenario  # noqa: PLC0415

    text = read_toml(raw, file=file)
    try:
        shape = ScenarioShape.model_validate(text.values)
    except ValidationError as error:
        errors = error.errors(include_url=False)
        raise _collect(text, write_mistakes(text, errors)) from error
    mistakes = check_scenario(text, shape)
    if mistakes:
        raise _collect(text, mistakes)
    scenario, late = build_scenario(text, shape)
    if late:
        raise _collect(text, late)
    return scenario


def _collect(text: TomlText, mistakes: tuple[Mistake, ...]) -> InputError:
    count = len(mistakes)
    return InputError(
        what=f"{text.file} is no scenario: {count} mistake{'s' if count > 1 else ''}",
        mistakes=sorted(mistakes, key=lambda mistake: mistake.line),
        next_step="mend the lines below; docs/scenario-format.md describes the format",
    )
