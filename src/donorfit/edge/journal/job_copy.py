"""Looking at a job file while another program works on it, without a lock that it could meet.

The file and the log beside it are read as plain bytes, and the copy is opened instead. SQLite's
own rules make such a copy whole (https://sqlite.org/fileformat2.html#walformat): what is
committed stands in the log until the log is begun anew, pages that are being taken over from it
into the file are still in it, and an entry that is only half there fails its checksum. A log that
was begun anew shows by its salts, and then the bytes are read once more.

The system drops a process's locks on a file when it closes any of its handles to it: a program
must not look this way at a job file that it has open itself.
"""

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from donorfit.edge.journal.job_file import LOG_SUFFIX, JobFile, check_is_job_file
from donorfit.errors import JournalError

_LOG_HEAD_BYTES = 32
_TRIES = 40
_PAUSE_S = 0.025


@contextmanager
def open_copy(path: Path, now: Callable[[], str]) -> Iterator[JobFile]:
    """A copy of a job file as it stands at this moment; nothing of the file itself is touched.

    It serves beside a program at work, on a folder that may only be read, and after a crash.

    Raises:
        JournalError: the file is missing, damaged, not a job file, empty, or of a newer donorfit;
            or there is no room for a copy.
    """
    content, log = _read_whole(path)
    with _make_folder(path) as folder:
        copy = folder / "copy.donorfit"
        _write(copy, content, path)
        if log:
            _write(copy.with_name(copy.name + LOG_SUFFIX), log, path)
        try:
            job = JobFile.open(copy, now)
        except JournalError as error:
            error.where = str(path)
            raise
        job.path = path
        with job:
            yield job


def _read_whole(path: Path) -> tuple[bytes, bytes]:
    """The bytes of file and log that belong together."""
    log_path = Path(f"{path}{LOG_SUFFIX}")  # a folder such as "." has no name to add to
    content = b""
    for _ in range(_TRIES):
        before = _read_log(log_path, _LOG_HEAD_BYTES)
        check_is_job_file(path, may_be_empty=True)
        content = path.read_bytes()
        log = _read_log(log_path)
        after = _read_log(log_path, _LOG_HEAD_BYTES)
        same = before == log[:_LOG_HEAD_BYTES] == after
        if content and same and (log or path.read_bytes() == content):
            return content, log
        time.sleep(_PAUSE_S)
    raise JournalError(
        what="The job file cannot be looked at just now."
        if content
        else "There is nothing in the job file.",
        where=str(path),
        why="It changes faster than it can be read."
        if content
        else "It is being made at this moment, or that was cut short, or it is no job file.",
        next_step="Look again; if it stays empty, remove it and begin with: donorfit survey JOB",
    )


def _read_log(path: Path, most: int = -1) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(most)
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise JournalError(
            what="The log beside the job file cannot be read.",
            where=str(path),
            why=error.strerror or str(error),
            next_step="Make it readable: the newest entries stand in it.",
        ) from error


@contextmanager
def _make_folder(path: Path) -> Iterator[Path]:
    try:
        folder = tempfile.TemporaryDirectory(prefix="donorfit-", ignore_cleanup_errors=True)
    except OSError as error:
        raise _explain_no_room(error, path) from error
    with folder as name:
        yield Path(name)


def _write(copy: Path, content: bytes, path: Path) -> None:
    try:
        copy.write_bytes(content)
    except OSError as error:
        raise _explain_no_room(error, path) from error


def _explain_no_room(error: OSError, path: Path) -> JournalError:
    return JournalError(
        what="There is no room to look at a copy of the job file.",
        where=str(path),
        why=f"{tempfile.gettempdir()}: {error.strerror or error}",
        next_step="Free some space, or name another folder in the variable TMPDIR.",
    )
