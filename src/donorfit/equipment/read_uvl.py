"""Read the rules of a car family from UVL, the Universal Variability Language.

Source of the language: reference grammar ``UVLParser.g4`` and ``UVLLexer.g4`` in
Universal-Variability-Language/uvl-parser. What the reasoning adds: ``valid_from`` and
``valid_before`` of an option, and ``Integer build_month`` for rules that hold for some months.
"""

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from donorfit.equipment.columns import Columns
from donorfit.equipment.mistakes import Notes
from donorfit.equipment.uvl_expressions import FormulaReader
from donorfit.equipment.uvl_lines import LogicalLine, split_lines
from donorfit.equipment.uvl_terms import TermReader
from donorfit.equipment.uvl_tree import Tree, TreeReader
from donorfit.equipment.uvl_windows import split_window
from donorfit.vehicle.rules import CrossRule, RuleBase

LONGEST_TEXT = 200_000_000
"""Characters of one file."""

_SECTIONS = ("include", "imports", "features", "constraints")
_WORDS = r"""(?:"[^"]+"|[\w#§%?\\'äüöß;-]+)"""
_IMPORT = re.compile(rf"({_WORDS}(?:\.{_WORDS})*)(?:\s+as\s+({_WORDS}(?:\.{_WORDS})*))?")
_LEVEL = re.compile(
    r"(Boolean|Arithmetic|Type)(\.(group-cardinality|feature-cardinality|aggregate-function"
    r"|string-constraints|\*))?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Import:
    """One line below ``imports``.

    Attributes:
        name: dotted name of the file, folders first, without ``.uvl``.
        alias: what its options are called by here.
        line: counted from 1.
    """

    name: str
    alias: str
    line: int


def list_imports(text: str, *, file: str) -> tuple[Import, ...]:
    """The files that a UVL text imports; raise InputError where it cannot be cut in lines."""
    if "imports" not in text:
        return ()
    notes = Notes(file)
    sections = _cut_sections(split_lines(text, notes), notes)
    imports = _read_imports(sections.get("imports", []), notes)
    notes.raise_if_any()
    return tuple(imports)


def read_uvl(text: str, *, file: str, imported: Mapping[str, RuleBase] | None = None) -> RuleBase:
    """Read a UVL text.

    Args:
        text: the whole file.
        file: its name, for messages.
        imported: rule bases of the imported files, by the dotted name below ``imports``.

    Raises:
        InputError: with all mistakes found, each with line and, where known, column.
    """
    notes = Notes(file)
    if len(text) > LONGEST_TEXT:
        notes.add(0, 0, f"the file has {len(text)} characters", f"at most {LONGEST_TEXT}")
        notes.raise_if_any()
    sections = _cut_sections(split_lines(text, notes), notes)
    for number, _, line in sections.get("include", []):
        if _LEVEL.fullmatch(line) is None:
            notes.warn(number, "language level", f"the language level {line!r} is not known")
    known = _match_imports(_read_imports(sections.get("imports", []), notes), imported, notes)
    columns = Columns(file)
    reader = TreeReader(columns, notes, known)
    reader.read(sections.get("features", []))
    if not columns.names and not notes.mistakes:
        notes.add(0, 0, "there is no option in it", "write features and a tree of options")
    _read_rules(columns, reader.tree, reader.names, sections.get("constraints", []), notes)
    notes.raise_if_any()
    columns.warnings += notes.warnings
    return columns.freeze()


def _cut_sections(lines: list[LogicalLine], notes: Notes) -> dict[str, list[LogicalLine]]:
    sections: dict[str, list[LogicalLine]] = {}
    current: list[LogicalLine] | None = None
    top = min((line.indent for line in lines), default=0)
    for place, line in enumerate(lines):
        if line.indent > top and current is not None:
            current.append(line)
            continue
        if line.text.startswith("namespace ") and place == 0:
            current = None
        elif line.text in _SECTIONS:
            if line.text in sections:
                notes.add(line.number, 0, f"{line.text!r} stands twice", "join both parts")
            current = sections.setdefault(line.text, [])
        else:
            if current is None or "features" not in sections:
                known = "include, imports, features or constraints"
            else:
                known = "constraints, or indent the line"
            notes.add(line.number, 0, f"did not expect {line.text[:40]!r} here", f"write {known}")
            current = []
    return sections


def _read_imports(lines: list[LogicalLine], notes: Notes) -> list[Import]:
    imports: list[Import] = []
    for number, _, text in lines:
        match = _IMPORT.fullmatch(text)
        if match is None:
            notes.add(number, 0, f"cannot read {text[:40]!r} as an import", "write name as alias")
            continue
        name = match[1].replace('"', "")
        alias = (match[2] or match[1]).replace('"', "")
        if any(each.alias == alias for each in imports):
            notes.add(number, 0, f"{alias!r} is imported twice", "give it another alias")
            continue
        imports.append(Import(name=name, alias=alias, line=number))
    return imports


def _match_imports(
    imports: list[Import], imported: Mapping[str, RuleBase] | None, notes: Notes
) -> dict[str, tuple[str, RuleBase]]:
    found: dict[str, tuple[str, RuleBase]] = {}
    for each in imports:
        rules = (imported or {}).get(each.name)
        if rules is None:
            notes.add(
                each.line,
                0,
                f"the imported file {each.name!r} is missing",
                "put it beside this one",
            )
        else:
            found[each.alias] = (each.name, rules)
    return found


def _read_rules(
    columns: Columns,
    tree: Tree,
    names: dict[str, int],
    lines: list[LogicalLine],
    notes: Notes,
) -> None:
    terms = TermReader(
        places=names,
        parents=columns.parents,
        attributes=columns.attributes,
        types=columns.types,
        month_name=tree.month_name,
    )
    suggestions: dict[str, str] = {}

    def suggest(name: str) -> str:
        if name not in suggestions:
            suggestions[name] = suggest_names(name, [*names, tree.month_name])
        return suggestions[name]

    reader = FormulaReader(terms, notes, suggest)
    taken: dict[int, int] = {}
    found = [
        *tree.constraints,
        *((line.number, 1, line.text) for line in lines),
    ]
    for number, column, text in found:
        read = reader.read(text, number, column)
        if read is None:
            continue
        count = taken[number] = taken.get(number, 0) + 1
        formula, comparisons, window = read.formula, read.comparisons, None
        if comparisons:
            formula, comparisons, window = split_window(formula, comparisons)
        columns.rules.append(
            CrossRule(
                id=f"r{number}" if count == 1 else f"r{number}{_letter(count)}",
                file=columns.file,
                line=number,
                formula=formula,
                comparisons=comparisons,
                text=text,
                **({} if window is None else {"window": window}),
            )
        )


def _letter(count: int) -> str:
    """b, c, d ... z, then .27 and so on: rules that share a line."""
    return chr(ord("a") + count - 1) if count <= 26 else f".{count}"  # noqa: PLR2004


def suggest_names(name: str, names: list[str]) -> str:
    """Name the nearest known options for one that is not known."""
    near = difflib.get_close_matches(name.replace('"', ""), names[:50_000], n=3, cutoff=0.6)
    if near:
        return f"perhaps {' or '.join(near)} was meant"
    return "use one of the options in the tree"
