"""A job file that was made for a command which then could not begin is taken away again."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import JournalError


def is_unused(store: JobFile) -> bool:
    """Whether nothing was found out for this job yet: no record, and no answer in any run."""
    return not store.list_records() and not any(
        ask.outcome is not None
        for run in store.list_runs()
        for asks in store.read_run(run.run).values()
        for ask in asks
    )


@contextmanager
def take_away_if_unused(store: JobFile) -> Iterator[None]:
    """Where what happens inside fails with nothing found out, close the file and take it away.

    Only for a file that was made for this; one that was there before is somebody's.
    """
    try:
        yield
    except BaseException:
        try:
            unused = is_unused(store)
        except JournalError:
            unused = False
        if unused:
            store.close()
            for ending in ("", "-wal", "-shm"):
                Path(f"{store.path}{ending}").unlink(missing_ok=True)
        raise
