"""Every error class and every command is described where a reader looks for it."""

import inspect
import re
from pathlib import Path

import pytest

from donorfit import errors


def list_errors() -> list[type[errors.DonorfitError]]:
    return [
        kind
        for kind in vars(errors).values()
        if inspect.isclass(kind) and issubclass(kind, errors.DonorfitError)
    ]


def find_undocumented(document: str, kinds: list[type[errors.DonorfitError]]) -> list[str]:
    """Error classes for which no line holds both the name and the exit code."""
    lines = document.splitlines()
    return [
        f"{kind.__name__} with exit code {kind.exit_code}"
        for kind in kinds
        if not any(
            re.search(rf"\b{kind.__name__}\b", line) and re.search(rf"\b{kind.exit_code}\b", line)
            for line in lines
        )
    ]


def test_every_error_has_its_own_exit_code_and_title() -> None:
    kinds = list_errors()
    assert len(kinds) > 5
    assert len({kind.exit_code for kind in kinds}) == len(kinds)
    assert len({kind.title for kind in kinds}) == len(kinds)
    # 2 is the command line's own; from 126 the shells use them.
    assert all(0 < kind.exit_code < 126 and kind.exit_code != 2 for kind in kinds)


def test_errors_are_documented(repository: Path) -> None:
    document = repository / "docs" / "errors.md"
    if not document.is_file():
        pytest.skip("needs docs/errors.md, and that is not written yet")
    assert find_undocumented(document.read_text(encoding="utf-8"), list_errors()) == []


def test_undocumented_error_is_seen() -> None:
    kinds = [errors.LinkError, errors.PeerError]
    assert find_undocumented("| LinkError | 20 |\n| PeerError | 99 |", kinds) == [
        "PeerError with exit code 25"
    ]
