#!/usr/bin/env python3
"""Set up and check donorfit from a fresh copy, with nothing but Python installed.

The same words work in every shell::

    python dev.py demo [--fast] [--out DIR]   run the demonstration
    python dev.py test [--long] [ARGS]        run the tests; ARGS go to pytest
    python dev.py check                       lint, format, types, import contracts, locks
    python dev.py bench [NAME]                run the benchmarks, or the one called NAME
    python dev.py lock [--upgrade]            pin again what pyproject.toml asks for

The first run makes ``.venv`` and installs what the locks in ``requirements/`` pin, every file
checked against its hash; later runs start at once. Only the standard library is used here, and
only syntax that Python 3.8 can read, so that an old Python gets a sentence and not a syntax error.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

OLDEST = (3, 11)
ROOT = Path(__file__).resolve().parent
PROJECT = ROOT / "pyproject.toml"
LOCKS = ROOT / "requirements"
VENV = ROOT / ".venv"
WINDOWS = os.name == "nt"
PROGRAMS = VENV / ("Scripts" if WINDOWS else "bin")
PYTHON = PROGRAMS / ("python.exe" if WINDOWS else "python")
QUICK_TESTS = ("tests/shape/test_locks.py", "tests/shape/test_tracked_files.py")
HASHED = ("--require-hashes", "--only-binary", ":all:")

# Which parts of pyproject.toml go into each lock. "dev" comes first, because the others follow it.
LOCK_PARTS = {
    "dev": ("pyproject.toml", "--all-extras", "--group", "build", "--group", "dev"),
    "run": ("pyproject.toml", "--group", "build"),
    "installer": ("--group", "installer"),
}

# Systems on which everything in the locks has to be there ready built.
SYSTEMS = (
    "x86_64-pc-windows-msvc",
    "aarch64-pc-windows-msvc",
    "x86_64-apple-darwin",
    "aarch64-apple-darwin",
    "x86_64-manylinux_2_28",
    "aarch64-manylinux_2_28",
)


class SetupError(Exception):
    """Set-up or a command cannot go on; the message says why and what to do."""


def say(text: str) -> None:
    """Write one line to the error stream, so that the output stays the command's own."""
    print(text, file=sys.stderr, flush=True)


def run(command: Sequence[object], *, cwd: Path = ROOT) -> int:
    """Run a program, its output passed through; return its exit code."""
    return subprocess.call([str(part) for part in command], cwd=str(cwd), env=_environment())


