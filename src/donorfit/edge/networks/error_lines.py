"""Find the line that a library's complaint is about."""

import re

from donorfit.edge.networks.message_count import blank_strings

_LINE = re.compile(r"\bline (\d+)")
_MESSAGE = re.compile(r"in message ([^\s.]+)\.?")
_SIGNAL = re.compile(r"[Tt]he signals? (\S+)")
_QUOTED = re.compile(r"'([^'\n]+)'|\"([^\"\n]+)\"")
_PATH = re.compile(r"(/[\w/]+)")
_PLACES = re.compile(r"Expected (\d) (numerator|denominator) values?")
_RATIO = re.compile(
    r"<COMPU-(NUMERATOR|DENOMINATOR)\s*>(.*?)</COMPU-(?:NUMERATOR|DENOMINATOR)>"
    r"|<COMPU-(NUMERATOR|DENOMINATOR)\s*/>",
    re.DOTALL,
)


def find_line(text: str, complaint: str, *, file_format: str) -> int:
    """Line that a complaint is about, counted from 1; 0 where the complaint names nothing."""
    if named := _LINE.search(complaint):
        return int(named[1])
    if "SYM version" in complaint:
        return _find_text(text, "FormatVersion") or 1
    if places := _PLACES.search(complaint):
        return _find_ratio(text, int(places[1]), places[2].upper())
    if message := _MESSAGE.search(complaint):
        return _find_message(text, message[1], complaint, file_format)
    return _find_named(text, complaint)


def _find_named(text: str, complaint: str) -> int:
    """First thing that the complaint quotes and the text holds."""
    for line in (line.strip() for line in complaint.splitlines()[1:]):
        if line and (place := _find_text(text, line)):
            return place
    for pattern in (_QUOTED, _PATH):
        for found in pattern.finditer(complaint):
            wanted = next(group for group in found.groups() if group)
            if place := _find_text(text, wanted) or _find_last_part(text, wanted):
                return place
    return 0


def get_line(text: str, position: int) -> int:
    """Line of a position in a text, counted from 1."""
    return text.count("\n", 0, position) + 1


def _find_text(text: str, wanted: str) -> int:
    position = text.find(wanted)
    return get_line(text, position) if position >= 0 else 0


def _find_last_part(text: str, wanted: str) -> int:
    """Find the last step of a path, or the name or namespace of a tag in braces.

    Of a name that stands twice the second place counts, because that is the one too many.
    """
    if tag := re.search(r"\{(.*)\}(.*)", wanted):
        return _find_text(text, f"<{tag[2]}") or _find_text(text, tag[1])
    last = f"<SHORT-NAME>{wanted.rpartition('/')[2]}</SHORT-NAME>"
    first = text.find(last)
    second = text.find(last, first + 1) if first >= 0 else -1
    position = second if second >= 0 else first
    return get_line(text, position) if position >= 0 else 0


def _find_message(text: str, message: str, complaint: str, file_format: str) -> int:
    """The signal's own line inside the message where it can be told, else the message's."""
    name = re.escape(message)
    head = {
        "dbc": rf"^[ \t]*BO_[ \t]+\d+[ \t]+{name}[ \t]*:",
        "sym": rf"^\s*\[{name}\]",
        "kcd": rf"<Message\b[^>]*\bname=\"{name}\"",
    }.get(file_format, rf"<SHORT-NAME>{name}</SHORT-NAME>")
    plain = blank_strings(text) if file_format == "dbc" else text
    start = re.search(head, plain, re.MULTILINE)
    if start is None:
        return 0
    line = get_line(plain, start.start() + len(start[0]) - len(start[0].lstrip()))
    signal = _SIGNAL.search(complaint)
    if file_format not in {"dbc", "kcd"} or signal is None:
        return line
    own = re.escape(signal[1])
    pattern = rf"SG_[ \t]+{own}\b" if file_format == "dbc" else rf"<Signal\b[^>]*name=\"{own}\""
    place = re.search(pattern, plain[start.end() :])
    return get_line(plain, start.end() + place.start()) if place else line


def _find_ratio(text: str, expected: int, kind: str) -> int:
    for found in _RATIO.finditer(text):
        if kind in (found[1], found[3]) and (found[2] or "").count("<V>") != expected:
            return get_line(text, found.start())
    return 0
