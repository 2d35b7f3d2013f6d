"""No file names a package registry, a path of one machine, or a secret."""

import re
import subprocess
from pathlib import Path

import pytest

# Written in pieces, so that this file does not find itself.
HOSTS = (
    "py" + "pi.org",
    "pythonhosted" + ".org",
    "registry.npm" + "js.org",
    "deb.deb" + "ian.org",
    "anaconda" + ".org",
    "crates" + ".io",
    "registry.yarn" + "pkg.com",
)
PATTERNS = {
    "a registry host": re.compile("|".join(map(re.escape, HOSTS)), re.IGNORECASE),
    "a path of one machine": re.compile(
        r"(?<![\w.])/(?:home|Users)/[A-Za-z][\w-]*/|(?<![\w.])/roo" + r"t/\w|[A-Z]:\\+Users\\+\w"
    ),
    "a secret": re.compile(
        r"BEGIN (?:[A-Z]+ )?PRIVATE " + r"KEY|\bgh[pousr]_\w{30,}|\bAKI" + r"A[0-9A-Z]{16}\b"
    ),
}  # fmt: skip
NOT_TEXT = {".png", ".pdf", ".gz", ".woff2", ".ttf", ".zip", ".ico"}


def list_files(repository: Path) -> list[Path]:
    """Files that git tracks or would track; in a copy without git, all but hidden folders."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    done = subprocess.run(command, cwd=repository, capture_output=True, check=False)
    if done.returncode == 0:
        names = [repository / name.decode() for name in done.stdout.split(b"\0") if name]
        return [name for name in names if name.is_file()]
    return [
        path
        for path in repository.rglob("*")
        if path.is_file() and not any(part.startswith(".") for part in path.parent.parts[1:])
    ]


def find_faults(text: str, repository: Path) -> list[str]:
    """What has no place in a file's text, with its line."""
    own = {str(repository), repository.as_posix()} if len(repository.parts) > 2 else set()
    return [
        f"line {number}: {what}"
        for number, line in enumerate(text.splitlines(), 1)
        for what, wrong in (
            *((what, pattern.search(line)) for what, pattern in PATTERNS.items()),
            ("the path of this copy", any(path in line for path in own)),
        )
        if wrong
    ]


def test_no_host_no_machine_path_no_secret(repository: Path) -> None:
    files = [file for file in list_files(repository) if file.suffix not in NOT_TEXT]
    assert repository / "pyproject.toml" in files
    faults = [
        f"{file.relative_to(repository)}: {fault}"
        for file in files
        for fault in find_faults(file.read_bytes().decode("utf-8", "replace"), repository)
    ]
    assert faults == []


@pytest.mark.parametrize(
    "text",
    [
        "url = https://files." + "python" + "hosted.org/x",
        "cd /ho" + "me/someone/donorfit",
        "cd C:\\Use" + "rs\\someone",
        "key = AKI" + "A" + "Q" * 16,
        "see {copy}/dev.py",
    ],
)
def test_a_fault_is_seen(repository: Path, text: str) -> None:
    assert len(find_faults("first\n" + text.format(copy=repository), repository)) == 1
