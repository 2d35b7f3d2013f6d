"""The one place that chooses real links, clock, journal and keys for a job."""

import asyncio
import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from donorfit.diagnostics.carrying import Carried
from donorfit.diagnostics.conversation import Answered, Download, Effect, Exchange
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.talk import NoteKind
from donorfit.diagnostics.uds import decode_read_answer, encode_read_request
from donorfit.edge.host.car_claims import CarClaims
from donorfit.edge.host.power import HostPower, read_host_power, require_lasting_power
from donorfit.edge.host.state_folder import find_state_folder
from donorfit.edge.host.watch import HostWatch
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.lock_outs import LastingLockOuts
from donorfit.edge.journal.work_notes import WorkNotes
from donorfit.edge.links.capture import CaptureFile
from donorfit.edge.links.places import Place, open_link
from donorfit.edge.packs.pack_reader import read_pack, read_software_image
from donorfit.errors import InputError, JournalError, LinkError, SafetyError
from donorfit.job.carrier import Carrier
from donorfit.job.host_notes import add_host_note
from donorfit.job.job import Job
from donorfit.job.line import CarrierNote
from donorfit.job.loop import Courier, Loop
from donorfit.job.ports import Clock, KeySource, LockOuts, PduLink
from donorfit.job.progress import Happening, Listener, Person, Progress
from donorfit.job.runner import CarAccess
from donorfit.job.session_watch import SessionWatch
from donorfit.records.host_note import HostNote
from donorfit.vehicle.control_unit import VIN_IDENTIFIER
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.software import SoftwareImage

OPEN_TIMEOUT_S = 6.0
FACT_PACK, FACT_DIGEST, FACT_VIN = "pack path", "pack digest", "vin"
FACT_CAPTURE = "capture path"
MOST_LOSSES = 10


def read_wall_clock() -> str:
    """Local time with offset, ISO 8601 to the second; for records, never for deadlines."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


class FastClock:
    """A clock whose waits are a hundredth as long, for a simulated car in fast mode."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    async def sleep(self, seconds: float) -> None:
        """Wait a hundredth of the time."""
        await self._clock.sleep(seconds / 100)


class CarConnection:
    """Connects to one car, and makes sure that it is the same each time.

    Attributes:
        vin: the car that it has to be; empty where any will do, until one has answered.
    """

    def __init__(
        self,
        *,
        place: Place,
        pack: Pack,
        keys: KeySource,
        clock: Clock,
        listener: Listener,
        lock_outs: LockOuts,
        claims: CarClaims,
        stop: Callable[[str], None],
        capture: CaptureFile | None = None,
    ) -> None:
        self._place = place
        self._pack = pack
        self._keys = keys
        self._clock = clock
        self._tell = listener
        self._lock_outs = lock_outs
        self._claims = claims
        self._stop = stop
        self._capture = capture
        self.vin = ""

    async def connect(self) -> Courier:
        """Open the link and check who answers.

        Raises:
            InputError: the pack cannot serve this kind of link, or an extra is missing.
            LinkError: nobody answers.
            PeerError: what answers is no DoIP entity.
            SafetyError: another car answers than before, or another program has it.
        """
        self._claim(name_claim(self._place))
        link = await open_link(self._place, self._pack.units, self._clock)
        if self._capture is not None:
            self._capture.follow(link)
        await link.open(self._clock.now() + OPEN_TIMEOUT_S)
        carrier = Carrier(
            link, self._clock, self._keys, lock_outs=self._lock_outs, on_note=self._pass_on
        )
        try:
            await self._check_same_car(carrier)
            if self.vin and not self._place.on_this_computer:
                self._claim(self.vin)
        except BaseException:
            await carrier.close()
            raise
        # A simulated car on this computer is not harmed by a laptop that goes out.
        read_power = HostPower if self._place.on_this_computer else read_host_power
        watch = HostWatch(tell=self._note, stop=self._stop, read_power=read_power)
        return WatchedCourier(carrier, watch, lambda: self._tell_losses(link))

    def _claim(self, car: str) -> None:
        self._claims.claim(car)
        while self._claims.notes:
            self._note(self._claims.notes.pop(0))

    def _tell_losses(self, link: PduLink) -> None:
        """Say which messages never arrived whole; every other loss shows as a missing answer."""
        broken: Sequence[tuple[int, str]] = getattr(link, "list_broken_messages", tuple)()
        for address, reason in broken[:MOST_LOSSES]:
            self._note(f"a message of unit 0x{address:04X} did not arrive whole: {reason}")
        if len(broken) > MOST_LOSSES:
            self._note(f"{len(broken) - MOST_LOSSES} more messages did not arrive whole")

    def _note(self, text: str) -> None:
        self._tell(Progress(happening=Happening.NOTE, what=text))

    async def _check_same_car(self, carrier: Carrier) -> None:
        keepers = self._pack.list_keepers()
        if not keepers:
            return
        outcome = await carrier.carry(
            Exchange(
                unit=keepers[0].id,
                address=keepers[0].address,
                pdu=encode_read_request(VIN_IDENTIFIER),
                effect=Effect.READING,
                what="read VIN",
            )
        )
        if not isinstance(outcome, Answered):
            if carrier.lost is not None:
                raise LinkError(
                    what="The connection was lost again at once.",
                    where=self._place.name,
                    why=carrier.lost,
                    next_step="Check cable, ignition and supply.",
                )
            return
        try:
            vin = decode_read_answer(outcome.pdu, VIN_IDENTIFIER).decode("latin-1").rstrip("\0 ")
        except MalformedError:
            return
        if self.vin and vin != self.vin:
            raise SafetyError(
                what=f"Another car answers: {vin}.",
                where=self._place.name,
                why=f"This job is about {self.vin}.",
                next_step="Connect to the right car.",
            )
        self.vin = vin

    def _pass_on(self, note: CarrierNote) -> None:
        happening = _HAPPENINGS.get(note.kind)
        if happening is None:
            return
        self._tell(
            Progress(
                happening=happening,
                unit=note.unit,
                what=note.text,
                fraction=note.done / note.total if note.total else None,
                bytes_per_s=note.bytes_per_s,
                left_s=note.left_s,
                done_bytes=note.done,
                total_bytes=note.total,
            )
        )


