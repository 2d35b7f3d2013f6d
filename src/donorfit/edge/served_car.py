"""A simulated car served by a second process, for the demonstration."""

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from donorfit.errors import LinkError

START_TIMEOUT_S = 30.0
STOP_TIMEOUT_S = 5.0


@contextmanager
def serve_car(scenario: Path, *, fast: bool) -> Iterator[str]:
    """Start ``donorfit simulate`` and give its ``HOST:PORT``; end it on leaving.

    Raises:
        LinkError: it ended or did not listen in time; what it said is told.
    """
    with tempfile.TemporaryDirectory(prefix="donorfit-") as folder:
        ready, log = Path(folder) / "ready", Path(folder) / "log"
        command = [sys.executable, "-m", "donorfit", "simulate", str(scenario)]
        command += ["--ready-file", str(ready), *(["--fast"] if fast else [])]
        with log.open("wb") as output:
            process = subprocess.Popen(  # noqa: S603 - our own program and arguments
                command, stdin=subprocess.DEVNULL, stdout=output, stderr=output
            )
        try:
            yield _wait_until_ready(process, ready, log)
        finally:
            process.terminate()
            try:
                process.wait(STOP_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _wait_until_ready(process: subprocess.Popen[bytes], ready: Path, log: Path) -> str:
    deadline = time.monotonic() + START_TIMEOUT_S
    while time.monotonic() < deadline:
        if ready.exists() and (text := ready.read_text("utf-8").strip()):
            return _read_address(text)
        if process.poll() is not None:
            break
        time.sleep(0.02)
    raise LinkError(
        what="The simulated car did not start.",
        why=log.read_text("utf-8", "replace").strip()[-500:] or "it said nothing",
        next_step="Try it alone: donorfit simulate SCENARIO",
    )


def _read_address(text: str) -> str:
    """``HOST:PORT`` as the served car writes it, plain or as JSON with host and port."""
    if text.startswith("{"):
        place = json.loads(text)
        return f"{place['host']}:{place['port']}"
    return text
