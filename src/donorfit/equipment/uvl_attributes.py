"""Read the attributes of one option: ``{title 'Trailer module', bit 3, valid_from '2021-07'}``."""

import re
from dataclasses import dataclass, field

from donorfit.equipment.mistakes import Notes
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import ALWAYS, Attributes, AttributeValue, Window

DEEPEST_NESTING = 50
_TOKEN = re.compile(
    r"""\s*(?:
    (?P<text>'[^']*'|"[^"]*")
  | (?P<number>-?(?:\d*\.\d+|\d+)(?![\w.]))
  | (?P<word>[A-Za-z_][\w\#§%?\\'äüöß;-]*)
  | (?P<mark>[{}\[\],])
  | (?P<other>.)
)""",
    re.VERBOSE,
)
_SIMPLE = re.compile(r"""\{\s*([A-Za-z_]\w*)(?:\s+(?:(true|false)|"([^"]*)"|'([^']*)'))?\s*\}""")
_WINDOW_KEYS = ("valid_from", "valid_before")


@dataclass(slots=True)
class OptionNotes:
    """What the attributes of one option say.

    Attributes:
        attributes: pairs of name and value; nested names are joined with a dot.
        constraints: constraint attributes as text, with the column they begin in.
        window: build months for which the option may be on.
    """

    attributes: Attributes = ()
    constraints: list[tuple[int, str]] = field(default_factory=list)
    window: Window = ALWAYS


def read_attributes(text: str, line: int, column: int, notes: Notes) -> OptionNotes:
    """Read ``{...}``; mistakes go to ``notes`` with their column."""
    simple = _SIMPLE.fullmatch(text)
    if simple is not None and simple[1] not in {"constraint", "constraints", *_WINDOW_KEYS}:
        flag, double, single = simple[2], simple[3], simple[4]
        value: AttributeValue = flag != "false"
        if double is not None or single is not None:
            value = double if double is not None else single
        return OptionNotes(attributes=((simple[1], value),))
    reader = _AttributeReader(text, line, column, notes)
    reader.read()
    found = OptionNotes(attributes=tuple(reader.pairs), constraints=reader.constraints)
    found.window = _read_window(found.attributes, line, notes)
    return found


def _read_window(attributes: Attributes, line: int, notes: Notes) -> Window:
    limits: dict[str, BuildMonth] = {}
    for key, value in attributes:
        if key in _WINDOW_KEYS:
            try:
                limits[key] = read_month(value)
            except ValueError as error:
                notes.add(line, 0, f"{key}: {error}", "write a month such as '2021-07'")
    window = Window(valid_from=limits.get("valid_from"), valid_before=limits.get("valid_before"))
    if (
        window.valid_from is not None
        and window.valid_before is not None
        and window.valid_from >= window.valid_before
    ):
        notes.add(
            line,
            0,
            f"the option is valid from {window.valid_from} but before {window.valid_before}",
            "correct the months; the second one is the first month that is outside",
        )
    return window


def read_month(value: AttributeValue) -> BuildMonth:
    """Read ``'2021-07'`` or ``202107``; raise ValueError on anything else."""
    text = str(value)
    if isinstance(value, int) and not isinstance(value, bool):
        text = f"{text[:-2]}-{text[-2:]}"
    try:
        return BuildMonth.parse(text)
    except ValueError:
        message = f"{value!r} is not a month"
        raise ValueError(message) from None