# Sessions, fences and repeated readings are the carrier's own business; the loop tells outcomes.
_HAPPENINGS = {
    NoteKind.BUSY: Happening.BUSY,
    NoteKind.RESPONSE_PENDING: Happening.PENDING,
    NoteKind.PROGRESS: Happening.BYTES,
    NoteKind.SECURITY_WAIT: Happening.NOTE,
    NoteKind.LOCKED_OUT: Happening.NOTE,
    NoteKind.DOWNLOAD_FAILED: Happening.NOTE,
    NoteKind.BEGUN_AGAIN: Happening.NOTE,
    NoteKind.SUPPLY: Happening.NOTE,
}


class WatchedCourier:
    """A carrier, and a watch on this computer for as long as it is open."""

    def __init__(
        self, carrier: Carrier, watch: HostWatch, on_close: Callable[[], None] = lambda: None
    ) -> None:
        self._carrier = carrier
        self._on_close = on_close
        self._watching = asyncio.get_running_loop().create_task(watch.run())

    @property
    def lost(self) -> str | None:
        """Why the link is lost; None while it is there."""
        return self._carrier.lost

    async def carry(self, ask: Exchange | Download) -> Carried:
        """Carry one ask to the car."""
        return await self._carrier.carry(ask)

    async def close(self) -> None:
        """End the watch and close the connection; twice is harmless."""
        if self._watching.cancel():
            self._on_close()
        await self._carrier.close()


class Interrupts:
    """Turns the first Ctrl+C into a wish to stop at the next safe point."""

    def __init__(self) -> None:
        self._loop: Loop | None = None

    def watch(self, loop: Loop) -> None:
        """Remember the running loop."""
        self._loop = loop

    def __call__(self, *_: object) -> None:
        """Ask the loop to stop; a second time, stop at once."""
        if self._loop is None or self._loop.stop_asked:
            raise KeyboardInterrupt
        self._loop.stop_asked = True
        sys.stderr.write(
            "\nStopping where the car works: what was begun is ended first, also downloads that "
            "belong together, with their restarts. Press again to stop at once.\n"
        )

    def ask_to_stop(self, why: str) -> None:
        """Ask the loop to stop for a reason of our own."""
        if self._loop is not None and not self._loop.stop_asked:
            self._loop.stop_why = why
            self._loop.stop_asked = True


