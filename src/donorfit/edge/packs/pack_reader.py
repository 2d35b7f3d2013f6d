"""Read a pack from a folder or a zip file, check it as a whole, and give it as one value."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from donorfit.edge.packs.build_pack import build_pack
from donorfit.edge.packs.check_conditions import check_conditions
from donorfit.edge.packs.check_faults import check_faults, check_session
from donorfit.edge.packs.check_layouts import check_layouts
from donorfit.edge.packs.check_modules import check_modules
from donorfit.edge.packs.check_networks import check_networks
from donorfit.edge.packs.check_options import check_options, check_products
from donorfit.edge.packs.check_software import check_software_files, place_image
from donorfit.edge.packs.check_units import check_units
from donorfit.edge.packs.names import collect_names
from donorfit.edge.packs.pack_notes import PackNotes
from donorfit.edge.packs.pack_parts import SOFTWARE_FOLDER, read_parts
from donorfit.edge.packs.pack_source import PackSource, open_source
from donorfit.edge.software.read_software import read_software_bytes
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.control_unit import SoftwareBlock
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.software import SoftwareImage


@dataclass(frozen=True, slots=True, kw_only=True)
class PackReading:
    """A pack without mistakes.

    Attributes:
        pack: its content.
        warnings: what does not stop it from being used, with file and line.
    """

    pack: Pack
    warnings: tuple[Mistake, ...] = ()


def load_pack(path: Path, *, thorough: bool = False) -> PackReading:
    """Read and check a pack.

    Args:
        path: a folder with ``pack.toml``, or a zip file of such a folder.
        thorough: open every software file too, and ask the solver whether any car and every
            option is possible.

    Raises:
        InputError: with every mistake of the whole pack, each with file, line and what to do.
    """
    return load_source(open_source(path), thorough=thorough)


def load_source(source: PackSource, *, thorough: bool = False) -> PackReading:
    """Read and check a pack whose files are at hand; otherwise as :func:`load_pack`."""
    notes = PackNotes()
    parts = read_parts(source, notes)
    names = collect_names(parts)
    check_options(parts, notes)
    check_units(parts, names, notes)
    check_layouts(parts, notes)
    check_conditions(parts, notes)
    check_networks(parts, names, notes)
    check_modules(parts, names, notes)
    check_faults(parts, names, notes)
    check_session(parts, names, notes)
    if thorough:
        check_software_files(parts, notes)
        check_products(parts, notes)
    notes.raise_if_any(source.name)
    if parts.rules is None:
        raise AssertionError
    return PackReading(pack=build_pack(parts, parts.rules), warnings=tuple(notes.warnings))


def read_pack(path: Path) -> Pack:
    """Read a pack; as :func:`load_pack`, without the warnings."""
    return load_pack(path).pack


def read_software_image(path: Path, block: SoftwareBlock) -> SoftwareImage:
    """The pieces of one software file of a pack, compared with what the pack says of it.

    Raises:
        InputError: the pack cannot be opened, has no such file, the file is another one, or its
            pieces are not those that the pack names.
    """
    source = open_source(path)
    name = f"{SOFTWARE_FOLDER}/{block.file}"
    data = source.files.get(name)
    if data is None:
        raise InputError(
            what=f"The software file {block.file} is missing.",
            where=source.show(name),
            next_step="Use the pack that the plan was made with.",
        )
    digest = sha256(data).hexdigest()
    if digest != block.sha256:
        raise InputError(
            what=f"The software file {block.file} is not the one that the pack describes.",
            where=source.show(name),
            why=f"Its SHA-256 is {digest}, the pack says {block.sha256}.",
            next_step="Get the pack again from where it came.",
        )
    reading = read_software_bytes(
        data,
        file=source.show(name),
        format=block.format,
        address=block.memory_address,
        session=block.odx_session,
    )
    image = place_image(reading.image, block)
    if image is None:
        raise InputError(
            what=f"The software file {block.file} has other pieces than the pack says.",
            where=source.show(name),
            next_step="Check the pack: donorfit pack check",
        )
    return image
