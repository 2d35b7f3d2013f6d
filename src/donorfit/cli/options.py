"""``donorfit options``: questions about option lists and their rules.

Exit codes: 0 answered; 3 the list, choice or repair asked about is not possible (the answer says
why), or a replayed explanation does not hold; 10 a file or name cannot be used.
"""

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from donorfit.cli.number_types import FiniteRange, WholeRange
from donorfit.errors import InputError, Mistake, NotPossibleError
from donorfit.vehicle.identity import BuildMonth

RULES = click.argument("rules", type=click.Path(path_type=Path))
REQUEST = click.argument("request_file", metavar="REQUEST", type=click.Path(path_type=Path))
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
MONTH = click.option("--month", default="", metavar="YYYY-MM", help="Build month.")


@click.group("options")
def options_group() -> None:
    """Ask whether an option list is possible, why not, and how to repair it.

    RULES is a UVL or DIMACS file. REQUEST is a JSON file with declared, on, off, fitted,
    not_fitted, costs, month; or just a JSON list of declared options; or - for standard input.
    """


def _read_rules(path: Path) -> Any:
    from donorfit.edge.packs.rule_files import read_rule_file  # noqa: PLC0415 - keeps --help fast

    return read_rule_file(path)


def _read_request(path: Path) -> Any:
    from donorfit.edge.packs.rule_files import read_request_file  # noqa: PLC0415

    return read_request_file(path)


def _parse_month(text: str) -> BuildMonth | None:
    if not text:
        return None
    try:
        return BuildMonth.parse(text)
    except ValueError as error:
        raise InputError(
            what=f"--month: {error}",
            mistakes=[Mistake(file="--month", line=0, what=str(error), next_step="write 2021-07")],
            next_step="write the month as 2021-07",
        ) from None


def _show(name: str, answer: Any, lines: Callable[[], Sequence[str]], *, as_json: bool) -> None:
    from donorfit.equipment.plain_values import to_plain  # noqa: PLC0415

    if as_json:
        plain = {"schema": f"donorfit/options-{name}/1", **to_plain(answer)}
        click.echo(json.dumps(plain, ensure_ascii=False, indent=1))
        return
    for line in lines():
        click.echo(line)


def _warn(rules: Any) -> None:
    """What of the rules was not judged, for answers that do not hold it themselves."""
    from donorfit.cli.options_wording import word_warnings  # noqa: PLC0415
    from donorfit.equipment.compiled import compile_rules  # noqa: PLC0415

    for line in word_warnings((*rules.warnings, *compile_rules(rules).warnings)):
        click.echo(line, err=True)


def _leave(*, possible: bool) -> None:
    if not possible:
        click.get_current_context().exit(NotPossibleError.exit_code)


@options_group.command("check")
@RULES
@REQUEST
@AS_JSON
def check_command(rules: Path, request_file: Path, *, as_json: bool) -> None:
    """Say whether the declared list is possible, and every rule that it breaks."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.check import check  # noqa: PLC0415

    request = _read_request(request_file)
    answer = check(
        _read_rules(rules), request.declared, request.month, structure=request.structure
    )
    _show("check", answer, lambda: wording.word_check(answer), as_json=as_json)
    _leave(possible=answer.possible)


@options_group.command("repair")
@RULES
@REQUEST
@click.option("--top", type=WholeRange(1, 1000), help="How many repairs to find.")
@click.option("--seconds", type=FiniteRange(0), help="Time budget; 0 for none.")
@AS_JSON
def repair_command(
    rules: Path, request_file: Path, top: int | None, seconds: float | None, *, as_json: bool
) -> None:
    """Find the cheapest minimal changes that make the list possible."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.repair import repair  # noqa: PLC0415

    request = _read_request(request_file)
    if top is not None:
        request = replace(request, top=top)
    base = _read_rules(rules)
    end = time.monotonic() + seconds if seconds else None
    answer = repair(base, request, is_late=None if end is None else lambda: time.monotonic() > end)
    _show("repair", answer, lambda: wording.word_repair(answer), as_json=as_json)
    _leave(possible=answer.possible or answer.seconds_used_up)


