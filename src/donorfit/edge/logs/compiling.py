"""Compiles the loops where numba is installed (extra ``fast``); otherwise there are none.

numba keeps compiled code beside this package, or in the user's cache folder where that is read
only. Where it can be kept nowhere, it would be compiled in every run; then there are no loops.
"""

import functools
import hashlib
import importlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

_Function = TypeVar("_Function", bound=Callable[..., Any])

_DIGEST_DIGITS = 12


class NoCompilerError(Exception):
    """The loops cannot be compiled here, for the reason that it carries."""


def step(function: _Function) -> _Function:
    """Mark a function that only compiled loops call; it becomes part of each of them.

    Raises:
        NoCompilerError: there is no compiler.
    """
    compiler = _find_compiler()
    compiled: _Function = compiler.njit(inline="always")(function)
    return compiled


def loop(function: _Function) -> _Function:
    """Mark a function to be compiled at its first call and kept.

    What is kept carries the digest of all loops and steps in its name, because the compiler itself
    looks at the age of one file only.

    Raises:
        NoCompilerError: there is no compiler, or no place to keep what it makes.
    """
    function.__qualname__ = f"{function.__qualname__}_{_find_digest()}"
    try:
        compiled: _Function = _find_compiler().njit(cache=True, nogil=True)(function)
    except RuntimeError as error:  # no folder can be written to
        raise NoCompilerError(str(error)) from None
    return compiled


def is_kept(compiled: Any) -> bool:
    """Whether what a loop was compiled to is there from an earlier run."""
    name: str = compiled.py_func.__qualname__
    return any(Path(compiled.stats.cache_path).glob(f"*.{name}-*.nbi"))


@functools.cache
def _find_digest() -> str:
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*_loop*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:_DIGEST_DIGITS]


def _find_compiler() -> Any:
    if sys.byteorder != "little":
        reason = "the loops are made for machines that put the low byte first"
        raise NoCompilerError(reason)
    try:
        return importlib.import_module("numba")
    except Exception as error:  # noqa: BLE001 - whatever a broken installation raises
        raise NoCompilerError(str(error)) from None
