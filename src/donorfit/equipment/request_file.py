"""Read a request from JSON: every key and value is checked, all mistakes are told together."""

import json
import math
from collections.abc import Mapping
from typing import Any

from donorfit.equipment.answers import RepairRequest, Structure
from donorfit.equipment.mistakes import Notes
from donorfit.equipment.read_uvl import suggest_names
from donorfit.errors import InputError
from donorfit.vehicle.identity import BuildMonth

MOST_TOP = 1000
_LISTS = ("declared", "on", "off", "fitted", "not_fitted")
_NUMBERS = {"month_cost": 0.0, "top": 1.0}
_KEYS = (*_LISTS, "costs", "month", "month_fixed", "structure", *_NUMBERS)


def read_request(text: str, *, file: str) -> RepairRequest:
    """Read a request; a bare JSON array is a list of declared options.

    Raises:
        InputError: with all mistakes found.
    """
    notes = Notes(file)
    try:
        value = json.loads(text)
    except json.JSONDecodeError as error:
        notes.add(error.lineno, error.colno, f"this is no JSON: {error.msg}", "correct it")
        value = {}
    except RecursionError:
        notes.add(0, 0, "the JSON is nested too deep", "a request needs two levels")
        value = {}
    if isinstance(value, list):
        value = {"declared": value}
    if not isinstance(value, dict):
        notes.add(0, 0, "a request is an object", 'write {"declared": [...]}')
        value = {}
    request = _Reader(value, notes).read()
    if notes.mistakes:
        raise InputError(
            what=f"{file} is no request: {len(notes.mistakes)} mistake"
            f"{'s' * (len(notes.mistakes) != 1)}",
            mistakes=notes.mistakes,
            where=file,
            why="a request holds declared, on, off, fitted, not_fitted, costs, month and limits",
            next_step="correct the entries below",
        )
    return request


class _Reader:
    def __init__(self, value: Mapping[str, Any], notes: Notes) -> None:
        self._value = value
        self._notes = notes

    def _wrong(self, what: str, next_step: str) -> None:
        self._notes.add(0, 0, what, next_step)

    def read(self) -> RepairRequest:
        for key in self._value:
            if key not in _KEYS:
                self._wrong(f"the key {key!r} is not known", suggest_names(key, list(_KEYS)))
        lists = {key: self._read_list(key) for key in _LISTS}
        return RepairRequest(
            **lists,
            costs=self._read_costs(),
            month=self._read_month(),
            month_fixed=self._read_flag("month_fixed"),
            month_cost=self._read_number("month_cost", 3.0),
            top=int(self._read_number("top", 1.0)),
            structure=self._read_structure(),
        )

    def _read_list(self, key: str) -> tuple[str, ...]:
        found = self._value.get(key, [])
        if not isinstance(found, list) or not all(isinstance(each, str) for each in found):
            self._wrong(f"{key!r} must be a list of option names", 'write ["a", "b"]')
            return ()
        twice = (
            sorted({each for each in found if found.count(each) > 1})
            if (len(set(found)) != len(found))
            else []
        )
        if twice:
            self._wrong(f"{key!r} names {', '.join(twice[:5])} more than once", "keep one of each")
        return tuple(found)

    def _read_costs(self) -> tuple[tuple[str, float], ...]:
        found = self._value.get("costs", {})
        if not isinstance(found, dict):
            self._wrong("'costs' must be an object", 'write {"option": 5}')
            return ()
        for name, cost in found.items():
            number = isinstance(cost, int | float) and not isinstance(cost, bool)
            if not number or not 0 < cost < math.inf:
                self._wrong(f"the cost of {name!r} is {cost!r}", "give a number above 0")
        return tuple(found.items())

    def _read_month(self) -> BuildMonth | None:
        found = self._value.get("month")
        if found is None:
            return None
        try:
            return BuildMonth.parse(str(found))
        except ValueError as error:
            self._wrong(f"'month': {error}", "write it as 2021-07")
            return None

    def _read_flag(self, key: str) -> bool:
        found = self._value.get(key, False)
        if not isinstance(found, bool):
            self._wrong(f"{key!r} is {found!r}", "write true or false")
        return bool(found)

    def _read_number(self, key: str, usual: float) -> float:
        found = self._value.get(key, usual)
        low = _NUMBERS[key]
        if isinstance(found, bool) or not isinstance(found, int | float):
            self._wrong(f"{key!r} is {found!r}", "give a number")
            return usual
        if not low <= found < math.inf or (key == "top" and (found > MOST_TOP or found % 1)):
            limit = f"a whole number from 1 to {MOST_TOP}" if key == "top" else "0 or more"
            self._wrong(f"{key!r} is {found!r}", f"give {limit}")
            return usual
        return float(found)

    def _read_structure(self) -> Structure:
        found = self._value.get("structure", "auto")
        try:
            return Structure(found)
        except ValueError:
            self._wrong(f"'structure' is {found!r}", "write auto, declared or derived")
            return Structure.AUTO
