"""Write what an ODX data set describes as a pack that can be used and then be filled in."""

import json
import re
from pathlib import Path
from typing import Any

from donorfit.errors import InputError
from donorfit.simulator.described import DescribedService, DescribedUnit, DescribedUnits

PACK_FILE = "pack.toml"
OPTIONS_FILE = "options.uvl"
NETWORKS_FILE = "networks.toml"
UNITS_FILE = "units.toml"
NETWORK = "diagnostic_link"
SERVICES_FILE = "services.json"


def write_draft(described: DescribedUnits, folder: Path) -> tuple[Path, ...]:
    """Write the draft's files; give their paths.

    Together they are a pack: manifest, rules without an option yet, one network that stands for
    the diagnostic link, and the units. ``services.json`` holds every service with its request
    pattern, answer and needed states; a pack does not need it.

    Raises:
        InputError: the folder cannot be written, or one of the files is there already.
    """
    texts = {
        folder / PACK_FILE: _write_manifest(described),
        folder / OPTIONS_FILE: f"features\n\t{_make_name(described.title, set())}\n",
        folder / NETWORKS_FILE: _NETWORKS,
        folder / UNITS_FILE: _write_units(described),
        folder / SERVICES_FILE: _write_services(described),
    }
    there = [path for path in texts if path.exists()]
    if there:
        raise InputError(
            what="The draft would overwrite a file.",
            where=str(there[0]),
            next_step="Name another folder with --out.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            with path.open("x", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
    except OSError as error:
        raise InputError(
            what="The draft cannot be written.",
            where=str(folder),
            why=error.strerror or str(error),
            next_step="Name another folder with --out.",
        ) from error
    return tuple(texts)


def _make_name(text: str, taken: set[str]) -> str:
    """A name that a pack accepts, each once."""
    base = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_") or "unit"
    base = base if base[0].isalpha() else f"unit_{base}"
    name, count = base, 1
    while name in taken:
        count += 1
        name = f"{base}_{count}"
    taken.add(name)
    return name


_NETWORKS = f"""\
# Stands for every network until the real ones are described.
[[network]]
name = "{NETWORK}"
kind = "ethernet"
bit_rate = 100_000_000
"""


def _write_manifest(described: DescribedUnits) -> str:
    name = _make_name(described.title, set())
    return f"""\
# Draft from the ODX data set {json.dumps(described.title)}: say which months the family was built.
format = "donorfit pack 1"
id = "{name}"
title = {json.dumps(described.title)}
version = "draft"
family_from = "1990-01"
family_before = "2090-01"
wmi = []
gateway = 0x{described.units[0].address:04X}

[parts]
options = "{OPTIONS_FILE}"
units = ["{UNITS_FILE}"]
networks = ["{NETWORKS_FILE}"]
"""


def _write_units(described: DescribedUnits) -> str:
    taken: set[str] = set()
    lines = [
        f"# Draft from the ODX data set {json.dumps(described.title)}.",
        "# Say for each unit on which network it sits; describe option list and records.",
    ]
    for unit in described.units:
        lines += [
            "",
            "[[unit]]",
            f"id = {json.dumps(_make_name(unit.id, taken))}",
            f"title = {json.dumps(unit.id)}",
            f"address = 0x{unit.address:04X}",
            f'network = "{NETWORK}"',
        ]
    return "\n".join(lines) + "\n"


def _write_services(described: DescribedUnits) -> str:
    plain = {
        "schema": "donorfit odx services 1",
        "title": described.title,
        "notes": list(described.notes),
        "units": [_to_plain(unit) for unit in described.units],
    }
    return json.dumps(plain, indent=2, ensure_ascii=False) + "\n"


def _to_plain(unit: DescribedUnit) -> dict[str, Any]:
    return {
        "unit": unit.id,
        "address": unit.address,
        "charts": [list(each) for each in unit.charts],
        "services": [_to_plain_service(each) for each in unit.services],
    }


def _to_plain_service(service: DescribedService) -> dict[str, Any]:
    return {
        "name": service.name,
        "request": service.request.hex().upper(),
        "mask": service.mask.hex().upper(),
        "longest_bytes": service.longest_bytes,
        "answer": service.answer.hex().upper(),
        "refusal": service.refusal.hex().upper(),
        "needs": [list(each) for each in service.needs],
        "moves": [list(each) for each in service.moves],
    }
