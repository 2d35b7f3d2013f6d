"""Measuring and breaking the text in pictures, so that nothing is clipped and nothing overlaps.

Pictures are lettered in a monospaced face: DejaVu Sans Mono in documents (it comes with typst),
whatever monospaced face the reader has on a page. Widths are advance widths in em. DejaVu Sans
Mono: 1233 of 2048 units for every glyph (its ``hmtx`` table); the usual other faces lie at or
below it. Signs of other scripts come from other faces and get a whole em, ideographs a little
more.
"""

import unicodedata

LETTER_EM = 0.6021
_OTHER_EM = 1.0
_WIDE_EM = 1.2042
_LAST_KNOWN = 0x052F  # Latin, Greek and Cyrillic up to here
_SIGNS = range(0x2000, 0x2C00)
_FORBIDDEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
MORE = "\N{HORIZONTAL ELLIPSIS}"


def clean(text: str) -> str:
    """One line of signs that may stand in XML; control signs become a visible mark."""
    folded = " ".join(text.split())
    if folded.isascii() and folded.isprintable():
        return folded
    return "".join(
        "\N{REPLACEMENT CHARACTER}" if unicodedata.category(sign) in _FORBIDDEN else sign
        for sign in folded
    )


def measure(text: str, size: float) -> float:
    """Width of a text in the units of its size."""
    return sum(map(_measure_sign, text)) * size


def _measure_sign(sign: str) -> float:
    code = ord(sign)
    if code <= _LAST_KNOWN and not 0x0300 <= code < 0x0370:  # noqa: PLR2004 - combining marks
        return LETTER_EM
    if unicodedata.east_asian_width(sign) in {"W", "F"}:
        return _WIDE_EM
    if unicodedata.combining(sign):
        return 0.0
    return LETTER_EM if code in _SIGNS else _OTHER_EM


def wrap(text: str, size: float, width: float, *, most: int = 8) -> list[str]:
    """Break a text into lines of at most ``width``; no line is lost unseen.

    Words that are too long are broken. Beyond ``most`` lines the last one ends with an ellipsis;
    the table beside a picture holds the whole text.
    """
    lines: list[str] = []
    line = ""
    for word in clean(text).split(" "):
        for piece in _split_word(word, size, width, joined=bool(line)):
            candidate = f"{line} {piece}" if line else piece
            if line and measure(candidate, size) > width:
                lines.append(line)
                line = piece
            else:
                line = candidate
            if len(lines) > most:
                break
    lines.append(line)
    if len(lines) <= most:
        return lines
    kept = lines[:most]
    kept[-1] = cut(kept[-1] + " " + MORE, size, width)
    return kept


def _split_word(word: str, size: float, width: float, *, joined: bool) -> list[str]:
    """Pieces of a word that fit a line each; a word that fits stays whole."""
    del joined
    pieces, piece, used = [], "", 0.0
    for sign in word:
        step = _measure_sign(sign) * size
        if piece and used + step > width:
            pieces.append(piece)
            piece, used = "", 0.0
        piece += sign
        used += step
    pieces.append(piece)
    return pieces


def cut(text: str, size: float, width: float) -> str:
    """The text, or as much of it as fits with an ellipsis at its end."""
    whole = clean(text)
    if measure(whole, size) <= width:
        return whole
    kept = whole.removesuffix(MORE).rstrip()
    while kept and measure(kept + MORE, size) > width:
        kept = kept[:-1]
    return kept.rstrip() + MORE
