"""The hand-over as an A4 PDF, set by typst from data that it never reads as markup."""

import json
import re
import tempfile
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from types import ModuleType

from donorfit.edge.documents.compose import compose
from donorfit.edge.documents.content import (
    Block,
    Document,
    Entry,
    Listing,
    Notice,
    Paragraph,
    Picture,
    Table,
)
from donorfit.edge.documents.glyphs import put_boxes, spell_out
from donorfit.errors import InputError, MisuseError
from donorfit.figures.lettering import clean
from donorfit.records.handover import Handover

_STANDARD = "ua-1"
_SIZE = re.compile(r'width="([\d.]+)" height="([\d.]+)" aria')
_PAGE_RATIO = 1.3  # height of a page's room to its width, less a caption
_SIGNS_A_LINE = 112  # signs of the small serif face across the page
_WIDEST = 70
_LONGEST_WORD = 22
_CODE_SCALE = 1.1
_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)


def write_pdf(handover: Handover) -> bytes:
    """The document as a tagged PDF/UA-1 file; equal records give equal bytes.

    Raises:
        InputError: typst is not installed here; the page by :func:`write_html` needs nothing.
        MisuseError: typst could not set the document: a bug of ours.
    """
    return render_pdf(compose(handover))


def render_pdf(document: Document) -> bytes:
    """The document as PDF bytes; errors as in :func:`write_pdf`."""
    typst = _import_typst()
    with tempfile.TemporaryDirectory(prefix="donorfit-record-") as name:
        folder = Path(name)
        _write_sources(document, folder)
        try:
            pdf = typst.compile(
                str(folder / "record.typ"),
                root=str(folder),
                format="pdf",
                ignore_system_fonts=True,
                pdf_standards=_STANDARD,
                timestamp=_read_time(document.made_at),
            )
        except typst.TypstError as error:
            raise MisuseError(
                what="typst could not set the hand-over record",
                where="record.typ",
                why=str(error),
                next_step="use the HTML record and report this with the message above",
            ) from error
    if not isinstance(pdf, bytes):
        raise MisuseError(what="typst gave no PDF", where="record.typ")
    return pdf


def _import_typst() -> ModuleType:
    try:
        import typst  # noqa: PLC0415 - 80 MB that only this document needs
    except ImportError as error:
        raise InputError(
            what="no PDF can be made here: the package typst is not installed",
            where="hand-over record",
            why="there is no typst for every kind of machine, so the PDF is optional",
            next_step="use the HTML record, which holds the same, and print it where paper is "
            "needed; or install typst",
        ) from error
    module: ModuleType = typst
    return module


def _read_time(text: str) -> datetime:
    """The document's own time; a fixed day where the records hold none that can be read."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return _EPOCH
    return time if time.tzinfo is not None else time.replace(tzinfo=UTC)


def _write_sources(document: Document, folder: Path) -> None:
    sheet = (files("donorfit.edge.documents") / "record.typ").read_text(encoding="utf-8")
    (folder / "record.typ").write_text(sheet, encoding="utf-8")
    pictures: list[str] = []
    data = {
        "title": _text(document.title),
        "subtitle": _text(document.subtitle),
        "sections": [
            {
                "title": _text(section.title),
                "blocks": [_describe(block, pictures) for block in section.blocks],
            }
            for section in document.sections
        ],
    }
    for number, svg in enumerate(pictures):
        (folder / _name_picture(number)).write_text(put_boxes(svg), encoding="utf-8")
    (folder / "record.json").write_text(json.dumps(data, ensure_ascii=True), encoding="utf-8")


def _name_picture(number: int) -> str:
    return f"picture-{number}.svg"


def _text(text: str) -> str:
    return spell_out(clean(text))


def _describe(block: Block, pictures: list[str]) -> dict[str, object]:
    match block:
        case Paragraph(text=text):
            return {"kind": "paragraph", "text": _text(text)}
        case Notice(label=label, text=text):
            return {"kind": "notice", "label": _text(label), "text": _text(text)}
        case Listing(items=items, numbered=numbered):
            return {"kind": "listing", "items": [_text(i) for i in items], "numbered": numbered}
        case Picture():
            return _describe_picture(block, pictures)
        case Entry(label=label, title=title, parts=parts):
            return {
                "kind": "entry",
                "label": _text(label),
                "title": _text(title),
                "parts": [[_text(name), _text(text)] for name, text in parts],
            }
        case Table():
            return _describe_table(block)


def _describe_picture(picture: Picture, pictures: list[str]) -> dict[str, object]:
    """Files and widths of the sheets: narrower than the page only where one is taller than it."""
    sheets = []
    for svg in picture.sheets:
        pictures.append(svg)
        width, height = (float(each) for each in _SIZE.findall(svg)[0])
        share = min(1.0, _PAGE_RATIO * width / max(height, 1.0))
        sheets.append({"file": _name_picture(len(pictures) - 1), "percent": round(share * 100, 2)})
    return {"kind": "picture", "sheets": sheets, "finding": _text(picture.finding)}


def _describe_table(table: Table) -> dict[str, object]:
    empty = ("none", *("" for _ in table.head[1:]))
    return {
        "kind": "table",
        "caption": _text(table.caption),
        "head": [_text(cell) for cell in table.head],
        "rows": [[_text(cell) for cell in row] for row in table.rows or (empty,)],
        "code": list(table.code),
        "widths": weigh_columns(table),
    }


def weigh_columns(table: Table) -> list[int]:
    """Weights of the columns' widths: room for the longest word first, the rest by usual need."""
    floors, wishes = [], []
    for column, name in enumerate(table.head):
        texts = [name, *(row[column] for row in table.rows)]
        word = max(len(word) for text in texts for word in text.split() or [""])
        scale = _CODE_SCALE if column in table.code else 1.0
        floors.append((min(word, _LONGEST_WORD) + 2) * scale)
        usual = sum(map(len, texts)) / len(texts)
        wish = min(max(map(len, texts)), usual * 1.5, _WIDEST) * scale
        wishes.append(max(0.0, wish - floors[-1]))
    spare = max(0.0, _SIGNS_A_LINE - sum(floors))
    wished = sum(wishes) or 1.0
    weights = (floor + spare * wish / wished for floor, wish in zip(floors, wishes, strict=True))
    return [max(1, round(10 * weight)) for weight in weights]
