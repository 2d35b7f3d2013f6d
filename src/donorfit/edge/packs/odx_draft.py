"""Write what an ODX data set describes as a draft for a pack: units to edit, services to read."""

import json
import re
from pathlib import Path
from typing import Any

from donorfit.errors import InputError
from donorfit.simulator.described import DescribedService, DescribedUnit, DescribedUnits

UNITS_FILE = "units.toml"
SERVICES_FILE = "services.json"


def write_draft(described: DescribedUnits, folder: Path) -> tuple[Path, ...]:
    """Write the draft's files; give their paths.

    ``units.toml`` is a part as a pack wants it, with the network left to be filled in;
    ``services.json`` holds every service with request pattern, answer, and needed states.

    Raises:
        InputError: the folder cannot be written, or one of the files is there already.
    """
    texts = {
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


def _write_units(described: DescribedUnits) -> str:
    taken: set[str] = set()
    lines = [
        f"# Draft from the ODX data set {json.dumps(described.title)}.",
        "# Say for each unit on which network it sits, and describe its configuration records.",
    ]
    for unit in described.units:
        lines += [
            "",
            "[[unit]]",
            f"id = {json.dumps(_make_name(unit.id, taken))}",
            f"title = {json.dumps(unit.id)}",
            f"address = 0x{unit.address:04X}",
            'network = "to_be_named"',
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
