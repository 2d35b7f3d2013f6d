"""The files of a hand-over: page, PDF where it can be made, recipe."""

from pathlib import Path

from donorfit.edge.documents import write_html, write_pdf
from donorfit.errors import DonorfitError, InputError
from donorfit.records.encoding import encode
from donorfit.records.handover import Handover
from donorfit.records.plan import PlanPurpose


def write_record_files(
    handover: Handover, folder: Path, *, stem: str
) -> tuple[tuple[Path, ...], str]:
    """Write the files; return their paths and, where the PDF could not be made, why.

    The record of a way back has a name of its own, beside that of the work which it took back, and
    leaves no recipe.

    Raises:
        InputError: the folder cannot be written.
    """
    undone = handover.plan.purpose is PlanPurpose.UNDO
    name = f"{stem}-taken-back" if undone else f"{stem}-record"
    contents = {f"{name}.html": write_html(handover)}
    if not undone:
        contents[f"{stem}-recipe.json"] = encode(handover.recipe) + b"\n"
    missing = ""
    try:
        contents[f"{name}.pdf"] = write_pdf(handover)
    except DonorfitError as error:
        missing = error.what
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for file, data in contents.items():
            (folder / file).write_bytes(data)
    except OSError as error:
        raise InputError(
            what="The record cannot be written.",
            where=str(folder),
            why=error.strerror or str(error),
            next_step="Name a folder that can be written with --out DIR.",
        ) from error
    return tuple(folder / file for file in contents), missing
