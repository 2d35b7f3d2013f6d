"""Sizes, names, descriptions and purity of the source files."""

import ast
import sys
import tomllib
from collections.abc import Callable, Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

MODULE_CEILING = 400
FUNCTION_CEILING = 60
VAGUE_NAMES = {
    "utils", "util", "helpers", "helper", "common", "manager", "managers", "misc", "tools",
}  # fmt: skip
SHELLS = {"cli", "web", "edge", "assemble", "__main__"}

# Packages from the registry that only compute, so that the core may use them.
PURE_PACKAGES = {"attrs", "cattrs", "numpy", "pysat", "rfc8785"}

# Functions of the language that reach the world or hide what is run.
WORLDLY_CALLS = {"open", "print", "input", "breakpoint", "exec", "eval", "compile", "__import__"}
CLOCK_READERS = {"now", "utcnow", "today"}

Function = ast.FunctionDef | ast.AsyncFunctionDef


def measure(node: Function) -> int:
    """Lines of a function without its docstring."""
    lines = node.end_lineno - node.lineno + 1
    first = node.body[0]
    if ast.get_docstring(node) is not None:
        lines -= first.end_lineno - first.lineno + 1
    return lines


def find_long(tree: ast.Module) -> Iterator[str]:
    """A module or functions beyond the ceilings."""
    last = max((node.end_lineno for node in tree.body), default=0)
    if last > MODULE_CEILING:
        yield f"{last} lines"
    for node in ast.walk(tree):
        if isinstance(node, Function) and measure(node) > FUNCTION_CEILING:
            yield f"{node.name}: {measure(node)} lines"


def find_undescribed(tree: ast.Module) -> Iterator[str]:
    """Public functions, classes and methods without a docstring."""
    if ast.get_docstring(tree) is None:
        yield "module"
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    for owner in (tree, *(each for each in classes if not each.name.startswith("_"))):
        for node in owner.body:
            if (
                isinstance(node, Function | ast.ClassDef)
                and not node.name.startswith("_")
                and ast.get_docstring(node) is None
                and not is_described_elsewhere(node)
            ):
                yield f"line {node.lineno}: {node.name}"


def is_described_elsewhere(node: ast.AST) -> bool:
    """True for an override or overload: what it does is said where it is declared."""
    names = {getattr(each, "id", getattr(each, "attr", "")) for each in node.decorator_list}
    return bool(names & {"override", "overload"})


def find_worldly(tree: ast.Module) -> Iterator[str]:
    """Calls that reach files, console or clock without an import that the contracts would see."""
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id=name)) if name in WORLDLY_CALLS:
                yield f"line {node.lineno}: {name}()"
            case ast.Call(func=ast.Attribute(attr=name, value=owner)) if name in CLOCK_READERS:
                if "date" in ast.unparse(owner):
                    yield f"line {node.lineno}: {ast.unparse(owner)}.{name}()"


def find_foreign(tree: ast.Module) -> Iterator[str]:
    """Imports of registry packages that are not known to be pure."""
    for line, root in list_foreign(tree):
        if root not in PURE_PACKAGES:
            yield f"line {line}: {root}"


def list_foreign(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Imports of registry packages: line and top-level name."""
    for node in ast.walk(tree):
        match node:
            case ast.Import(names=names):
                roots = {each.name.partition(".")[0] for each in names}
            case ast.ImportFrom(module=str(module), level=0):
                roots = {module.partition(".")[0]}
            case _:
                continue
        known = sys.stdlib_module_names | {"donorfit"}
        yield from ((node.lineno, root) for root in sorted(roots - known))


@pytest.fixture(scope="module")
def trees(repository: Path) -> dict[Path, ast.Module]:
    """Every module of the package, by its path inside it."""
    package = repository / "src" / "donorfit"
    return {
        file.relative_to(package): ast.parse(file.read_text(encoding="utf-8"), str(file))
        for file in package.rglob("*.py")
    }


def judge(trees: dict[Path, ast.Module], rule: Callable[[ast.Module], Iterator[str]]) -> list[str]:
    return [f"{file}: {fault}" for file, tree in sorted(trees.items()) for fault in rule(tree)]


def only_core(trees: dict[Path, ast.Module]) -> dict[Path, ast.Module]:
    return {
        file: tree
        for file, tree in trees.items()
        if file.parts[0].removesuffix(".py") not in SHELLS
    }


def test_modules_and_functions_are_short(trees: dict[Path, ast.Module]) -> None:
    assert len(trees) > 10
    assert judge(trees, find_long) == []


def test_development_script_keeps_to_the_same_sizes(repository: Path) -> None:
    assert list(find_long(ast.parse((repository / "dev.py").read_text(encoding="utf-8")))) == []


def test_no_module_has_a_vague_name(repository: Path) -> None:
    parts = ("src", "tests", "benchmarks")
    files = [file for part in parts for file in (repository / part).rglob("*.py")]
    vague = {
        str(file.relative_to(repository))
        for file in files
        if VAGUE_NAMES & {file.stem.strip("_").removeprefix("test_"), file.parent.name}
    }
    assert vague == set()


def test_public_names_are_described(trees: dict[Path, ast.Module]) -> None:
    assert judge(trees, find_undescribed) == []


def test_core_reaches_neither_files_nor_clock(trees: dict[Path, ast.Module]) -> None:
    assert judge(only_core(trees), find_worldly) == []


def test_core_uses_only_packages_that_compute(trees: dict[Path, ast.Module]) -> None:
    assert judge(only_core(trees), find_foreign) == []


def test_every_package_that_is_imported_is_asked_for(
    repository: Path, trees: dict[Path, ast.Module]
) -> None:
    project = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project.get("optional-dependencies", {}).values()
    asked = {
        canonicalize_name(Requirement(each).name)
        for each in (*project["dependencies"], *(each for extra in extras for each in extra))
    }
    assert "click" in asked
    owners = packages_distributions()
    stray = {
        f"{file}:{line}: {root}"
        for file, tree in trees.items()
        for line, root in list_foreign(tree)
        # _typeshed is known to type checkers only, and only they import it.
        if root != "_typeshed"
        and not asked & {canonicalize_name(owner) for owner in owners.get(root, ())}
    }
    assert stray == set()


@pytest.mark.parametrize(
    ("rule", "text"),
    [
        (find_long, "x = 1\n" * (MODULE_CEILING + 1)),
        (find_long, "def f():\n    'What.'\n" + "    x = 1\n" * FUNCTION_CEILING),
        (find_undescribed, "'Module.'\ndef f():\n    return 1\n"),
        (find_undescribed, "'Module.'\nclass A:\n    'What.'\n    def f(self):\n        return 1\n"),
        (find_worldly, "open('x')"),
        (find_worldly, "print('x')"),
        (find_worldly, "datetime.datetime.now()"),
        (find_foreign, "import cantools.database"),
        (find_foreign, "from pydantic import BaseModel"),
    ],
)  # fmt: skip
def test_breach_is_caught(rule: Callable[[ast.Module], Iterator[str]], text: str) -> None:
    assert len(list(rule(ast.parse(text)))) == 1
