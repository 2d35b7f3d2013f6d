"""The hand-over as one self-contained page: no script, nothing fetched, light and dark."""

from html import escape
from importlib.resources import files

from donorfit.edge.documents.compose import compose
from donorfit.edge.documents.content import (
    Block,
    Document,
    Entry,
    Listing,
    Notice,
    Paragraph,
    Picture,
    Section,
    Table,
)
from donorfit.figures.lettering import clean
from donorfit.figures.palette import DARK, LIGHT, Palette, write_style
from donorfit.records.handover import Handover

_NARROW_COLUMNS = 3
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def write_html(handover: Handover) -> bytes:
    """The document as UTF-8 HTML; equal records give equal bytes."""
    return render_html(compose(handover)).encode()


def render_html(document: Document) -> str:
    """The document as HTML text."""
    title = _text(document.title)
    contents = "".join(
        f'<li><a href="#{section.key}">{_text(section.title)}</a></li>'
        for section in document.sections
    )
    sections = "".join(map(_write_section, document.sections))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{title}</title>\n<style>\n{_write_styles()}</style>\n</head>\n<body>\n"
        '<a class="skip" href="#summary">Skip to the summary</a>\n'
        f"<header><h1>{title}</h1><p>{_text(document.subtitle)}</p></header>\n"
        f'<nav aria-label="Contents"><h2>Contents</h2><ol>{contents}</ol></nav>\n'
        f"<main>\n{sections}</main>\n"
        "<footer><p>Made by donorfit from the records of one job. Times as in the records."
        "</p></footer>\n</body>\n</html>\n"
    )


def _write_styles() -> str:
    sheet = (files("donorfit.edge.documents") / "record.css").read_text(encoding="utf-8")
    light, dark = _write_colours(LIGHT), _write_colours(DARK)
    return (
        f":root{{{light}}}\n@media screen and (prefers-color-scheme: dark){{:root{{{dark}}}"
        f"{write_style(DARK)}}}\n{sheet}"
    )


def _write_colours(palette: Palette) -> str:
    names = ("page", "panel", "ink", "soft", "line", "neutral", "blocked")
    return "".join(f"--{name}:{getattr(palette, name)};" for name in names)


def _text(text: str) -> str:
    return escape(clean(text))


def _write_section(section: Section) -> str:
    blocks = "\n".join(
        _write_block(block, f"{section.key}-{number}")
        for number, block in enumerate(section.blocks, start=1)
    )
    name = f"{section.key}-heading"
    return (
        f'<section id="{section.key}" aria-labelledby="{name}">'
        f'<h2 id="{name}">{_text(section.title)}</h2>\n{blocks}\n</section>\n'
    )


def _write_block(block: Block, name: str) -> str:
    match block:
        case Paragraph(text=text):
            return f"<p>{_text(text)}</p>"
        case Notice(label=label, text=text):
            return f'<p class="notice"><strong>{_text(label)}.</strong> {_text(text)}</p>'
        case Listing(items=items, numbered=numbered):
            tag = "ol" if numbered else "ul"
            return f"<{tag}>{''.join(f'<li>{_text(item)}</li>' for item in items)}</{tag}>"
        case Picture():
            return _write_picture(block)
        case Entry():
            return _write_entry(block)
        case Table():
            return _write_table(block, name)


def _write_picture(picture: Picture) -> str:
    label = _text(f"Picture: {picture.title}")
    return (
        f'<figure><div class="wide" tabindex="0" role="group" aria-label="{label}">'
        f"{''.join(picture.sheets)}</div><figcaption>{_text(picture.finding)}</figcaption></figure>"
    )


def _write_entry(entry: Entry) -> str:
    parts = "".join(f"<dt>{_text(name)}</dt><dd>{_text(text)}</dd>" for name, text in entry.parts)
    return (
        f'<div class="entry"><p><strong>{_text(entry.label)}:</strong> {_text(entry.title)}</p>'
        + (f"<dl>{parts}</dl>" if parts else "")
        + "</div>"
    )


def _write_table(table: Table, name: str) -> str:
    head = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in table.head)
    rows = "".join(f"<tr>{_write_row(row, table)}</tr>" for row in table.rows)
    if not table.rows:
        rows = f'<tr><td colspan="{len(table.head)}">none</td></tr>'
    broad = ' class="broad"' if len(table.head) > _NARROW_COLUMNS else ""
    return (
        f'<div class="wide" tabindex="0" role="group" aria-labelledby="{name}">'
        f'<table{broad}><caption id="{name}">{_text(table.caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _write_row(row: tuple[str, ...], table: Table) -> str:
    cells = []
    for column, cell in enumerate(row):
        style = ' class="code"' if column in table.code else ""
        cells.append(
            f'<th scope="row"{style}>{_text(cell)}</th>'
            if column == 0
            else f"<td{style}>{_text(cell)}</td>"
        )
    return "".join(cells)
