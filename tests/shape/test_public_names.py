"""Every public name of the program is used by the program: nothing is kept for the tests alone.

Looked at are functions, classes, constants and methods without an underscore in front. A name that
is read anywhere in the source counts as used, whatever it belongs to, so that there are no false
alarms; of two things with one name, one that is dead can therefore hide behind the other.
"""

import ast
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

Function = ast.FunctionDef | ast.AsyncFunctionDef

# Names that the program itself does not use, each with its reason.
KEPT = {
    "configuration/derivation.py: derive_bytes": "a record as the pack alone would have it: cars "
    "of the tests are made with it",
    "configuration/fields.py: read_fields": "the other half of write_fields; laws and another "
    "reader are held against the pair",
    "edge/answer_schemas.py: name_file": "finds the shipped file that a schema is held against",
    "edge/answer_schemas.py: write_answer_schema": "makes the shipped files",
    "edge/clock.py: VirtualClock": "the clock of every test with time in it",
    "edge/clock.py: run_in_virtual_time": "the loop of that clock",
    "edge/journal/memory.py: MemoryRun": "the journal without a disk, held to the same suite",
    "edge/links/faulty.py: FaultyLink": "faults around any link, real or simulated",
    "edge/links/memory.py: MemoryLink": "the link without a network, held to the same suite",
    "edge/packs/scenario_schema.py: list_keys": "what the scenario page is held against",
    "figures/fit_card.py: draw_fit_card": "the picture on one sheet, as the tests look at it",
    "figures/option_changes.py: draw_option_changes": "likewise",
    "figures/palette.py: compute_contrast": "measures the palette (WCAG 2.2)",
    "figures/plan_lanes.py: draw_plan_lanes": "the picture on one sheet, as the tests look at it",
    "simulator/car.py: cycle_ignition": "the hand at the key; the program has only its link",
    "simulator/described.py: read_states": "a look into the car past its link",
}

PLAIN_DECORATORS = {
    "property", "cached_property", "cache", "lru_cache", "dataclass", "staticmethod",
    "classmethod", "contextmanager", "asynccontextmanager", "override", "overload", "final",
}  # fmt: skip
WORD = re.compile(r"[A-Za-z]\w*")


def read_name(node: ast.expr) -> str:
    """Last part of a dotted or called name."""
    while isinstance(node, ast.Call | ast.Subscript):
        node = node.func if isinstance(node, ast.Call) else node.value
    return getattr(node, "attr", getattr(node, "id", ""))


def is_handed_over(node: Function | ast.ClassDef) -> bool:
    """Whether a decorator gives it to somebody who calls it, such as a command's."""
    return any(read_name(each) not in PLAIN_DECORATORS for each in node.decorator_list)


def is_own(base: ast.expr, own_classes: set[str]) -> bool:
    """Whether nobody but the program calls what a class takes over from a base."""
    return not isinstance(base, ast.Attribute) and read_name(base) in own_classes


def find_public(tree: ast.Module, own_classes: set[str]) -> Iterator[str]:
    """Public names of one module; methods that a class of others calls are left out."""
    for node in tree.body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (each.id for each in targets if isinstance(each, ast.Name))
        elif isinstance(node, Function | ast.ClassDef) and not is_handed_over(node):
            yield node.name
        if isinstance(node, ast.ClassDef) and all(
            is_own(each, own_classes) for each in node.bases
        ):
            methods = (each for each in node.body if isinstance(each, Function))
            yield from (each.name for each in methods if not is_handed_over(each))


def find_used(tree: ast.Module) -> Iterator[str]:
    """Names that one module reads: variables, attributes, other names of imports, short strings.

    A string counts where it names something, such as a command that is imported when it is called.
    """
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.ImportFrom):
            yield from (each.name for each in node.names if each.asname)
        elif isinstance(node, ast.Call):
            for each in (*node.args, *(one.value for one in node.keywords)):
                yield from find_in_string(each)
        elif isinstance(node, ast.Dict):
            for each in node.values:
                yield from find_in_string(each)


def find_in_string(node: ast.expr) -> Iterator[str]:
    """Names in a string without blanks, alone or in a tuple."""
    for each in node.elts if isinstance(node, ast.Tuple) else (node,):
        if isinstance(each, ast.Constant) and isinstance(each.value, str):
            yield from () if " " in each.value else WORD.findall(each.value)


def find_unused(trees: Mapping[Path, ast.Module]) -> list[str]:
    """Public names that no module reads, with where they are."""
    classes = {
        node.name
        for tree in trees.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef)
    }
    own = classes | {"object", "Protocol", "Generic", "Exception", "Enum", "IntEnum", "IntFlag"}
    used = {name for tree in trees.values() for name in find_used(tree)}
    return [
        f"{path.as_posix()}: {name}"
        for path, tree in sorted(trees.items())
        for name in find_public(tree, own)
        if not name.startswith("_") and name not in used
    ]


@pytest.fixture(scope="module")
def trees(repository: Path) -> dict[Path, ast.Module]:
    folder = repository / "src" / "donorfit"
    return {
        path.relative_to(folder): ast.parse(path.read_text(encoding="utf-8"))
        for path in folder.rglob("*.py")
    }


def test_every_public_name_is_used_by_the_program(trees):
    found = {each for each in find_unused(trees) if each not in KEPT}
    assert found == set()


def test_what_is_kept_is_there_and_still_unused(trees):
    assert set(KEPT) <= set(find_unused(trees))
    assert all(KEPT.values())


def find_in(**modules: str) -> list[str]:
    return find_unused({Path(f"{name}.py"): ast.parse(text) for name, text in modules.items()})


def test_the_check_sees_what_is_dead_and_no_more():
    dead = "def f(): ...\nX = 1\nclass C:\n    def m(self): ...\n    def _n(self): ..."
    assert find_in(a=dead) == ["a.py: f", "a.py: X", "a.py: C", "a.py: m"]
    assert find_in(a=dead, b="from a import f, X, C\nf(X)\nC().m") == []
    assert find_in(a=dead, b="from a import f") == find_in(a=dead)  # an import is no use
    assert find_in(a="def f(): ...", b="__all__ = ['f']") == ["a.py: f"]
    assert find_in(a="def f(): ...", b="load('a:f')") == []
    assert find_in(a="def f(): ...", b="from a import f as g") == []
    assert find_in(a="@group.command()\ndef f(): ...") == []
    assert find_in(a="class C(asyncio.Protocol):\n    def data_received(self): ...\nC()") == []
