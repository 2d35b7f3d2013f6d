"""Rule files on disk: UVL with its imports, DIMACS, and requests."""

import sys
from pathlib import Path

from donorfit.equipment.answer_file import read_clashes
from donorfit.equipment.answers import Clash, RepairRequest
from donorfit.equipment.read_dimacs import read_dimacs
from donorfit.equipment.read_uvl import Import, list_imports, read_uvl
from donorfit.equipment.request_file import read_request
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.rules import RuleBase

LARGEST_BYTES = 400_000_000
DEEPEST_IMPORT = 50
MOST_FILES = 1000
_DIMACS = frozenset({".dimacs", ".cnf"})


def read_text(path: Path) -> str:
    """Read a text file; ``-`` reads what is piped in.

    Raises:
        InputError: it cannot be read, is too large, or is no UTF-8.
    """
    if str(path) == "-":
        return sys.stdin.read()
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise InputError(
                what=f"{path.name} has {size} bytes",
                where=str(path),
                why=f"at most {LARGEST_BYTES} are read",
                next_step="split the file",
            )
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputError(
            what=f"{path.name} cannot be read",
            where=str(path),
            why=error.strerror or str(error),
            next_step="check the path",
        ) from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise InputError(
            what=f"{path.name} is no UTF-8 text",
            mistakes=[
                Mistake(
                    file=path.name,
                    line=line,
                    what=f"byte 0x{error.object[error.start]:02X} is no UTF-8",
                    next_step="save the file as UTF-8",
                )
            ],
            where=f"{path}:{line}",
            next_step="save the file as UTF-8",
        ) from error


def read_rule_file(path: Path) -> RuleBase:
    """Read rules: DIMACS by the endings ``.dimacs`` and ``.cnf``, else UVL with its imports.

    Raises:
        InputError: with the mistakes of the first file that has some; an import cycle is one.
    """
    if path.suffix.lower() in _DIMACS:
        return read_dimacs(read_text(path), file=path.name)
    return _ImportReader(path.parent).read(path, path.name, ())


def read_request_file(path: Path) -> RepairRequest:
    """Read a request.

    Raises:
        InputError: with all mistakes found.
    """
    return read_request(read_text(path), file=path.name)


def read_answer_file(path: Path) -> tuple[Clash, ...]:
    """Read the explanations of an answer that was printed as JSON.

    Raises:
        InputError: with all mistakes found.
    """
    return read_clashes(read_text(path), file=path.name)


class _ImportReader:
    """Reads imported files once each, depth first; depth is bounded."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._known: dict[Path, RuleBase] = {}

    def read(self, path: Path, shown: str, chain: tuple[Path, ...]) -> RuleBase:
        """Read one file and what it imports."""
        here = path.resolve()
        if here in self._known:
            return self._known[here]
        text = read_text(path)
        imported: dict[str, RuleBase] = {}
        for each in list_imports(text, file=shown):
            target = self._find(path.parent, each)
            self._check(target, each, shown, (*chain, here))
            imported[each.name] = self.read(target, self._show(target), (*chain, here))
        rules = self._known[here] = read_uvl(text, file=shown, imported=imported)
        return rules

    def _find(self, folder: Path, each: Import) -> Path:
        """Beside the importing file, or beside the first one."""
        inner = Path(*each.name.split(".")).with_suffix(".uvl")
        beside = folder / inner
        return beside if beside.exists() else self._root / inner

    def _show(self, path: Path) -> str:
        try:
            return path.resolve().relative_to(self._root.resolve()).as_posix()
        except ValueError:
            return path.name

    def _check(self, target: Path, each: Import, shown: str, chain: tuple[Path, ...]) -> None:
        here = target.resolve()
        if here in chain:
            names = [step.name for step in (*chain[chain.index(here) :], here)]
            what, next_step = (
                f"the imports run in a circle: {' -> '.join(names)}",
                "cut the circle",
            )
        elif not target.is_file():
            what, next_step = f"{each.name!r} imports {target.name}, which is missing", "add it"
        elif len(chain) >= DEEPEST_IMPORT or len(self._known) >= MOST_FILES:
            what = f"more than {DEEPEST_IMPORT} imports deep or {MOST_FILES} files"
            next_step = "join some files"
        else:
            return
        raise InputError(
            what=f"{shown} cannot be read as rules",
            mistakes=[Mistake(file=shown, line=each.line, what=what, next_step=next_step)],
            where=f"{shown}:{each.line}",
            next_step=next_step,
        )