class _AttributeReader:
    """Walks over the tokens once, with a stack of open braces instead of recursion."""

    def __init__(self, text: str, line: int, column: int, notes: Notes) -> None:
        self._text = text
        self._line = line
        self._column = column
        self._notes = notes
        self._at = 0
        self.pairs: list[tuple[str, AttributeValue]] = []
        self.constraints: list[tuple[int, str]] = []
        self._seen: set[str] = set()

    def read(self) -> None:
        prefixes = [""]
        self._at = 1
        while prefixes:
            kind, token, start = self._next()
            if not kind:
                return
            if token == "}":  # noqa: S105 - a bracket, no secret
                prefixes.pop()
            elif token == ",":  # noqa: S105
                continue
            elif kind in {"word", "text"}:
                nested = self._read_entry(prefixes[-1] + token.strip("\"'"), kind, start)
                if nested is not None:
                    prefixes.append(nested)
                    if len(prefixes) > DEEPEST_NESTING:
                        self._wrong(start, f"attributes nested deeper than {DEEPEST_NESTING}")
                        return
            else:
                self._wrong(start, f"did not expect {token!r} among the attributes")
                return
        rest = self._text[self._at :].strip()
        if rest:
            self._wrong(self._at, f"did not expect {rest[:20]!r} after the attributes")

    def _next(self) -> tuple[str, str, int]:
        match = _TOKEN.match(self._text, self._at)
        if match is None or match.lastgroup is None:
            return "", "", self._at
        self._at = match.end()
        return match.lastgroup, match[match.lastgroup], match.start(match.lastgroup)

    def _wrong(self, start: int, what: str) -> None:
        self._notes.add(
            self._line,
            self._column + start,
            what,
            "write attributes as {name value, name value}; quote texts with ' '",
        )

    def _read_entry(self, key: str, kind: str, start: int) -> str | None:
        """Read what follows a name; give the new prefix where braces open below it."""
        if kind == "word" and key in {"constraint", "constraints"}:
            self._read_constraints(listed=key == "constraints")
            return None
        before = self._at
        kind, token, value_start = self._next()
        if token == "{":  # noqa: S105
            return key + "."
        if token in {",", "}"} or not kind:
            self._at = before
            self._store(key, True, start)  # noqa: FBT003 - a flag without a value is true
        elif token == "[":  # noqa: S105
            self._store(key, self._read_vector(), start)
        else:
            self._store(key, self._read_value(kind, token, value_start), start)
        return None

    def _store(self, key: str, value: AttributeValue, start: int) -> None:
        if key in self._seen:
            self._wrong(start, f"the attribute {key!r} stands twice")
            return
        self._seen.add(key)
        self.pairs.append((key, value))

    def _read_value(self, kind: str, token: str, start: int) -> AttributeValue:
        if kind == "text":
            return token[1:-1]
        if kind == "number":
            return float(token) if "." in token else int(token)
        if token in {"true", "false"}:
            return token == "true"  # noqa: S105
        self._wrong(start, f"{token!r} is no value")
        return False

    def _read_vector(self) -> tuple[AttributeValue, ...]:
        values: list[AttributeValue] = []
        while True:
            kind, token, start = self._next()
            if token == "]" or not kind:  # noqa: S105
                return tuple(values)
            if token != ",":  # noqa: S105
                values.append(self._read_value(kind, token, start))

    def _read_constraints(self, *, listed: bool) -> None:
        """Cut out one or several formulas up to the comma or bracket that ends them."""
        if listed:
            _, token, start = self._next()
            if token != "[":  # noqa: S105
                self._wrong(start, "constraints must be followed by [...]")
                return
        start, depth = self._at, 0
        for match in re.finditer(r"""'[^']*'|"[^"]*"|[()\[\]{},]""", self._text[start:]):
            token = match[0]
            place = start + match.start()
            if token == "(":  # noqa: S105
                depth += 1
            elif token == ")":  # noqa: S105
                depth -= 1
            elif depth == 0 and token in {",", "]", "}"}:
                self._keep_constraint(self._at, place)
                self._at = place + 1 if token == "]" or (token == "," and listed) else place  # noqa: S105
                if not listed or token != ",":  # noqa: S105
                    return

    def _keep_constraint(self, start: int, end: int) -> None:
        text = self._text[start:end]
        if text.strip():
            shift = len(text) - len(text.lstrip())
            self.constraints.append((self._column + start + shift, text.strip()))
