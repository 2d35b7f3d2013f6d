"""Run one conversation as one run of the job file."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.conversation import Strand
from donorfit.job.loop import Connection, Loop
from donorfit.job.progress import Listener, Person
from donorfit.job.session_watch import SessionWatch
from donorfit.job.store import JobRun, JobStore


@dataclass(frozen=True, slots=True, kw_only=True)
class CarAccess:
    """How to reach the car and the person beside it.

    Attributes:
        connection: makes couriers on the car.
        person: answers questions.
        listener: takes progress.
        sleep: waits, in real or in other time.
        reconnects: how many lost links one run bears before it stops.
        watch: is given the loop before it starts, so that a shell can ask it to stop.
        session: is told where a stage begins, and says how far it is; it has to be the listener
            then. None where nobody wants to know.
    """

    connection: Connection
    person: Person
    listener: Listener
    sleep: Callable[[float], Awaitable[None]]
    reconnects: int = 3
    watch: Callable[[Loop], None] | None = None
    session: SessionWatch | None = None


async def run_stage(
    store: JobStore,
    car: CarAccess,
    stage: str,
    context: str,
    strand: Strand,
    *,
    keep: Callable[[Any, frozenset[str]], None] | None = None,
) -> Any:
    """Drive a conversation to its result, beginning a run or taking up an unfinished one.

    Args:
        store: the job file.
        car: how to reach the car.
        stage: name of the stage.
        context: what the run is about; an unfinished one of the same context is taken up.
        strand: the conversation.
        keep: writes the result down, and is told the strands in which something was asked that
            may have changed the car, in this part of the run or in one that was cut. The run ends
            after it, so that a program that ends in between takes the run up again instead of
            losing its result.

    Raises:
        DonorfitError: the job cannot go on; the run stays open and can be resumed.
    """
    run = store.begin_run(stage, context)
    loop = Loop(
        journal=run,
        connection=car.connection,
        person=car.person,
        listener=car.listener,
        sleep=car.sleep,
        reconnects=car.reconnects,
    )
    if car.watch is not None:
        car.watch(loop)
    result = await loop.run(stage, strand)
    if keep is not None:
        keep(result, _list_binding_strands(run))
    run.end()
    return result


def _list_binding_strands(run: JobRun) -> frozenset[str]:
    asked = run.read_past()
    return frozenset(name for name, asks in asked.items() if any(ask.binding for ask in asks))
