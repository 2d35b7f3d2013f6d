"""Readers of the open formats: packs, surveys, scenarios, imported descriptions.

The readers are loaded when they are first asked for: they need a validation library that takes
longer to load than most commands take to run.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from donorfit.edge.packs.pack_reader import PackReading, load_pack, read_pack
    from donorfit.edge.packs.survey_files import read_declared_survey

__all__ = ["PackReading", "load_pack", "read_declared_survey", "read_pack"]

_HOMES = {
    "PackReading": "pack_reader",
    "load_pack": "pack_reader",
    "read_pack": "pack_reader",
    "read_declared_survey": "survey_files",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
