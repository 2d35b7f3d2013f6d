"""Notes about this computer's power, kept as one fact of the job file."""

import json

from donorfit.job.store import JobStore
from donorfit.records.host_note import HostNote

FACT_HOST_POWER = "host power"
MOST_NOTES = 50


def read_host_notes(store: JobStore) -> tuple[HostNote, ...]:
    """All notes, oldest first."""
    return tuple(
        HostNote(at=str(each.get("at", "")), words=str(each.get("power", "")))
        for each in json.loads(store.read_fact(FACT_HOST_POWER) or "[]")
    )


def list_changes(store: JobStore) -> tuple[HostNote, ...]:
    """Notes that say something else than the one before them, oldest first."""
    notes = read_host_notes(store)
    return tuple(
        each
        for before, each in zip((None, *notes), notes, strict=False)
        if before is None or before.words != each.words
    )


def add_host_note(store: JobStore, note: HostNote) -> None:
    """Keep one more note; of very many the oldest go."""
    kept = [*read_host_notes(store), note][-MOST_NOTES:]
    plain = [{"at": each.at, "power": each.words} for each in kept]
    store.set_fact(FACT_HOST_POWER, json.dumps(plain))
