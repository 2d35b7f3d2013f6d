"""State files of the simulator: what a simulated car keeps while it is switched off."""

import contextlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from donorfit.errors import InputError

MAX_STATE_BYTES = 64_000_000


def read_memory(path: Path) -> Mapping[str, Any] | None:
    """The saved memory; None where there is no such file yet.

    Raises:
        InputError: the file cannot be read, or is no state file.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_STATE_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _unusable(path, error.strerror or str(error)) from error
    if len(raw) > MAX_STATE_BYTES:
        raise _unusable(path, f"it has more than {MAX_STATE_BYTES} bytes")
    try:
        saved = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise _unusable(path, f"it is no JSON: {error}") from error
    if not isinstance(saved, dict):
        raise _unusable(path, "it is no JSON object")
    return saved


def write_memory(path: Path, saved: Mapping[str, Any]) -> None:
    """Replace the file in one step, so that it is whole at every moment.

    Raises:
        InputError: the folder cannot be written to.
    """
    name = ""
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", dir=path.parent, prefix=path.name, delete=False
        ) as file:
            name = file.name
            json.dump(saved, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except OSError as error:
        if name:
            with contextlib.suppress(OSError):
                Path(name).unlink()
        raise _unusable(path, error.strerror or str(error)) from error


def _unusable(path: Path, why: str) -> InputError:
    return InputError(
        what="the state file cannot be used",
        where=str(path),
        why=why,
        next_step="name another file, or remove this one to start from the scenario",
    )
