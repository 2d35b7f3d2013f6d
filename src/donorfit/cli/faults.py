"""``donorfit faults``: fault code lists read, sorted, explained, without a car.

A list is a text, CSV or JSON file, or ``-`` for what is piped in. What could not be read is
counted and shown with its line.
"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.cli.answers import print_json, print_rows, print_text
from donorfit.cli.columns import clean, count
from donorfit.cli.fault_causes import explain_command
from donorfit.cli.fault_lists import (
    FaultBasis,
    find_doubts,
    job_option,
    json_option,
    list_argument,
    load_basis,
    pack_option,
    read_list,
    say_doubts,
    say_rubbish,
)
from donorfit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from donorfit.faults import ActiveCause
    from donorfit.records.proof import FaultComparison
    from donorfit.records.survey import UnitSurvey

_PATH = click.Path(path_type=Path)


@click.group("faults")
def faults_group() -> None:
    """Read, sort and explain fault code lists."""


faults_group.add_command(explain_command)


@faults_group.command("code")
@click.argument("codes", nargs=-1, required=True, metavar="CODE...")
@click.option("--status", "status_text", metavar="0xHH", help="A status byte to word as well.")
@json_option
def code_command(codes: tuple[str, ...], status_text: str | None, *, as_json: bool) -> None:
    """Say what the parts of a code, and the bits of a status byte, mean by themselves."""
    from donorfit.faults import read_written_list, word_code, word_status  # noqa: PLC0415

    lines = [f"{code} {status_text or ''}" for code in codes]
    found = read_written_list("\n".join(lines))
    blank = len(codes) - len(found.faults) - len(found.unread)
    if found.unread or blank:
        reasons = [f"{clean(each.text)}: {each.why}" for each in found.unread]
        raise InputError(
            what=f"{count(len(found.unread) + blank, 'code')} cannot be read.",
            where="CODE",
            why="; ".join([*reasons, *["an empty one is no code"] * bool(blank)]),
            next_step="Write codes as P0123-11, U0100 or 0xD2345F and a status as 0x2F.",
        )
    words = [word_code(each.code) for each in found.faults]
    bits = word_status(found.faults[0].status) if status_text else ()
    if as_json:
        print_json("donorfit faults code 1", codes=words, status=bits)
        return
    print_rows(
        ("code", "bytes", "area", "defined by", "failure type"),
        [
            (each.text, f"{each.code:06X}", each.area, each.owner.value, each.failure_type)
            for each in words
        ],
    )
    if status_text:
        print_text(", ".join(bits) or "no bit is set", first=f"status {status_text}: ")


@faults_group.command("read")
@list_argument
@pack_option
@json_option
def read_command(list_path: Path, pack_path: Path | None, *, as_json: bool) -> None:
    """Read a list; say every code and status in words, and what could not be read."""
    from donorfit.faults import word_code, word_status  # noqa: PLC0415

    basis = load_basis(pack_path, None)
    found, notes = read_list(list_path, basis)
    doubts = find_doubts(found, basis)
    titles = {(f.unit, f.code): f.title for f in (basis.pack.faults if basis.pack else ())}
    if as_json:
        print_json("donorfit faults read 1", list=found, notes=notes, findings=doubts)
        return
    print_rows(
        ("line", "unit", "code", "status", "meaning"),
        [
            (
                str(each.line),
                each.unit,
                word_code(each.code).text,
                f"0x{each.status:02X}",
                "; ".join(
                    part
                    for part in (
                        titles.get((each.unit, each.code), ""),
                        word_code(each.code).failure_type if each.code & 0xFF else "",
                        ", ".join(word_status(each.status, each.availability or 0xFF)),
                    )
                    if part
                ),
            )
            for each in found.faults
        ],
        right=(0,),
    )
    say_rubbish(list_path, found, notes)
    say_doubts(doubts)
    click.echo(f"{count(len(found.faults), 'code')} read as {found.form}.")


@faults_group.command("compare")
@click.option("--before", "before_path", type=_PATH, metavar="LIST", help="Before the work.")
@click.option("--during", "during_path", type=_PATH, metavar="LIST", help="In the middle of it.")
@click.option("--after", "after_path", type=_PATH, metavar="LIST", required=True, help="Now.")
@pack_option
@job_option
@json_option
def compare_command(
    before_path: Path | None,
    during_path: Path | None,
    after_path: Path,
    pack_path: Path | None,
    job_path: Path | None,
    *,
    as_json: bool,
) -> None:
    """Sort the codes before, during and after the work: gone, still there, new, not tested.

    With --job, its plan says what was expected, and its survey stands for --before.
    """
    from donorfit.faults import compare_faults  # noqa: PLC0415

    basis = load_basis(pack_path, job_path)
    lists = {
        path: read_list(path, basis, may_be_empty=True)
        for path in (before_path, during_path, after_path)
        if path is not None
    }
    surveys = {path: found.to_surveys() for path, (found, _) in lists.items()}
    before = surveys.get(before_path, basis.surveyed) if before_path else basis.surveyed
    during = surveys[during_path] if during_path else ()
    after, silent = _complete(surveys[after_path], (*before, *during))
    rows = compare_faults(
        before,
        after,
        basis.expected,
        basis.pack.faults if basis.pack is not None else (),
        during=during,
        incomplete=not lists[after_path][0].complete,
    )
    if as_json:
        unread = {str(path): found.unread for path, (found, _) in lists.items()}
        print_json("donorfit faults compare 1", faults=rows, not_read=unread, not_named=silent)
        return
    _print_comparison(rows)
    if silent:
        told = f"{', '.join(silent)}. They count as read and free of codes."
        print_text(told, first="  not named in the later list: ")
    for path, (found, notes) in lists.items():
        say_rubbish(path, found, notes)


def _complete(
    after: "tuple[UnitSurvey, ...]", earlier: "Iterable[UnitSurvey]"
) -> "tuple[tuple[UnitSurvey, ...], tuple[str, ...]]":
    """The later lists with those units that only an earlier one names a code of; and their names.

    A list names units that have codes, so one that it does not name is taken to have none.
    """
    from donorfit.records.survey import UnitSurvey  # noqa: PLC0415

    named = {each.unit for each in after}
    rest = {each.unit: each for each in earlier if each.faults and each.unit not in named}
    added = (
        UnitSurvey(unit=each.unit, address=each.address, answered=True) for each in rest.values()
    )
    return (*after, *added), tuple(rest)


def _print_comparison(rows: "tuple[FaultComparison, ...]") -> None:
    from donorfit.figures.fault_flow import word_comparisons  # noqa: PLC0415
    from donorfit.vehicle.fault_code import write_fault_code  # noqa: PLC0415

    def word(status: int | None) -> str:
        return "-" if status is None else f"0x{status:02X}"

    print_rows(
        ("what became of it", "unit", "code", "before", "after", "why"),
        [
            (
                each.verdict.value,
                each.unit,
                write_fault_code(each.code),
                word(each.status_before),
                word(each.status_after),
                each.explanation,
            )
            for each in rows
        ],
    )
    click.echo(word_comparisons(rows))


@faults_group.command("now")
@list_argument
@pack_option
@job_option
@click.option("--declared", "declared_path", type=_PATH, help="A declared survey of the car.")
@json_option
def now_command(
    list_path: Path,
    pack_path: Path | None,
    job_path: Path | None,
    declared_path: Path | None,
    *,
    as_json: bool,
) -> None:
    """Say which codes are no surprise now, and which are worth worrying about.

    Expected is what the plan of --job expects, or what the car of --declared explains by itself.
    """
    from donorfit.faults import count_concerns, judge_present  # noqa: PLC0415
    from donorfit.vehicle.fault_code import write_fault_code  # noqa: PLC0415

    basis = load_basis(pack_path, job_path)
    found, notes = read_list(list_path, basis)
    rows = judge_present(
        found.to_surveys(),
        basis.pack.faults if basis.pack is not None else (),
        active=_find_active(basis, declared_path),
        expected=basis.expected,
        settled=basis.settled,
        earlier=basis.surveyed,
    )
    if as_json:
        print_json("donorfit faults now 1", faults=rows, not_read=found.unread, notes=notes)
        return
    print_rows(
        ("what it comes to", "unit", "code", "status", "why"),
        [
            (
                each.concern.value,
                each.unit,
                write_fault_code(each.code),
                f"0x{each.status:02X}",
                ": ".join(part for part in (each.title, each.explanation) if part),
            )
            for each in rows
        ],
    )
    say_rubbish(list_path, found, notes)
    click.echo(count_concerns(rows))


def _find_active(basis: FaultBasis, declared_path: Path | None) -> "tuple[ActiveCause, ...]":
    """Causes that a declared car has at work: a unit fitted and not declared, or the reverse."""
    if declared_path is None:
        return ()
    if basis.pack is None:
        raise InputError(
            what="A declared survey needs its pack.",
            where="--declared",
            next_step="Give --pack PACK as well.",
        )
    from donorfit.edge.packs.survey_files import read_declared_survey  # noqa: PLC0415
    from donorfit.faults import Situation, find_causes  # noqa: PLC0415

    survey = read_declared_survey(declared_path, basis.pack)
    options, missing = frozenset(survey.options), frozenset(survey.not_fitted)
    of = {unit.id: unit.present_option for unit in basis.pack.units if unit.present_option}
    seen = frozenset(unit for unit, option in of.items() if option in survey.fitted)
    fitted = seen | {each.unit for each in survey.units}
    absent = frozenset(u for u, o in of.items() if o in options & missing and u not in fitted)
    undeclared = frozenset(u for u, o in of.items() if u in fitted and o not in options)
    now = Situation(options=options, fitted=fitted, absent=absent, silent=absent | undeclared)
    return find_causes(basis.pack, now)
