"""What the commands on fault codes share: lists read, what is known beside them, rubbish said."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.cli.answers import print_text
from donorfit.cli.columns import clean, count
from donorfit.errors import InputError, Mistake

if TYPE_CHECKING:
    from donorfit.faults import WrittenList
    from donorfit.records.finding import Finding
    from donorfit.records.plan import ExpectedFault
    from donorfit.records.survey import UnitSurvey
    from donorfit.vehicle.pack import Pack

_PATH = click.Path(path_type=Path)
_SHOWN_UNREAD = 40
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
pack_option = click.option("--pack", "pack_path", type=_PATH, help="The car family's pack.")
job_option = click.option(
    "--job", "job_path", type=_PATH, help="A job: its pack, survey and plan."
)
list_argument = click.argument("list_path", type=_PATH, metavar="LIST")


@dataclass(frozen=True, slots=True)
class FaultBasis:
    """What is known beside the list itself."""

    pack: "Pack | None"
    expected: "tuple[ExpectedFault, ...]" = ()
    settled: "tuple[ExpectedFault, ...]" = ()
    surveyed: "tuple[UnitSurvey, ...]" = ()


def load_basis(pack_path: Path | None, job_path: Path | None) -> FaultBasis:
    """What is known from a pack, or from a job with its pack."""
    if job_path is None:
        if pack_path is None:
            return FaultBasis(None)
        from donorfit.edge.packs.pack_reader import read_pack  # noqa: PLC0415 - slow to load

        return FaultBasis(read_pack(pack_path))
    from donorfit.cli.session import open_job  # noqa: PLC0415 - slow to load
    from donorfit.job.job import CHANGE, PLAN, SURVEY  # noqa: PLC0415
    from donorfit.records.change_record import ChangeRecord  # noqa: PLC0415
    from donorfit.records.plan import FaultPhase, Plan  # noqa: PLC0415
    from donorfit.records.survey import Survey  # noqa: PLC0415

    with open_job(job_path, pack_path) as (job, _):
        plan, survey = job.find(PLAN, Plan), job.find(SURVEY, Survey)
        change = job.find(CHANGE, ChangeRecord)
        expected = plan.expected_faults if plan is not None else ()
        done = change is not None and change.finished
        return FaultBasis(
            job.pack,
            expected,
            tuple(each for each in expected if done and each.phase is FaultPhase.GONE_AFTER),
            survey.units if survey is not None else (),
        )


def read_list(
    path: Path, basis: FaultBasis, *, may_be_empty: bool = False
) -> "tuple[WrittenList, tuple[str, ...]]":
    """Read a list; codes without a unit get the one unit that knows them.

    Raises:
        InputError: nothing in it can be used, so that no answer could rest on it; or it is empty
            and does not say so.
    """
    from donorfit.edge.packs.rule_files import read_text  # noqa: PLC0415 - slow to load
    from donorfit.faults import place_codes, read_written_list  # noqa: PLC0415

    text = read_text(path)
    found = read_written_list(text)
    if not found.faults and found.unread:
        raise _refuse_rubbish(path, found)
    if not found.faults and not (may_be_empty and text.strip()):
        none = "; where a car has no codes, write '# none' or []" if may_be_empty else ""
        raise InputError(
            what="There is no fault code in the list.",
            where=str(path),
            next_step=f"Give one code a line, such as: gateway U1123-00 0x2F{none}",
        )
    return place_codes(found, basis.pack.faults if basis.pack is not None else ())


def _refuse_rubbish(path: Path, found: "WrittenList") -> InputError:
    shown = [
        Mistake(
            file=str(path),
            line=each.line,
            what=each.why + (f" ({clean(each.text)})" if each.text else ""),
            next_step="mend this entry",
        )
        for each in found.unread[:_SHOWN_UNREAD]
    ]
    more = len(found.unread) - len(shown)
    return InputError(
        what=f"Nothing in the list can be used; it was read as {found.form}.",
        where=str(path),
        why=f"{count(len(found.unread), 'entry', 'entries')} could not be read"
        + (f", the first {len(shown)} are shown" if more else ""),
        mistakes=shown,
        next_step="Give one code a line, such as: gateway U1123-00 0x2F",
    )


def say_rubbish(path: Path, found: "WrittenList", notes: Iterable[str]) -> None:
    """Say what was not understood, with its line."""
    for each in found.unread[:_SHOWN_UNREAD]:
        quoted = f" ({each.text})" if each.text else ""
        print_text(f"{each.why}{quoted}", first=f"  ! {path}:{each.line}: ")
    if len(found.unread) > _SHOWN_UNREAD:
        click.echo(f"  ! and {len(found.unread) - _SHOWN_UNREAD} more; --json lists them all")
    for note in (*found.notes, *notes):
        print_text(note, first=f"  {path}: ")
    if found.unread:
        entries = count(len(found.faults) + len(found.unread), "entry", "entries")
        click.echo(f"{path}: {len(found.unread)} of {entries} could not be used.")


def say_doubts(doubts: "Iterable[Finding]") -> None:
    """Say doubled entries and unknown codes."""
    for each in doubts:
        print_text(f"{each.what} {'; '.join(each.evidence)}", first=f"  {each.where}: ")


def find_doubts(found: "WrittenList", basis: FaultBasis) -> "tuple[Finding, ...]":
    """Doubled entries; and where there is a pack, codes that it does not know."""
    from donorfit.faults import list_fault_doubts  # noqa: PLC0415

    doubts = list_fault_doubts(found.to_surveys(), basis.pack.faults if basis.pack else ())
    return tuple(each for each in doubts if basis.pack or each.id != "fault-unknown")
