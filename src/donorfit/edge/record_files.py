"""The files of a hand-over: page, PDF where it can be made, recipe."""

from pathlib import Path

from donorfit.edge.documents import write_html, write_pdf
from donorfit.errors import DonorfitError, InputError
from donorfit.records.encoding import encode
from donorfit.records.handover import Handover


def write_record_files(
    handover: Handover, folder: Path, *, stem: str
) -> tuple[tuple[Path, ...], str]:
    """Write the files; return their paths and, where the PDF could not be made, why.

    Raises:
        InputError: the folder cannot be written.
    """
    contents = {
        f"{stem}-record.html": write_html(handover),
        f"{stem}-recipe.json": encode(handover.recipe) + b"\n",
    }
    missing = ""
    try:
        contents[f"{stem}-record.pdf"] = write_pdf(handover)
    except DonorfitError as error:
        missing = error.what
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in contents.items():
            (folder / name).write_bytes(data)
    except OSError as error:
        raise InputError(
            what="The record cannot be written.",
            where=str(folder),
            why=error.strerror or str(error),
            next_step="Name a folder that can be written with --out DIR.",
        ) from error
    return tuple(folder / name for name in contents), missing
