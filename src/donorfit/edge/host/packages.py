"""Which of donorfit's packages are installed, with their versions."""

import importlib.metadata
import re
from dataclasses import dataclass

_NAME = re.compile(r"[A-Za-z0-9._-]+")
_EXTRA = re.compile(r"extra\s*==\s*['\"]([\w-]+)['\"]")
_PURPOSES = {
    "can": "cars over CAN",
    "mf4": "logs in MF4 files",
    "networks": "LIN and ARXML descriptions",
    "odx": "ODX data sets",
    "python-sat": "solver of option rules",
    "typst": "PDF record",
}
_REPLACED_BY = {
    "python-sat": "python-sat is missing: our own solver does it, more slowly",
    "typst": "typst is missing: the record is written as HTML only",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageState:
    """One package that donorfit asks for.

    Attributes:
        name: as the registry knows it.
        version: installed version; empty where it is not installed.
        extra: the optional extra that brings it; empty for what every job needs.
        purpose: what it is for, where that is not plain.
        replaced_by: what happens without it, where donorfit does not need it.
    """

    name: str
    version: str
    extra: str
    purpose: str = ""
    replaced_by: str = ""


def list_packages(distribution: str = "donorfit") -> tuple[PackageState, ...]:
    """Every package that the installed donorfit asks for, needed ones first."""
    try:
        requirements = importlib.metadata.requires(distribution) or []
    except importlib.metadata.PackageNotFoundError:
        return ()
    return tuple(sorted(map(_look_up, requirements), key=lambda each: each.extra))


def _look_up(requirement: str) -> PackageState:
    match = _NAME.match(requirement)
    name = match[0] if match else requirement
    extra = _EXTRA.search(requirement)
    try:
        version = importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        version = ""
    return PackageState(
        name=name,
        version=version,
        extra=extra[1] if extra else "",
        purpose=_PURPOSES.get(extra[1] if extra else name, ""),
        replaced_by=_REPLACED_BY.get(name, ""),
    )
