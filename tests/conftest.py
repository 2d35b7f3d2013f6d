"""What every test may use: data beside the repository, a browser, settings, and a count of skips."""

import atexit
import os
import shutil
import tempfile
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]
SHARED_DATA = ROOT.parent / "shared" / "data"
# What the program keeps beside job files must not mix with that of the person who runs the tests.
STATE = os.environ["DONORFIT_STATE"] = tempfile.mkdtemp(prefix="donorfit-state-")
atexit.register(shutil.rmtree, STATE, ignore_errors=True)
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")

# No deadlines: speed is measured in benchmarks/. In CI the examples are the same in every run.
settings.register_profile("default", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, database=None, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "default")


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root folder of this copy of the project."""
    return ROOT


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of open data sets beside the repository; the test is skipped where there is none."""
    if not SHARED_DATA.is_dir():
        pytest.skip("needs ../shared/data, and that is not beside this copy")
    return SHARED_DATA


@pytest.fixture(scope="session")
def browser_path() -> str:
    """A browser's program: DONORFIT_BROWSER_PATH, or the first known one that is installed.

    Where there is none the test is skipped, or fails with DONORFIT_REQUIRE_BROWSER=1.
    """
    named = os.environ.get("DONORFIT_BROWSER_PATH")
    found = named or next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        advice = "needs a browser: install chromium or set DONORFIT_BROWSER_PATH"
        if os.environ.get("DONORFIT_REQUIRE_BROWSER") == "1":
            pytest.fail(advice)
        pytest.skip(advice)
    return found


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was not tested and why, so that a skip is never silent."""
    reasons = Counter(
        report.longrepr[2].removeprefix("Skipped: ")
        if isinstance(report.longrepr, tuple)
        else str(report.longrepr)
        for report in terminalreporter.stats.get("skipped", ())
    )
    if not reasons:
        return
    terminalreporter.section("not tested", yellow=True)
    for reason, count in sorted(reasons.items()):
        terminalreporter.write_line(f"{count:4} skipped: {reason}", red="needs a" in reason)
    absent = sum(count for reason, count in reasons.items() if "../shared" in reason)
    terminalreporter.write_line(f"{absent:4} skips in all because ../shared is absent")