@options_group.command("why")
@RULES
@REQUEST
@click.option("--about", default="", metavar="OPTION", help="Explain this option's value.")
@AS_JSON
def why_command(rules: Path, request_file: Path, about: str, *, as_json: bool) -> None:
    """Explain, step by step, why a list or an option's value is not possible."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.why import why  # noqa: PLC0415

    request = _read_request(request_file)
    base = _read_rules(rules)
    answer = why(
        base,
        request.declared,
        on=request.on,
        off=request.off,
        fitted=request.fitted,
        not_fitted=request.not_fitted,
        month=request.month,
        about=about,
        structure=request.structure,
    )
    _show("why", answer, lambda: wording.word_why(answer), as_json=as_json)
    _warn(base)


@options_group.command("months")
@RULES
@REQUEST
@AS_JSON
def months_command(rules: Path, request_file: Path, *, as_json: bool) -> None:
    """Say in which build months the declared list is possible, and what forbids the others."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.months import months  # noqa: PLC0415

    request = _read_request(request_file)
    base = _read_rules(rules)
    answer = months(base, request.declared, request.month, structure=request.structure)
    _show("months", answer, lambda: wording.word_months(answer), as_json=as_json)
    _warn(base)
    _leave(possible=bool(answer.windows))


@options_group.command("implied")
@RULES
@click.option("--on", multiple=True, metavar="OPTION", help="Choose this option; repeatable.")
@click.option("--off", multiple=True, metavar="OPTION", help="Rule this option out; repeatable.")
@MONTH
@click.option("--quick", is_flag=True, help="Only what follows step by step, at once.")
@AS_JSON
def implied_command(
    rules: Path,
    on: tuple[str, ...],
    off: tuple[str, ...],
    month: str,
    *,
    quick: bool,
    as_json: bool,
) -> None:
    """Say what follows from choosing options."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.implied import implied  # noqa: PLC0415

    base = _read_rules(rules)
    answer = implied(base, on, off, _parse_month(month), complete=not quick)
    _show("implied", answer, lambda: wording.word_implied(answer), as_json=as_json)
    _warn(base)
    _leave(possible=answer.possible)


@options_group.command("compare")
@RULES
@click.argument("left", type=click.Path(path_type=Path))
@click.argument("right", type=click.Path(path_type=Path))
@AS_JSON
def compare_command(rules: Path, left: Path, right: Path, *, as_json: bool) -> None:
    """Put the declared lists of two requests side by side."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.compare import compare  # noqa: PLC0415

    first, second = _read_request(left), _read_request(right)
    base = _read_rules(rules)
    answer = compare(
        base,
        first.declared,
        second.declared,
        second.month or first.month,
        structure=first.structure,
    )
    _show("compare", answer, lambda: wording.word_compare(answer), as_json=as_json)
    _warn(base)


@options_group.command("facts")
@RULES
@MONTH
@click.option("--no-redundant", is_flag=True, help="Do not look for rules that follow.")
@AS_JSON
def facts_command(rules: Path, month: str, *, no_redundant: bool, as_json: bool) -> None:
    """List options that are always on, never on, falsely optional, and spare rules."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.facts import facts  # noqa: PLC0415

    base = _read_rules(rules)
    answer = facts(base, _parse_month(month), redundant=not no_redundant)
    _show("facts", answer, lambda: wording.word_facts(answer), as_json=as_json)
    _warn(base)
    _leave(possible=answer.possible)


@options_group.command("leftovers")
@RULES
@REQUEST
@AS_JSON
def leftovers_command(rules: Path, request_file: Path, *, as_json: bool) -> None:
    """List declared options that are neither fitted nor needed (needed: on)."""
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.equipment.leftovers import leftovers  # noqa: PLC0415

    request = _read_request(request_file)
    base = _read_rules(rules)
    answer = leftovers(
        base,
        request.declared,
        request.fitted,
        request.on,
        request.month,
        not_fitted=request.not_fitted,
    )
    _show("leftovers", answer, lambda: wording.word_leftovers(answer), as_json=as_json)
    _warn(base)


@options_group.command("replay")
@RULES
@click.argument("answer_file", metavar="ANSWER", type=click.Path(path_type=Path))
@AS_JSON
def replay_command(rules: Path, answer_file: Path, *, as_json: bool) -> None:
    """Follow the explanations of an answer again, step by step, with the rules alone.

    ANSWER is what why, repair, implied or facts printed with --json; - for standard input.
    """
    from donorfit.cli import options_wording as wording  # noqa: PLC0415
    from donorfit.edge.packs.rule_files import read_answer_file  # noqa: PLC0415
    from donorfit.equipment.replay import replay  # noqa: PLC0415

    clashes = read_answer_file(answer_file)
    answer = replay(_read_rules(rules), clashes)
    _show("replay", answer, lambda: wording.word_replay(answer), as_json=as_json)
    _leave(possible=answer.sound)
