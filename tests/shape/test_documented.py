"""Every error class and every command is described where a reader looks for it."""

import inspect
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from donorfit import errors
from donorfit.cli.root import root


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


def list_commands(group: click.Group, start: str = "donorfit") -> Iterator[str]:
    """Commands as they are typed, those of groups inside included."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if command is not None and not command.hidden:
            yield f"{start} {name}"
            if isinstance(command, click.Group):
                yield from list_commands(command, f"{start} {name}")


def find_unnamed(document: str, commands: list[str]) -> list[str]:
    return [each for each in commands if not re.search(rf"{re.escape(each)}(?![\w-])", document)]


def test_commands_are_documented(repository: Path) -> None:
    files = [repository / "docs" / "cli.md", repository / "README.md"]
    document = "".join(file.read_text(encoding="utf-8") for file in files if file.is_file())
    if not document:
        pytest.skip("needs docs/cli.md, and that is not written yet")
    commands = list(list_commands(root))
    assert len(commands) > 5
    assert find_unnamed(document, commands) == []


def test_unnamed_command_is_seen() -> None:
    inner = click.Group("pack", commands=[click.Command("show")])
    group = click.Group("donorfit", commands=[click.Command("plan"), inner])
    commands = list(list_commands(group))
    assert commands == ["donorfit pack", "donorfit pack show", "donorfit plan"]
    document = "`donorfit planet` and `donorfit pack show FILE`"
    assert find_unnamed(document, commands) == ["donorfit plan"]