def run_quietly(command: Sequence[object]) -> tuple[int, str]:
    """Run a program in the project's folder; return its exit code and all that it wrote."""
    done = subprocess.run(
        [str(part) for part in command],
        cwd=str(ROOT),
        env=_environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    return done.returncode, done.stdout.decode("utf-8", "replace")


def _environment() -> dict[str, str]:
    # Settings of the caller that would bring other modules or other wheels into .venv.
    stray = {"PYTHONPATH", "PYTHONHOME", "PIP_TARGET", "PIP_USER", "PIP_PREFIX", "UV_FIND_LINKS"}
    kept = {name: value for name, value in os.environ.items() if name not in stray}
    return {**kept, "VIRTUAL_ENV": str(VENV)}


# --- set-up ---------------------------------------------------------------------------------


def state_of(lock: str) -> str:
    """Digest of all that decides what `.venv` holds: Python, the locks and pyproject.toml."""
    digest = hashlib.sha256()
    python = (sys.implementation.name, list(sys.version_info[:2]), sysconfig.get_platform())
    digest.update(json.dumps(python).encode())
    for file in (LOCKS / f"{lock}.txt", LOCKS / "installer.txt", PROJECT):
        digest.update(file.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return digest.hexdigest()


def is_ready(lock: str) -> bool:
    """True where `.venv` holds what the lock pins; the `dev` lock holds all of `run` too."""
    return PYTHON.exists() and any(
        stamp.is_file() and stamp.read_text(encoding="ascii") == state_of(name)
        for name in {lock, "dev"}
        for stamp in (VENV / f".ready-{name}",)
    )


@contextlib.contextmanager
def one_at_a_time() -> Iterator[None]:
    """Hold a lock file, so that two set-ups started together run one after the other.

    The system lets the lock go when the process ends, however it ends.
    """
    with (ROOT / ".venv-lock").open("a+b") as file:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415 - exists on Windows only

            file.seek(0)
            while True:
                with contextlib.suppress(OSError):
                    msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
                    break
        else:
            import fcntl  # noqa: PLC0415 - does not exist on Windows

            fcntl.flock(file, fcntl.LOCK_EX)
        yield


def set_up(lock: str) -> None:
    """Make `.venv` hold what the lock pins; nothing to do where it already does.

    Raises:
        SetupError: Python or the installation failed; the message says what to do.
    """
    if is_ready(lock):
        return
    with one_at_a_time():
        if is_ready(lock):
            return
        started = time.monotonic()
        say(f"Setting up {VENV.name} from {LOCKS.name}/{lock}.txt (once) ...")
        make_venv()
        # This file stands while packages are written: found at the start, it tells that an
        # earlier set-up was cut short, and then every package is laid down again.
        unfinished = VENV / ".unfinished"
        again = unfinished.exists()
        unfinished.touch()
        for stamp in VENV.glob(".ready-*"):
            stamp.unlink()
        try:
            install(lock, again=again)
            (VENV / f".ready-{lock}").write_text(state_of(lock), encoding="ascii")
        finally:
            if not isinstance(sys.exc_info()[1], KeyboardInterrupt):
                unfinished.unlink()
        say(f"Ready after {time.monotonic() - started:.0f} s.")


def make_venv() -> None:
    """Make `.venv` unless a sound one of this Python's version is there."""
    base = getattr(sys, "_base_executable", None) or sys.executable
    if _venv_is_sound():
        return
    if Path(sys.prefix).resolve() == VENV.resolve():
        message = f"{VENV.name} is damaged and cannot replace itself.\nRun: {base} dev.py ..."
        raise SetupError(message)
    code, output = run_quietly((base, "-m", "venv", "--clear", VENV))
    if code:
        message = (
            f"{output.strip()}\nPython could not make {VENV}.\n"
            "On Debian and Ubuntu its part for this is a package of its own: install "
            f"python{sys.version_info[0]}.{sys.version_info[1]}-venv and run the command again."
        )
        raise SetupError(message)


def _venv_is_sound() -> bool:
    settings = VENV / "pyvenv.cfg"
    if not (PYTHON.exists() and settings.is_file()):
        return False
    wanted = f"version = {sys.version_info[0]}.{sys.version_info[1]}."
    if wanted not in settings.read_text(encoding="utf-8").replace("version_info", "version"):
        return False
    return run_quietly((PYTHON, "-m", "pip", "--version"))[0] == 0


def install(lock: str, *, again: bool) -> None:
    """Install the lock and then the project itself, by the pinned uv or else by pip.

    Args:
        lock: name of the lock.
        again: lay down every package even where it seems to be there.

    Raises:
        SetupError: neither could; the message holds what they said.
    """
    pip = (PYTHON, "-m", "pip", "--disable-pip-version-check", "install", "--quiet", "--no-input")
    uv = (PYTHON, "-m", "uv", "pip", "install", "--quiet", "--python", PYTHON)
    fresh = ("--force-reinstall",) if again else ()
    packages = (*HASHED, "-r", LOCKS / f"{lock}.txt")
    project = ("--no-deps", "--no-build-isolation", "--editable", ROOT)
    said = []
    code, output = run_quietly((*pip, *fresh, *HASHED, "-r", LOCKS / "installer.txt"))
    if code == 0:
        for part in ((*fresh, *packages), project):
            code, output = run_quietly((*uv, *part))
            if code:
                break
        else:
            return
    said.append(output.strip())
    say("uv could not install; trying pip, which takes a little longer ...")
    for part in ((*fresh, *packages), project):
        code, output = run_quietly((*pip, *part))
        if code:
            said.append(output.strip())
            message = (
                "\n".join(said) + "\nThe packages could not be installed. Where the network was "
                "the reason, run the command again; nothing has to be removed first."
            )
            raise SetupError(message)


# --- commands -------------------------------------------------------------------------------


def demo(arguments: Sequence[str]) -> int:
    """Run the demonstration in the caller's folder, where its results are put."""
    set_up("run")
    return run((PYTHON, "-m", "donorfit", "demo", *arguments), cwd=Path.cwd())


def test(arguments: Sequence[str]) -> int:
    """Run the tests; `--long` takes in those marked `long`, the rest goes to pytest."""
    set_up("dev")
    rest = [each for each in arguments if each != "--long"]
    marks = () if len(rest) == len(arguments) else ("-m", "")
    # All of it goes side by side; a chosen part is small and shows its output as it comes.
    side_by_side = () if rest else ("-n", "auto", "--maxprocesses", "4")
    return run((PYTHON, "-m", "pytest", *marks, *side_by_side, *rest))


def check(arguments: Sequence[str]) -> int:
    """Run every check, also after one has failed; return 1 where any did."""
    if arguments:
        message = "check takes no arguments"
        raise SetupError(message)
    set_up("dev")
    module = (PYTHON, "-m")
    steps = {
        "ruff check": (*module, "ruff", "check", "--quiet"),
        "ruff format": (*module, "ruff", "format", "--check", "--quiet"),
        "mypy --strict": (*module, "mypy", "--no-error-summary"),
        "import contracts": (PROGRAMS / "lint-imports",),
        "locks, file texts": (*module, "pytest", *QUICK_TESTS),
    }
    failed = []
    for name, command in steps.items():
        started = time.monotonic()
        code, output = run_quietly(command)
        print(f"{'FAILED' if code else 'ok':8}{name:20}{time.monotonic() - started:5.1f} s")
        if code:
            failed.append(name)
            print(output.strip() + "\n")
    print(f"{len(failed)} of {len(steps)} checks failed" if failed else "All checks passed.")
    return int(bool(failed))


def bench(arguments: Sequence[str]) -> int:
    """Run the scripts in `benchmarks/`, each of which prints its table; 1 where any failed."""
    set_up("dev")
    scripts = [
        script
        for script in sorted((ROOT / "benchmarks").glob("*.py"))
        if not script.stem.startswith("_") and (not arguments or script.stem in arguments)
    ]
    if not scripts:
        message = f"no benchmark is called {' or '.join(arguments) or 'anything'}"
        raise SetupError(message)
    failed = 0
    for script in scripts:
        print(f"== {script.stem}", flush=True)
        failed += run((PYTHON, script)) != 0
        print(flush=True)
    return int(failed > 0)


def digest_inputs() -> str:
    """Digest of those parts of pyproject.toml from which the locks are made."""
    import tomllib  # noqa: PLC0415 - younger than the oldest Python that must read this file

    with PROJECT.open("rb") as file:
        settings: dict[str, Any] = tomllib.load(file)
    project = settings["project"]
    parts = (
        project["requires-python"],
        project.get("dependencies"),
        project.get("optional-dependencies"),
        settings.get("dependency-groups"),
        settings["build-system"]["requires"],
    )
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def lock(arguments: Sequence[str]) -> int:
    """Pin again what pyproject.toml asks for; `--upgrade` takes the newest of everything.

    Versions that still fit stay as they are otherwise. Every package's hashes for every system
    are kept, and no address: where packages come from is the user's own setting.
    """
    if not is_ready("dev"):
        with one_at_a_time():
            make_venv()
            needed = ("--quiet", *HASHED, "-r", LOCKS / "installer.txt")
            if run((PYTHON, "-m", "pip", "install", *needed)):
                message = "uv could not be installed, and the locks are made with it"
                raise SetupError(message)
    for name, parts in LOCK_PARTS.items():
        file = LOCKS / f"{name}.txt"
        follow = () if name == "dev" else ("--constraint", LOCKS / "dev.txt")
        style = (
            "--universal --generate-hashes --no-emit-index-url --no-header --no-annotate --quiet"
        )
        oldest = ".".join(str(number) for number in OLDEST)
        command = (PYTHON, "-m", "uv", "pip", "compile", *parts, *follow, *style.split())
        if run((*command, "--python-version", oldest, "--output-file", file, *arguments)):
            return 1
        head = f"# Written by `python dev.py lock`; do not edit.\n# inputs: {digest_inputs()}\n"
        pins = file.read_text(encoding="utf-8")
        file.write_bytes((head + pins).encode())
        count = sum("==" in line and line[0] not in " #" for line in pins.splitlines())
        print(f"{file.relative_to(ROOT).as_posix()}: {count} pins")
    return report_missing_wheels()


def report_missing_wheels() -> int:
    """Try each lock on every system without installing it; return 1 where a package is missing."""
    failed = 0
    for name in LOCK_PARTS:
        for system in SYSTEMS:
            uv = (PYTHON, "-m", "uv", "pip", "install", "--quiet", "--dry-run")
            place = ("--target", VENV / "nowhere", "--python-platform", system)
            code, output = run_quietly((*uv, *place, *HASHED, "-r", LOCKS / f"{name}.txt"))
            if code:
                failed = 1
                print(f"{name} cannot be installed on {system}:\n{output.strip()}")
    return failed


COMMANDS = {"demo": demo, "test": test, "check": check, "bench": bench, "lock": lock}


def main(arguments: Sequence[str]) -> int:
    """Run one command; return its exit code."""
    if sys.version_info < OLDEST:
        say(
            f"donorfit needs Python {OLDEST[0]}.{OLDEST[1]} or newer, and this is Python "
            f"{sys.version.split()[0]} ({sys.executable}).\nInstall a newer one and run this "
            "file with it, for example: python3.11 dev.py test"
        )
        return 2
    if not arguments or arguments[0] not in COMMANDS:
        asked_for_help = bool(arguments) and arguments[0] in {"-h", "--help", "help"}
        print(__doc__, file=sys.stdout if asked_for_help else sys.stderr)
        return 0 if asked_for_help else 2
    try:
        return COMMANDS[arguments[0]](arguments[1:])
    except SetupError as error:
        say(f"dev.py {arguments[0]}: {error}")
        return 2
    except KeyboardInterrupt:
        say("Stopped. Run the same command again to go on.")
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
