"""How the engines' commands print an answer: one JSON object, or rows and sentences."""

import json
from collections.abc import Sequence
from typing import Any

import click

from donorfit.cli.columns import fold, tabulate


def print_json(schema: str, **values: Any) -> None:
    """Print one JSON object that names its own form; records are written as plain values."""
    from donorfit.records.encoding import to_plain  # noqa: PLC0415 - slow to load

    plain = {"schema": schema} | {name: to_plain(value) for name, value in values.items()}
    click.echo(json.dumps(plain, indent=2, ensure_ascii=False))


def print_rows(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()
) -> None:
    """Print rows under a head; nothing where there are none."""
    if rows:
        for line in tabulate(rows, head=head, right=right):
            click.echo(line)


def print_text(text: str, *, first: str = "") -> None:
    """Print one folded sentence."""
    for line in fold(text, first=first):
        click.echo(line)
