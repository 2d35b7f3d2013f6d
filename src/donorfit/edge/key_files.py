"""The user's own source of security access keys: a Python file (docs/keys.md)."""

import importlib.util
from pathlib import Path
from typing import Any

from donorfit.errors import InputError
from donorfit.job.ports import KeySource
from donorfit.vehicle.identity import UnitId


class NoKeys:
    """No source of keys: units that ask for one cannot be opened."""

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        """Have no key."""
        del unit, level, seed
        return None


def load_keys(path: Path | None) -> KeySource:
    """Load the user's own key source: a Python file with ``compute_key(unit, level, seed)``.

    Raises:
        InputError: the file is missing, cannot be run, or has no such function.
    """
    if path is None:
        return NoKeys()
    why = ""
    module: Any = None
    try:
        spec = importlib.util.spec_from_file_location("donorfit_user_keys", path)
        if spec is not None and spec.loader is not None:
            module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:  # noqa: BLE001 - whatever the user's file does
        why = f"{type(error).__name__}: {error}"
    if not callable(getattr(module, "compute_key", None)):
        raise InputError(
            what="The key source cannot be used.",
            where=str(path),
            why=why or "It has no function compute_key(unit, level, seed).",
            next_step="See docs/keys.md for the few lines that it needs.",
        )
    return _FileKeys(module)


class _FileKeys:
    def __init__(self, module: Any) -> None:
        self._module = module

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        """Ask the user's function; anything but bytes counts as no key."""
        key = self._module.compute_key(str(unit), level, seed)
        return bytes(key) if isinstance(key, bytes | bytearray) else None
