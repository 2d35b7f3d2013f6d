"""What the commands of one job share: options, opening the job, reaching the car, printing."""

import json
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from donorfit.assemble import (
    FACT_CAPTURE,
    FACT_VIN,
    Interrupts,
    choose_pack,
    connect_car,
    make_claims,
    make_job,
    name_claim,
    open_store,
    read_wall_clock,
    record_host_power,
)
from donorfit.cli.car_target import Target, choose_target, search_options
from donorfit.cli.columns import count
from donorfit.cli.number_types import WholeRange
from donorfit.cli.person import TerminalPerson, parse_answers
from donorfit.cli.progress_lines import ProgressLines
from donorfit.cli.wording import to_json
from donorfit.edge.clock import RealClock
from donorfit.edge.host.awake import stay_awake
from donorfit.edge.host.car_claims import CarClaims
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.unused import take_away_if_unused
from donorfit.edge.journal.work_notes import WorkNotes
from donorfit.edge.key_files import load_keys
from donorfit.edge.links.capture import CaptureFile
from donorfit.edge.links.places import Place
from donorfit.errors import InputError
from donorfit.job.host_notes import add_host_note
from donorfit.job.job import Job
from donorfit.job.runner import CarAccess
from donorfit.records.host_note import HostNote
from donorfit.vehicle.pack import Pack

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
            "--car",
            "address",
            metavar="HOST:PORT|VIN|find",
            help="The car's DoIP entity; or a VIN, or the word find, to look for it first.",
        ),
        click.option(
            "--can",
            "bus",
            metavar="INTERFACE:CHANNEL[@BITRATE]",
            help="The CAN bus that the car is on, such as socketcan:can0@500000.",
        ),
        *search_options(),
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
            type=WholeRange(0, 20),
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
            help="Write every frame into this pcapng file; one of ours is added to.",
        ),
        click.option("--quiet", "-q", is_flag=True, help="No progress."),
    )
    for option in reversed(options):
        command = option(command)
    return command


@dataclass(frozen=True, slots=True, kw_only=True)
class CarOptions:
    """Values of :func:`car_options`."""

    address: str | None
    bus: str | None
    asked: tuple[str, ...]
    networks: tuple[str, ...]
    wait_s: float
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
    writes: bool | Callable[[JobFile], bool] = False,
) -> Iterator[tuple[Job, JobFile]]:
    """Open a job, with a car where one is given; close everything at the end.

    ``any_car`` drops the check that the car is the job's own: for a module on the bench.
    ``writes`` says that the command is on its way to changes, so this computer has to last; or
    tells that from the job file.
    """
    known_answers = parse_answers(car.answers) if car else {}
    if create and not job_path.exists() and pack_path is None:
        raise InputError(
            what="A new job needs a pack.",
            where=str(job_path),
            next_step="Name the car family's pack with --pack PATH.",
        )
    is_new = create and not job_path.exists()
    person = TerminalPerson(known_answers, may_ask=not (car and car.no_input))
    with ExitStack() as opened:
        opened.callback(_tell_unasked, person)
        claims = make_claims(job_path)
        opened.callback(claims.release)
        target = None
        if car is not None and is_new:
            # Nothing is made for a car that cannot be had.
            target = choose_target(car, person)
            claims.claim(name_claim(target.place))
        store = opened.enter_context(open_store(job_path, create=create))
        if is_new:
            opened.enter_context(take_away_if_unused(store))
        pack = choose_pack(store, pack_path)
        if car is None:
            yield make_job(store, pack), store
            return
        target = target or choose_target(car, person)
        if writes(store) if callable(writes) else writes:
            record_host_power(store, target.place, person)
        reached = _reach_car(car, target, store, pack, person, claims=claims, any_car=any_car)
        yield make_job(store, pack, opened.enter_context(reached)), store


def _tell_unasked(person: TerminalPerson) -> None:
    """Nothing that was typed is dropped without a word."""
    for question in person.list_unasked():
        click.echo(f"  ! {question} was not asked, so its --answer was not used", err=True)


@contextmanager
def _reach_car(
    car: CarOptions,
    target: Target,
    store: JobFile,
    pack: Pack,
    person: TerminalPerson,
    *,
    claims: CarClaims,
    any_car: bool,
) -> Iterator[CarAccess]:
    """The way to the car, with progress, capture, claims and Ctrl+C while it is open."""
    lines = ProgressLines(quiet=car.quiet)
    interrupts = Interrupts()
    clock = RealClock()
    capture = CaptureFile(car.capture_path, clock) if car.capture_path else None
    if car.capture_path is not None:
        store.set_fact(FACT_CAPTURE, str(car.capture_path.resolve()))
    for note in capture.notes if capture else ():
        click.echo(f"  ! {note}", err=True)
    notes = WorkNotes(store)
    access = connect_car(
        clock=clock,
        capture=capture,
        store=store,
        place=target.place,
        pack=pack,
        vin="" if any_car else store.read_fact(FACT_VIN) or target.vin,
        keys=load_keys(car.keys_path),
        person=person,
        listener=lines,
        interrupts=interrupts,
        claims=claims,
        notes=notes,
        fast=car.fast,
        reconnects=car.reconnects,
    )
    before = signal.signal(signal.SIGINT, interrupts)
    try:
        with _stay_awake(target.place, store):
            yield access
    finally:
        notes.end()
        signal.signal(signal.SIGINT, before)
        lines.finish()
        if capture is not None:
            _finish_capture(capture)


@contextmanager
def _stay_awake(place: Place, store: JobFile) -> Iterator[None]:
    """Keep this computer awake, where what answers is a car and not a program on it."""
    if place.on_this_computer:
        yield
        return
    with stay_awake() as why:
        if why:
            click.echo(f"  ! this computer cannot be kept awake: {why}", err=True)
            click.echo("  ! switch its sleep off in the system's settings", err=True)
            words = f"it could not be kept awake: {why}"
            add_host_note(store, HostNote(at=read_wall_clock(), words=words))
        yield


def _finish_capture(capture: CaptureFile) -> None:
    capture.close()
    if capture.left_out:
        why = capture.failed or "the section is full"
        click.echo(f"  ! {count(capture.left_out, 'frame')} not captured: {why}", err=True)


def show(record: object, lines: Sequence[str], *, as_json: bool) -> None:
    """Print a record's lines, or its JSON object."""
    if as_json:
        click.echo(json.dumps(to_json(record), indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(lines))
