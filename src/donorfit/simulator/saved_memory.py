"""What a car keeps without supply, as plain values that a file can hold."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from donorfit.errors import InputError
from donorfit.simulator.scenario import Scenario
from donorfit.simulator.state import CarState, FaultState, Flash, UnitState
from donorfit.vehicle.identity import DataIdentifier

Plain = Mapping[str, Any]
FORMAT = "donorfit simulator memory 1"
_MAX_BYTE = 0xFF
_OTHER_COUNTS = "it counts other disturbances"
_OTHER_IDENTIFIERS = "a unit stores other identifiers"


def save_memory(scenario: Scenario, car: CarState, now_s: float) -> Plain:
    """Memory, software, fault codes, lock-outs, charge; sessions and unfinished work are lost."""
    return {
        "format": FORMAT,
        "title": scenario.title,
        "charge_ah": car.charge_ah,
        "seen": list(car.seen),
        "units": {
            str(truth.id): _save_unit(unit, now_s)
            for truth, unit in zip(scenario.units, car.units, strict=True)
        },
    }


def _save_unit(unit: UnitState, now_s: float) -> dict[str, Any]:
    return {
        "memory": {f"{key:04X}": content.hex() for key, content in unit.memory},
        "software": unit.software,
        "application": unit.application,
        "seeds_given": unit.seeds_given,
        "wrong_keys": unit.wrong_keys,
        "locked_s": max(0.0, unit.locked_until_s - now_s),
        "faults": [[fault.status, fault.failed_cycles] for fault in unit.faults],
        "flash": {
            "erased": [list(each) for each in unit.flash.erased],
            "written": [list(each) for each in unit.flash.written],
            "checked": unit.flash.checked,
            "partial": None if unit.flash.partial is None else list(unit.flash.partial),
        },
    }


def load_memory(scenario: Scenario, car: CarState, saved: Plain) -> CarState:
    """A car just begun, with the memory of an earlier run.

    Raises:
        InputError: the memory is of another scenario, or damaged.
    """
    if saved.get("format") != FORMAT or saved.get("title") != scenario.title:
        raise InputError(
            what="the saved memory does not belong to this scenario",
            why=f"it is of {saved.get('title')!r}, format {saved.get('format')!r}",
            next_step="name another state file, or remove this one to start from the scenario",
        )
    try:
        units = tuple(
            _load_unit(unit, saved["units"][str(truth.id)], car.at_s)
            for truth, unit in zip(scenario.units, car.units, strict=True)
        )
        charge_ah = min(max(float(saved["charge_ah"]), 0.0), scenario.supply.battery_ah)
        seen = tuple(int(each) for each in saved["seen"])
        if len(seen) != len(scenario.disturbances):
            raise DamagedMemoryError(_OTHER_COUNTS)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        why = f"{type(error).__name__}: {error}"
        raise DamagedMemoryError(why) from error
    return replace(car, units=units, charge_ah=charge_ah, seen=seen)


class DamagedMemoryError(InputError):
    """The saved memory cannot be used."""

    def __init__(self, why: str) -> None:
        super().__init__(
            what="the saved memory is damaged or of another scenario",
            why=why,
            next_step="remove the state file to start from the scenario",
        )


def _load_unit(unit: UnitState, saved: Mapping[str, Any], now_s: float) -> UnitState:
    memory = tuple(
        sorted(
            (DataIdentifier(int(key, 16)), bytes.fromhex(content))
            for key, content in saved["memory"].items()
        )
    )
    if [key for key, _ in memory] != [key for key, _ in unit.memory]:
        raise DamagedMemoryError(_OTHER_IDENTIFIERS)
    faults = tuple(
        _load_fault(fault, *each) for fault, each in zip(unit.faults, saved["faults"], strict=True)
    )
    locked_s = float(saved["locked_s"])
    return replace(
        unit,
        memory=memory,
        software=str(saved["software"]),
        application=bool(saved["application"]),
        seeds_given=int(saved["seeds_given"]),
        wrong_keys=int(saved["wrong_keys"]),
        locked_until_s=now_s + locked_s if locked_s > 0 else unit.locked_until_s,
        faults=faults,
        # files of earlier releases have no such part
        flash=_load_flash(saved.get("flash", {})),
    )


def _load_flash(saved: Mapping[str, Any]) -> Flash:
    partial = saved.get("partial")
    erased = [(int(block), int(piece)) for block, piece in saved.get("erased", ())]
    written = [
        (int(block), int(piece), int(crc32)) for block, piece, crc32 in saved.get("written", ())
    ]
    block, received, crc32 = (0, 0, 0) if partial is None else map(int, partial)
    return Flash(
        erased=tuple(erased),
        written=tuple(written),
        checked=int(saved.get("checked", -1)),
        partial=None if partial is None else (block, received, crc32),
    )


def _load_fault(fault: FaultState, status: int, failed_cycles: int) -> FaultState:
    if not 0 <= int(status) <= _MAX_BYTE:
        why = f"{status} is no status byte"
        raise DamagedMemoryError(why)
    return replace(fault, status=int(status), failed_cycles=int(failed_cycles))
