"""TOML files with line numbers: where in the text each key and array element stands.

:mod:`tomllib` gives values without places. The scanner here walks the same text a second time,
after :mod:`tomllib` accepted it, and notes the line of every path, so that a mistake found later
in the values can be told with its line.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from donorfit.errors import InputError, Mistake

MAX_TOML_BYTES = 8_000_000
MAX_NESTING = 40
_SHOWN_CHARACTERS = 48
_QUOTES = "'"

Path = tuple[str | int, ...]

_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRINGS = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL
)
_LONG_KEY = re.compile(
    r"(?<![\w-])(?:(?:[\w-]+|\"[^\"\n]*\"|'[^'\n]*')[ \t]*\.[ \t]*)"
    f"{{{MAX_NESTING + 1}}}"
)
"""Searched before :mod:`tomllib` reads, which needs quadratic time for such a key."""
_SCALAR = re.compile(r"[^,\]}#\n]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlText:
    """A TOML file: its values and the line of each.

    Attributes:
        file: name as the user gave it.
        values: what :mod:`tomllib` read.
        lines: line, counted from 1, of each path of keys and array places.
    """

    file: str
    values: dict[str, Any]
    lines: Mapping[Path, int]

    def find_line(self, path: Sequence[str | int]) -> int:
        """Line of a path, or of the nearest thing around it that is written; 0 for none."""
        known: Path = ()
        for key in path:
            # a reader's own names inside the path, such as the kind of a choice, are stepped over
            if (*known, key) in self.lines:
                known = (*known, key)
        return self.lines.get(known, 0)

    def mistake(self, path: Sequence[str | int], what: str, next_step: str) -> Mistake:
        """A mistake at a path of this file."""
        return Mistake(file=self.file, line=self.find_line(path), what=what, next_step=next_step)


def read_toml(raw: bytes, *, file: str) -> TomlText:
    """Read the bytes of one TOML file.

    Raises:
        InputError: too large, no UTF-8, no TOML, or nested too deep; with file and line.
    """
    text = _decode(raw, file)
    deep = _LONG_KEY.search(text)
    if deep is not None:
        line = text.count("\n", 0, deep.start()) + 1
        what = f"this key has more than {MAX_NESTING} parts"
        raise _unusable(file, line, what, "flatten the key")
    try:
        values = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        place = _PLACE.search(str(error))
        line = int(place[1]) if place and place[1] else text.count("\n") + 1
        reason = _PLACE.sub("", str(error))
        raise _unusable(file, line, f"this is no TOML: {reason}", "mend this line") from error
    except RecursionError as error:
        raise _unusable(file, 0, "values are nested too deep", "flatten the file") from error
    return TomlText(file=file, values=values, lines=_Scanner(text, file).scan())


def _decode(raw: bytes, file: str) -> str:
    if len(raw) > MAX_TOML_BYTES:
        what = f"the file has {len(raw)} bytes, more than {MAX_TOML_BYTES}"
        raise _unusable(file, 0, what, "split it into several files")
    try:
        # TOML counts CR LF as one line end; tomllib does the same replacement
        return raw.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        what = f"byte 0x{raw[error.start]:02X} is no UTF-8 text"
        raise _unusable(file, line, what, "save the file as UTF-8 text") from error


def _unusable(file: str, line: int, what: str, next_step: str) -> InputError:
    mistake = Mistake(file=file, line=line, what=what, next_step=next_step)
    return InputError(what=f"{file} cannot be read", mistakes=(mistake,))


class _Scanner:
    """One walk over a text that :mod:`tomllib` has accepted."""

    def __init__(self, text: str, file: str) -> None:
        self._text = text
        self._file = file
        self._at = 0
        self._line = 1
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}

    def scan(self) -> dict[Path, int]:
        base: Path = ()
        self._skip(_SPACE)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                base = self._read_header()
            else:
                self._read_pair(base, 0)
            self._skip(_SPACE)
        return self._lines

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        found = match[0] if match else ""
        self._at += len(found)
        self._line += found.count("\n")
        return found

    def _note(self, path: Path) -> None:
        self._lines.setdefault(path, self._line)

    def _read_header(self) -> Path:
        array = self._text.startswith("[[", self._at)
        self._at += 2 if array else 1
        keys = self._read_keys()
        self._at += 2 if array else 1
        path: Path = ()
        for place, key in enumerate(keys):
            path += (key,)
            self._note(path)
            if array and place == len(keys) - 1:
                self._counts[path] = self._counts.get(path, -1) + 1
            if path in self._counts:
                path += (self._counts[path],)
                self._note(path)
        return path

    def _read_keys(self) -> tuple[str, ...]:
        keys = [self._read_key()]
        self._skip(_BLANK)
        while self._text.startswith(".", self._at):
            self._at += 1
            keys.append(self._read_key())
            self._skip(_BLANK)
        return tuple(keys)

    def _read_key(self) -> str:
        self._skip(_BLANK)
        if self._text[self._at] in "\"'":
            quoted = self._skip(_STRINGS)
            return str(tomllib.loads(f"key = {quoted}")["key"])
        return self._skip(_BARE_KEY)

    def _read_pair(self, base: Path, depth: int) -> None:
        path = base
        for key in self._read_keys():
            path += (key,)
            self._note(path)
        self._at += 1  # the equals sign
        self._skip(_BLANK)
        self._read_value(path, depth)

    def _read_value(self, path: Path, depth: int) -> None:
        if depth > MAX_NESTING:
            what = f"values are nested more than {MAX_NESTING} deep"
            raise _unusable(self._file, self._line, what, "flatten this value")
        start = self._text[self._at : self._at + 1]
        if start == "[":
            self._read_array(path, depth)
        elif start == "{":
            self._read_inline_table(path, depth)
        elif not self._skip(_STRINGS):
            self._skip(_SCALAR)

    def _read_array(self, path: Path, depth: int) -> None:
        self._at += 1
        place = 0
        self._skip(_SPACE)
        while self._text[self._at] != "]":
            self._note((*path, place))
            self._read_value((*path, place), depth + 1)
            place += 1
            self._skip_to_next()
        self._at += 1

    def _read_inline_table(self, path: Path, depth: int) -> None:
        self._at += 1
        self._skip(_SPACE)
        while self._text[self._at] != "}":
            self._read_pair(path, depth + 1)
            self._skip_to_next()
        self._at += 1

    def _skip_to_next(self) -> None:
        self._skip(_SPACE)
        if self._text[self._at] == ",":
            self._at += 1
            self._skip(_SPACE)


def write_mistakes(text: TomlText, errors: Iterable[Mapping[str, Any]]) -> tuple[Mistake, ...]:
    """Turn the entries of a pydantic ``ValidationError.errors()`` into mistakes with lines."""
    found: dict[Mistake, None] = {}
    for error in errors:
        if _is_echo(error):
            continue
        path = tuple(error["loc"])
        if error["type"] == "union_tag_invalid":
            path = (*path, str(error["ctx"]["discriminator"]).strip(_QUOTES))
        what, next_step = _say(error, path)
        found[text.mistake(path, what, next_step)] = None
    return tuple(found)


def _is_echo(error: Mapping[str, Any]) -> bool:
    """An array called too short only since its elements, reported by themselves, do not count."""
    least = (error.get("ctx") or {}).get("min_length", 0)
    return bool(error["type"] == "too_short" and len(error["input"]) >= least)


def _say(error: Mapping[str, Any], path: Path) -> tuple[str, str]:  # noqa: PLR0911 - one a kind
    name = ".".join(map(str, path)) or "the file"
    context = error.get("ctx") or {}
    match error["type"]:
        case "missing":
            return f"{name} is missing", f"add {path[-1]}"
        case "extra_forbidden":
            return f"{name} is not known here", "remove it, or correct its spelling"
        case "value_error" | "assertion_error":
            reason = str(context.get("error", error["msg"]))
            return f"{name}: {reason}", "correct the value"
        case "union_tag_invalid":
            return f"{name} is {context['tag']!r}", f"use one of {context['expected_tags']}"
        case "union_tag_not_found":
            return f"{name}: {context['discriminator']} is missing", "add it"
        case "literal_error" | "enum":
            return f"{name} is {_show(error['input'])}", f"use one of {context.get('expected')}"
        case _:
            return f"{name} is {_show(error['input'])}", _lower_first(str(error["msg"]))


def _show(value: object) -> str:
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "an array"
    shown = repr(value)
    return shown if len(shown) <= _SHOWN_CHARACTERS else shown[:_SHOWN_CHARACTERS] + "..."


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
