"""What a hand-over document consists of, before it becomes a page or a PDF."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text; plain, never markup."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Text that has to stand out, with a word that says what it is."""

    label: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Short texts, one below the other; numbered where the order matters."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a head.

    Attributes:
        caption: what the table holds.
        head: names of the columns.
        rows: as many cells as the head has.
        code: places of columns set in a monospaced face (digests, bytes).
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    code: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture on one or more sheets: SVG texts, and title and finding as they stand in it."""

    sheets: tuple[str, ...]
    title: str
    finding: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing said at length: a label, a title, and named parts below."""

    label: str
    title: str
    parts: tuple[tuple[str, str], ...]


Block = Paragraph | Notice | Listing | Table | Picture | Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part under a heading; ``key`` is its address within the page."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """The whole document.

    Attributes:
        title: what was done, in one line.
        subtitle: to which car, when.
        made_at: latest time in the records, ISO 8601; empty where they hold none.
        sections: parts in reading order.
    """

    title: str
    subtitle: str
    made_at: str
    sections: tuple[Section, ...]
