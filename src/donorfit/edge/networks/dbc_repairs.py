"""Repairs to DBC files that tools are known to write wrongly; every repair is stated.

Source: what real files hold, see the library's own test files: numbers of extended frames
without the bit that marks them (bit 31), and entries for signals or messages that the file does
not describe.
"""

import re

from donorfit.edge.networks.error_lines import get_line

EXTENDED_BIT = 0x80000000
_LARGEST_EXTENDED = 0x1FFFFFFF
_TOO_LONG = re.compile(
    r"Standard frame id 0x([0-9a-fA-F]+) is more than 11 bits in message (\S+)\."
)
_UNUSED = re.compile(r"unused (\w+) entries in DBC:\s*(.+)", re.DOTALL)


def repair_dbc(text: str, complaint: str) -> tuple[str, int, str] | None:
    """Mend what a complaint is about: new text, line and what was done; None where it cannot.

    The number of lines stays the same, so that later complaints name the right line.
    """
    if found := _TOO_LONG.search(complaint):
        return _mark_extended(text, int(found[1], 16), found[2])
    if found := _UNUSED.search(complaint):
        return _drop_entry(text, found[2].strip().splitlines()[0].strip())
    return None


def _mark_extended(text: str, number: int, message: str) -> tuple[str, int, str] | None:
    """Set the bit wherever the number is used as a message number."""
    if number > _LARGEST_EXTENDED:
        return None
    head = re.search(rf"^[ \t]*BO_[ \t]+{number}[ \t]+{re.escape(message)}", text, re.MULTILINE)
    if head is None:
        return None
    marked = str(number | EXTENDED_BIT)
    places = re.compile(
        rf"^([ \t]*(?:BO_|VAL_|SIG_VALTYPE_|SIG_GROUP_|SG_MUL_VAL_|BO_TX_BU_)[ \t]+"
        rf"|.*?[ \t](?:BO_|SG_)[ \t]+){number}(?=[ \t])",
        re.MULTILINE,
    )
    mended = places.sub(lambda found: found[1] + marked, text)
    what = (
        f"message {message} has number {number:#x}, too long for 11 bits; "
        f"read as an extended frame"
    )
    return mended, get_line(text, head.start()), what


def _drop_entry(text: str, entry: str) -> tuple[str, int, str] | None:
    pattern = r"[ \t]*" + r"\s+".join(re.escape(word) for word in entry.split()) + r"\b[^;]*;"
    found = re.search(r"^" + pattern, text, re.MULTILINE)
    if found is None:
        return None
    blank = "\n" * found[0].count("\n")
    mended = text[: found.start()] + blank + text[found.end() :]
    what = f"entry {entry!r} is about something the file does not describe; left out"
    return mended, get_line(text, found.start()), what
