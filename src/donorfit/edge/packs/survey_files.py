"""Read a declared survey: what a person knows of a car that is not on the bench yet."""

from collections.abc import Iterable
from pathlib import Path
from typing import Literal

from pydantic import Field

from donorfit.edge.packs.pack_notes import PackNotes, suggest
from donorfit.edge.packs.part_reader import read_shape
from donorfit.edge.packs.shape_base import Month, Name, Shape, Text, Version
from donorfit.edge.packs.toml_lines import MAX_TOML_BYTES, read_toml
from donorfit.errors import InputError, Mistake
from donorfit.records.survey import Survey, SurveyKind, UnitSurvey
from donorfit.vehicle.identity import BuildMonth, OptionName, UnitId
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.vin import describe_vin_mistake


class DeclaredUnitShape(Shape):
    """One control unit that the car has, with what its label says."""

    id: Name
    hardware: str = ""
    software: Version | None = None
    part: str = ""


class DeclaredSurveyFile(Shape):
    """A car as declared: options by name or by code, months, control units."""

    format: Literal["donorfit declared survey 1"]
    title: Text = "declared car"
    pack: Name | None = None
    vin: str = ""
    month: Month | None = None
    options: list[Name] = Field(default_factory=list)
    codes: list[Text] = Field(default_factory=list)
    fitted: list[Name] = Field(default_factory=list)
    not_fitted: list[Name] = Field(default_factory=list)
    unit: list[DeclaredUnitShape] = Field(default_factory=list)


def read_declared_survey(path: Path, pack: Pack) -> Survey:
    """Read a declared survey for a pack.

    Raises:
        InputError: the file cannot be read, or says what the pack does not know; every mistake is
            given with its line.
    """
    text = read_toml(_read_bytes(path), file=str(path))
    notes = PackNotes()
    values, _ = read_shape(text, DeclaredSurveyFile, notes)
    if values is None or notes.mistakes:
        notes.raise_if_any(str(path), "declared survey")
        raise AssertionError
    _check(values, str(path), pack, notes)
    options = _collect_options(values, str(path), pack, notes)
    notes.raise_if_any(str(path), "declared survey")
    addresses = {unit.id: unit.address for unit in pack.units}
    given = {unit.id: unit for unit in values.unit}
    return Survey(
        kind=SurveyKind.DECLARED,
        pack=pack.id,
        pack_digest=pack.digest,
        taken_at="",
        vin=values.vin,
        month=BuildMonth.parse(values.month) if values.month else None,
        options=options,
        fitted=tuple(sorted(map(OptionName, set(values.fitted)))),
        not_fitted=tuple(sorted(map(OptionName, set(values.not_fitted)))),
        units=tuple(
            UnitSurvey(
                unit=UnitId(unit.id),
                address=addresses[UnitId(unit.id)],
                answered=True,
                hardware=unit.hardware,
                part=unit.part,
                software=unit.software or "",
            )
            for name in addresses
            if (unit := given.get(name)) is not None
        ),
    )


def _read_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_TOML_BYTES + 1)
    except OSError as error:
        what = f"it cannot be read: {error.strerror or error}"
    else:
        if data.strip():
            return data
        what = "the file is empty"
    mistake = Mistake(file=str(path), line=0, what=what, next_step="check the file's name")
    raise InputError(
        what=f"{path} cannot be used as a declared survey",
        mistakes=(mistake,),
        next_step="give the file of a declared survey, see docs/declared-survey.md",
    )


def _check(values: DeclaredSurveyFile, file: str, pack: Pack, notes: PackNotes) -> None:
    if values.pack is not None and values.pack != pack.id:
        what = f"the survey is for the pack {values.pack!r}, this is {pack.id!r}"
        notes.add(file, values.get_line("pack"), what, "use the pack that it was written for")
    mistake = describe_vin_mistake(values.vin) if values.vin else ""
    if mistake:
        notes.add(file, values.get_line("vin"), f"the VIN is wrong: {mistake}", "correct it")
    if values.month is not None:
        month = BuildMonth.parse(values.month)
        if not pack.family_from <= month < pack.family_before:
            what = f"{month} lies outside the family's months, {pack.family_from} up to"
            what = f"{what} and without {pack.family_before}"
            notes.add(file, values.get_line("month"), what, "check the build month")
    seen: set[str] = set()
    known = [unit.id for unit in pack.units]
    for unit in values.unit:
        if unit.id not in known:
            what = f"there is no unit {unit.id!r} in the pack"
            notes.add(file, unit.get_line("id"), what, suggest(unit.id, known))
        elif unit.id in seen:
            what = f"the unit {unit.id!r} is there twice"
            notes.add(file, unit.get_line("id"), what, "join both entries")
        seen.add(unit.id)


def _collect_options(
    values: DeclaredSurveyFile, file: str, pack: Pack, notes: PackNotes
) -> tuple[OptionName, ...]:
    by_code = {code: option for option, code in pack.option_codes}
    known = frozenset(pack.rules.names)
    for key, names in (
        ("options", values.options),
        ("fitted", values.fitted),
        ("not_fitted", values.not_fitted),
    ):
        for name in _list_strange(names, known):
            what = f"{key}: there is no option {name!r} in the pack"
            notes.add(file, values.get_line(key), what, suggest(name, known))
    for code in _list_strange(values.codes, by_code):
        what = f"codes: there is no option with the code {code!r} in the pack"
        notes.add(file, values.get_line("codes"), what, suggest(code, by_code))
    for name in sorted(set(values.fitted) & set(values.not_fitted)):
        what = f"{name} cannot be both fitted and not fitted"
        notes.add(file, values.get_line("not_fitted"), what, "take it out of one list")
    found = {*map(OptionName, values.options), *(by_code[c] for c in values.codes if c in by_code)}
    return tuple(sorted(found))


def _list_strange(names: Iterable[str], known: Iterable[str]) -> list[str]:
    return sorted(set(names) - set(known))
