"""The one place that chooses real links, clock, journal and keys for a job."""

import asyncio
import importlib.util
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

from donorfit.diagnostics.conversation import Answered, Effect, Exchange
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.talk import NoteKind
from donorfit.diagnostics.uds import decode_read_answer, encode_read_request
from donorfit.edge.journal.job_file import JobFile
from donorfit.edge.journal.lock_outs import LastingLockOuts
from donorfit.edge.links.capture import CaptureFile
from donorfit.edge.links.doip import DoipLink
from donorfit.edge.packs.pack_reader import read_pack, read_software_image
from donorfit.errors import InputError, JournalError, LinkError, SafetyError
from donorfit.job.carrier import Carrier
from donorfit.job.job import Job
from donorfit.job.line import CarrierNote
from donorfit.job.loop import Courier, Loop
from donorfit.job.ports import Clock, KeySource, LockOuts
from donorfit.job.progress import Happening, Listener, Person, Progress
from donorfit.job.runner import CarAccess
from donorfit.vehicle.control_unit import VIN_IDENTIFIER
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

OPEN_TIMEOUT_S = 6.0
FACT_PACK, FACT_DIGEST, FACT_VIN = "pack path", "pack digest", "vin"


from donorfit.vehicle.software import SoftwareImage
def read_wall_clock() -> str:
    """Local time with offset, ISO 8601 to the second; for records, never for deadlines."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def split_host_port(text: str) -> tuple[str, int]:
    """Read ``HOST:PORT``; the port may be left out (13400, ISO 13400-2).

    Raises:
        InputError: another form.
    """
    host, separator, port = text.rpartition(":")
    if not separator:
        return text, 13400
    if not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 1 << 16:
        raise InputError(
            what=f"{text!r} is no address of a car.",
            where="--car",
            why="It is written HOST:PORT, the port from 1 to 65535.",
            next_step="For example: --car 127.0.0.1:13400",
        )
    return host.strip("[]"), int(port)


class NoKeys:
    """No source of keys: units that ask for one cannot be opened."""

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        """Have no key."""
        del unit, level, seed
        return None


def load_keys(path: Path | None) -> KeySource:
    """Load the user's own key source: a Python file with ``compute_key(unit, level, seed)``.

    Raises:
        InputError: the file is missing, cannot be run, or has no such function.
    """
    if path is None:
        return NoKeys()
    why = ""
    module: Any = None
    try:
        spec = importlib.util.spec_from_file_location("donorfit_user_keys", path)
        if spec is not None and spec.loader is not None:
            module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:  # noqa: BLE001 - whatever the user's file does
        why = f"{type(error).__name__}: {error}"
    if not callable(getattr(module, "compute_key", None)):
        raise InputError(
            what="The key source cannot be used.",
            where=str(path),
            why=why or "It has no function compute_key(unit, level, seed).",
            next_step="See docs/keys.md for the few lines that it needs.",
        )
    return _FileKeys(module)


class _FileKeys:
    def __init__(self, module: Any) -> None:
        self._module = module

    def compute_key(self, unit: UnitId, level: int, seed: bytes) -> bytes | None:
        """Ask the user's function; anything but bytes counts as no key."""
        key = self._module.compute_key(str(unit), level, seed)
        return bytes(key) if isinstance(key, bytes | bytearray) else None


class FastClock:
    """A clock whose waits are a hundredth as long, for a simulated car in fast mode."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    async def sleep(self, seconds: float) -> None:
        """Wait a hundredth of the time."""
        await self._clock.sleep(seconds / 100)


class DoipConnection:
    """Connects to one DoIP entity, and makes sure that it is the same car each time."""

    def __init__(
        self,
        *,
        address: str,
        pack: Pack,
        keys: KeySource,
        clock: Clock,
        listener: Listener,
        lock_outs: LockOuts,
        capture: CaptureFile | None = None,
    ) -> None:
        self._address = address
        self._host, self._port = split_host_port(address)
        self._pack = pack
        self._keys = keys
        self._clock = clock
        self._tell = listener
        self._lock_outs = lock_outs
        self._capture = capture
        self.vin = ""

    async def connect(self) -> Courier:
        """Open the link and check who answers.

        Raises:
            LinkError: nobody answers.
            PeerError: what answers is no DoIP entity.
            SafetyError: another car answers than before.
        """
        link = DoipLink(self._host, self._clock, port=self._port)
        if self._capture is not None:
            link.trace(self._capture.take)
        await link.open(self._clock.now() + OPEN_TIMEOUT_S)
        carrier = Carrier(
            link, self._clock, self._keys, lock_outs=self._lock_outs, on_note=self._pass_on
        )
        try:
            await self._check_same_car(carrier)
        except BaseException:
            await carrier.close()
            raise
        return carrier

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
                    where=self._address,
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
                where=self._address,
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
}


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
        sys.stderr.write("\nStopping before the next change. Press again to stop at once.\n")


def connect_car(
    *,
    store: JobFile,
    address: str,
    pack: Pack,
    vin: str,
    keys: KeySource,
    person: Person,
    listener: Listener,
    interrupts: Interrupts,
    clock: Clock,
    capture: CaptureFile | None = None,
    fast: bool = False,
    reconnects: int = 3,
) -> CarAccess:
    """How to reach a car over DoIP; ``vin`` is the car it has to be, empty where any will do."""
    connection = DoipConnection(
        address=address,
        pack=pack,
        keys=keys,
        clock=clock,
        listener=listener,
        lock_outs=LastingLockOuts(store),
        capture=capture,
    )
    connection.vin = vin
    return CarAccess(
        connection=connection,
        person=person,
        listener=listener,
        sleep=FastClock(clock).sleep if fast else clock.sleep,
        reconnects=reconnects,
        watch=interrupts.watch,
    )


def open_store(path: Path, *, create: bool) -> JobFile:
    """Open the job file, or make it where it is missing and ``create`` says so."""
    if create and not path.exists():
        return JobFile.create(path, read_wall_clock)
    return JobFile.open(path, read_wall_clock)


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
