"""What the commands of one job share: options, opening the job, reaching the car, printing."""

import json
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from donorfit.assemble import (
    FACT_VIN,
    Interrupts,
    choose_pack,
    connect_car,
    load_keys,
    make_job,
    open_store,
)
from donorfit.cli.person import TerminalPerson, parse_answers
from donorfit.cli.progress_lines import ProgressLines
from donorfit.cli.wording import to_json
from donorfit.edge.clock import RealClock
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.links.capture import CaptureFile
from donorfit.errors import InputError
from donorfit.job.job import Job

F = TypeVar("F", bound=Callable[..., Any])

job_argument = click.argument("job_path", metavar="JOB", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
pack_option = click.option(
    "--pack",
    "pack_path",
    type=click.Path(path_type=Path),
    help="Pack of the car family: a folder or a zip. Needed once, then known to the job.",
)


def car_options(command: F) -> F:
    """Options of every command that talks to a car."""
    options = (
        click.option(
            "--car", "address", required=True, metavar="HOST:PORT", help="The car's DoIP entity."
        ),
        click.option(
            "--keys",
            "keys_path",
            type=click.Path(path_type=Path),
            help="Your own licensed key source: a Python file (docs/keys.md).",
        ),
        click.option(
            "--answer",
            "answers",
            multiple=True,
            metavar="ID=CHOICE",
            help="Answer a question beforehand; an id may end in *.",
        ),
        click.option("--no-input", is_flag=True, help="Never ask; stop where a question is open."),
        click.option(
            "--reconnects",
            type=click.IntRange(0, 20),
            default=3,
            show_default=True,
            help="How many lost connections to bear before stopping.",
        ),
        click.option(
            "--fast", is_flag=True, help="Shorten waits: only for a simulated car in fast mode."
        ),
        click.option(
            "--capture",
            "capture_path",
            type=click.Path(path_type=Path, dir_okay=False),
            help="Write every frame into this pcapng file, for a packet analyser.",
        ),
        click.option("--quiet", "-q", is_flag=True, help="No progress."),
    )
    for option in reversed(options):
        command = option(command)
    return command


@dataclass(frozen=True, slots=True, kw_only=True)
class CarOptions:
    """Values of :func:`car_options`."""

    address: str
    keys_path: Path | None
    answers: tuple[str, ...]
    no_input: bool
    reconnects: int
    fast: bool
    quiet: bool
    capture_path: Path | None


@contextmanager
def open_job(
    job_path: Path,
    pack_path: Path | None = None,
    *,
    create: bool = False,
    car: CarOptions | None = None,
    any_car: bool = False,
) -> Iterator[tuple[Job, JobFile]]:
    """Open a job, with a car where one is given; close everything at the end.

    ``any_car`` drops the check that the car is the job's own: for a module on the bench.
    """
    known_answers = parse_answers(car.answers) if car else {}
    if create and not job_path.exists() and pack_path is None:
        raise InputError(
            what="A new job needs a pack.",
            where=str(job_path),
            next_step="Name the car family's pack with --pack PATH.",
        )
    with open_store(job_path, create=create) as store:
        pack = choose_pack(store, pack_path)
        if car is None:
            yield make_job(store, pack), store
            return
        lines = ProgressLines(quiet=car.quiet)
        interrupts = Interrupts()
        clock = RealClock()
        capture = CaptureFile(car.capture_path, clock) if car.capture_path else None
        access = connect_car(
            clock=clock,
            capture=capture,
            store=store,
            address=car.address,
            pack=pack,
            vin="" if any_car else store.read_fact(FACT_VIN),
            keys=load_keys(car.keys_path),
            person=TerminalPerson(known_answers, may_ask=not car.no_input),
            listener=lines,
            interrupts=interrupts,
            fast=car.fast,
            reconnects=car.reconnects,
        )
        before = signal.signal(signal.SIGINT, interrupts)
        try:
            yield make_job(store, pack, access), store
        finally:
            signal.signal(signal.SIGINT, before)
            lines.finish()
            if capture is not None:
                _finish_capture(capture)


def _finish_capture(capture: CaptureFile) -> None:
    capture.close()
    if capture.left_out:
        why = capture.failed or "the file is full"
        click.echo(f"  ! {capture.left_out} frames not captured: {why}", err=True)


def show(record: object, lines: Sequence[str], *, as_json: bool) -> None:
    """Print a record's lines, or its JSON object."""
    if as_json:
        click.echo(json.dumps(to_json(record), indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(lines))
