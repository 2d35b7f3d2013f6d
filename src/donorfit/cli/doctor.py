"""``donorfit doctor``: what this computer has for the work."""

import json
from itertools import groupby

import click

from donorfit.cli.columns import fold
from donorfit.edge.host.checkup import Checked, Sources, State, check_computer

SCHEMA = "donorfit/doctor/1"
NOT_FIT = 3
_MARKS = {
    State.GOOD: "+",
    State.ABSENT: ".",
    State.DOUBTFUL: "!",
    State.BAD: "x",
    State.NOT_KNOWN: "?",
}


@click.command("doctor")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def doctor_command(*, as_json: bool) -> int:
    """Say what is installed and reachable on this computer; no car is spoken to.

    Exit code 3 says that something is missing that every job needs.
    """
    checked = check_computer(Sources())
    fit = all(each.state is not State.BAD for each in checked)
    if as_json:
        plain = {
            "schema": SCHEMA,
            "fit": fit,
            "checks": [
                {
                    "area": each.area,
                    "subject": each.subject,
                    "state": each.state.value,
                    "words": each.words,
                    "next_step": each.next_step,
                }
                for each in checked
            ],
        }
        click.echo(json.dumps(plain, indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(word_checkup(checked)))
    return 0 if fit else NOT_FIT


def word_checkup(checked: tuple[Checked, ...]) -> list[str]:
    """What was found, as lines for a terminal."""
    lines: list[str] = []
    for area, members in groupby(checked, key=lambda each: each.area):
        lines.append(area)
        for each in members:
            first = f"  {_MARKS[each.state]} {each.subject}: "
            lines += fold(each.words, first=first, rest="      ")
            lines += fold(each.next_step, first="      ") if each.next_step else []
    bad = [each.subject for each in checked if each.state is State.BAD]
    verdict = f"Not fit for a job: {', '.join(bad)}." if bad else "Nothing stands in the way."
    marks = "  ".join(f"{mark} {state.value}" for state, mark in _MARKS.items())
    return [*lines, "", f"Marks: {marks}", verdict]
