"""The folder for what outlives one job and belongs to no job file."""

import os
import sys
from collections.abc import Mapping
from pathlib import Path

OVERRIDE = "DONORFIT_STATE"
"""Environment variable that names another folder."""


def find_state_folder(
    environment: Mapping[str, str] | None = None, platform: str = sys.platform
) -> Path:
    """The folder, which need not be there yet.

    ``LOCALAPPDATA`` on Windows, ``Library/Application Support`` on macOS, elsewhere
    ``XDG_STATE_HOME`` of the XDG Base Directory Specification (``~/.local/state``).
    """
    given = os.environ if environment is None else environment
    if given.get(OVERRIDE):
        return Path(given[OVERRIDE])
    home = Path(given["HOME"]) if given.get("HOME") else Path.home()
    if platform == "win32":
        return Path(given.get("LOCALAPPDATA") or home / "AppData" / "Local") / "donorfit"
    if platform == "darwin":
        return home / "Library" / "Application Support" / "donorfit"
    return Path(given.get("XDG_STATE_HOME") or home / ".local" / "state") / "donorfit"