def connect_car(
    *,
    store: JobFile,
    place: Place,
    pack: Pack,
    vin: str,
    keys: KeySource,
    person: Person,
    listener: Listener,
    interrupts: Interrupts,
    clock: Clock,
    claims: CarClaims,
    notes: WorkNotes,
    capture: CaptureFile | None = None,
    fast: bool = False,
    reconnects: int = 3,
) -> CarAccess:
    """How to reach a car; ``vin`` is the car it has to be, empty where any will do."""
    session = SessionWatch(
        listener=listener, read_clock=clock.now, now=read_wall_clock, notes=notes
    )
    connection = CarConnection(
        place=place,
        pack=pack,
        keys=keys,
        clock=clock,
        listener=session,
        lock_outs=LastingLockOuts(store),
        claims=claims,
        stop=interrupts.ask_to_stop,
        capture=capture,
    )
    connection.vin = vin
    return CarAccess(
        connection=connection,
        person=person,
        listener=session,
        sleep=FastClock(clock).sleep if fast else clock.sleep,
        reconnects=reconnects,
        watch=interrupts.watch,
        session=session,
    )


def make_claims(job: Path) -> CarClaims:
    """The claims of a job on cars, which other programs of this computer see."""
    return CarClaims(find_state_folder(), job=job, now=read_wall_clock)


def name_claim(place: Place) -> str:
    """What a place is called among the claims, however it was typed."""
    return place.name.replace("localhost", "127.0.0.1")


def record_host_power(store: JobFile, place: Place, person: Person) -> None:
    """Make sure that this computer lasts, before anything is written; keep how that is known.

    A simulated car on this computer cannot be harmed, so nothing is asked about it.

    Raises:
        SafetyError: this computer may go out before the end.
        StoppedError: only a person can say, and nobody is there.
    """
    if place.on_this_computer:
        how = "not asked: the car is simulated on this computer"
    else:
        how = require_lasting_power(read_host_power(), person)
    add_host_note(store, HostNote(at=read_wall_clock(), words=how))


def open_store(path: Path, *, create: bool) -> JobFile:
    """Open the job file, or make it where it is missing and ``create`` says so.

    Raises:
        JournalError: it cannot be used; where another program is at work on it, which one.
    """
    try:
        if create and not path.exists():
            return JobFile.create(path, read_wall_clock)
        return JobFile.open(path, read_wall_clock)
    except JournalError as error:
        holder = make_claims(path).find_job_holder()
        if holder is not None:
            error.why += (
                f"; process {holder.process} is at work on it since {holder.since}, "
                f"with the car {holder.car}"
            )
        raise


def choose_pack(store: JobFile, given: Path | None) -> Pack:
    """The job's pack: the one given first, and from then on the same bytes.

    Raises:
        InputError: no pack is known, or it cannot be read.
        JournalError: the pack is not the one that the job was begun with.
    """
    known = store.read_fact(FACT_PACK)
    path = given or (Path(known) if known else None)
    if path is None:
        raise InputError(
            what="This job has no pack yet.",
            where=str(store.path),
            next_step="Name the car family's pack with --pack PATH.",
        )
    pack = read_pack(path)
    digest = store.read_fact(FACT_DIGEST)
    if digest and digest != pack.digest:
        raise JournalError(
            what="The pack is not the one that this job was begun with.",
            where=str(path),
            why=f"digest {pack.digest[:12]} instead of {digest[:12]}",
            next_step="Use the pack as it was, or begin a new job.",
        )
    if not digest:
        store.set_fact(FACT_PACK, str(path.resolve()))
        store.set_fact(FACT_DIGEST, pack.digest)
    return pack


def load_software(store: JobFile, pack: Pack, file: str) -> SoftwareImage:
    """What one software file of the job's pack holds.

    Raises:
        InputError: the pack has no such file, or it cannot be read.
    """
    blocks = [block for unit in pack.units for block in unit.software_blocks if block.file == file]
    if not blocks:
        raise InputError(
            what=f"The pack has no software file {file!r}.",
            where=store.read_fact(FACT_PACK),
            next_step="Use the pack that the plan was made with.",
        )
    return read_software_image(Path(store.read_fact(FACT_PACK)), blocks[0])


def make_job(store: JobFile, pack: Pack, car: CarAccess | None = None) -> Job:
    """One job on its file, with or without a car."""
    return Job(pack=pack, store=store, now=read_wall_clock, car=car)


def run_async(coroutine: Any) -> Any:
    """Run a stage to its end."""
    return asyncio.run(coroutine)
