"""Count the messages of a network description without reading it.

The count knows nothing of the library that loads the file, so a message that the library drops
shows as a difference.
"""

import re
from xml.parsers import expat

from donorfit.errors import InputError, Mistake

_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_DBC_MESSAGE = re.compile(r"^[ \t]*BO_[ \t]+(\d+)[ \t]", re.MULTILINE)
DBC_SIGNALS_WITHOUT_MESSAGE = 0xC0000000
"""Message number under which a DBC keeps signals that belong to no message."""
_SYM_BLOCK = re.compile(r"^\s*\{(\w+)\}")
_SYM_NAME = re.compile(r"^\s*\[(.+)\]")
_SYM_RANGE = re.compile(r"^\s*ID\s*=\s*([0-9A-Fa-f]+)h?\s*-\s*([0-9A-Fa-f]+)h?")
_SYM_SENDING = frozenset(("SEND", "RECEIVE", "SENDRECEIVE"))
_LDF_COMMENT = re.compile(r"/\*.*?\*/|//[^\n]*", re.DOTALL)
_LDF_FRAMES = re.compile(r"^\s*Frames\s*\{", re.MULTILINE)
_LDF_FRAME = re.compile(r"\w+\s*:\s*\w+\s*,\s*\w+\s*(?:,\s*\w+\s*)?\{")


def count_messages(text: str, *, file_format: str, file: str) -> int:
    """Count the messages that a text describes.

    Raises:
        InputError: an XML file is not well-formed, or declares entities.
    """
    match file_format:
        case "dbc":
            return _count_dbc(text)
        case "sym":
            return _count_sym(text)
        case "ldf":
            return _count_ldf(text)
        case _:
            return _count_xml(text, file)


def blank_strings(text: str) -> str:
    """Empty every quoted string, keeping the line breaks in it."""
    return _QUOTED.sub(lambda found: '"' + "\n" * found[0].count("\n") + '"', text)


def _count_dbc(text: str) -> int:
    numbers = _DBC_MESSAGE.findall(blank_strings(text))
    return sum(int(number) != DBC_SIGNALS_WITHOUT_MESSAGE for number in numbers)


def _count_sym(text: str) -> int:
    """Names may repeat (one block a multiplexer value); a range of identifiers is many."""
    block, name = "", ""
    sizes: dict[str, int] = {}
    for line in text.splitlines():
        if found := _SYM_BLOCK.match(line):
            block, name = found[1].upper(), ""
        elif (found := _SYM_NAME.match(line)) and block in _SYM_SENDING:
            name = found[1]
            sizes.setdefault(name, 1)
        elif name and (found := _SYM_RANGE.match(line)):
            sizes[name] = int(found[2], 16) - int(found[1], 16) + 1
    return sum(sizes.values())


def _count_ldf(text: str) -> int:
    plain = blank_strings(_LDF_COMMENT.sub(" ", text))
    start = _LDF_FRAMES.search(plain)
    if start is None:
        return 0
    depth, end = 1, start.end()
    while depth and end < len(plain):
        depth += {"{": 1, "}": -1}.get(plain[end], 0)
        end += 1
    return len(_LDF_FRAME.findall(plain, start.end(), end))


def _count_xml(text: str, file: str) -> int:
    """KCD: elements ``Message``. ARXML: ``CAN-FRAME-TRIGGERING``, or ``ComIPdu`` of an extract."""
    found = {"Message": 0, "CAN-FRAME-TRIGGERING": 0, "ComIPdu": 0}
    reference: list[str] = []
    parser = expat.ParserCreate()

    def start(name: str, _attributes: dict[str, str]) -> None:
        local = name.rpartition(":")[2]
        if local in found:
            found[local] += 1
        reference[:] = [""] if local == "DEFINITION-REF" else []

    def characters(data: str) -> None:
        if reference:
            reference[0] += data

    def end(_name: str) -> None:
        if reference and reference[0].strip().endswith("/ComIPdu"):
            found["ComIPdu"] += 1
        reference.clear()

    def refuse_entity(*_facts: object) -> None:
        raise _refuse_xml(file, parser.CurrentLineNumber, "it declares entities")

    parser.StartElementHandler = start
    parser.CharacterDataHandler = characters
    parser.EndElementHandler = end
    parser.EntityDeclHandler = refuse_entity
    try:
        parser.Parse(text.encode(), True)  # noqa: FBT003 - expat's own signature
    except expat.ExpatError as error:
        raise _refuse_xml(file, error.lineno, expat.ErrorString(error.code)) from None
    return found["CAN-FRAME-TRIGGERING"] or found["Message"] or found["ComIPdu"]


def _refuse_xml(file: str, line: int, why: str) -> InputError:
    return InputError(
        what=f"{file} is not a network description in XML that can be read",
        mistakes=(Mistake(file=file, line=line, what=why, next_step="mend the XML"),),
    )
