"""``donorfit demo``: one whole retrofit on a simulated car, told stage by stage.

The story calls the same commands that a person types, against ``donorfit simulate`` in a second
process; nothing here reaches into a stage.
"""

import shlex
import time
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING

import click

from donorfit.assemble import open_store
from donorfit.cli.columns import fold
from donorfit.edge.served_car import serve_car
from donorfit.errors import InputError, StoppedError
from donorfit.job.job import PLAN

if TYPE_CHECKING:
    from collections.abc import Callable

MODULE = "tow_control_2"
SUPPORT_AMPS = "50"
_JOB = "retrofit.donorfit"


@click.command("demo")
@click.option("--fast", is_flag=True, help="No waiting for realistic durations.")
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-out"),
    show_default=True,
    help="Folder for the job file and the hand-over record.",
)
def demo_command(folder: Path, *, fast: bool) -> int:
    """Carry out one whole retrofit on a simulated car, over DoIP between two processes."""
    job_path = folder / _JOB
    _make_room(folder, job_path)
    with as_file(files("donorfit") / "demo") as data:
        story = _Story(data, job_path, fast=fast)
        code = story.tell()
    _say("")
    if code == 0:
        _say(f"Done in {story.seconds:.1f} s. The job file and the record are in {folder}/:")
        for path in sorted(folder.iterdir()):
            _say(f"  {path}")
        _say(f"\nOpen the HTML file in a browser. Look around: donorfit status {job_path}")
    return code


def _make_room(folder: Path, job_path: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for old in (job_path, *folder.glob(f"{job_path.stem}*")):
            old.unlink(missing_ok=True)
    except OSError as error:
        raise InputError(
            what="The folder for the demonstration cannot be used.",
            where=str(folder),
            why=error.strerror or str(error),
            next_step="Name another one with --out DIR.",
        ) from error


def _say(text: str) -> None:
    click.echo(text)


class _Story:
    """The commands of one job in order, each shown before it runs."""

    def __init__(self, data: Path, job_path: Path, *, fast: bool) -> None:
        self._data = data
        self._job_path = job_path
        self._job = str(job_path)
        self._fast = fast
        self._begun = time.monotonic()

    @property
    def seconds(self) -> float:
        """Time since the beginning."""
        return time.monotonic() - self._begun

    def tell(self) -> int:
        """Tell the whole story; the exit code of the first command that goes wrong."""
        for act in (self._before_buying, self._bench, self._car):
            code = act()
            if code:
                return code
        return 0

    def _chapter(self, title: str, text: str) -> None:
        _say(f"\n{'=' * 88}\n{title}\n{'-' * 88}")
        for line in fold(text):
            _say(line)

    def _call(self, *arguments: str, allowed: tuple[int, ...] = (0,)) -> int:
        from donorfit.cli.root import run  # noqa: PLC0415 - root imports this module

        _say(f"\n$ donorfit {shlex.join(arguments)}\n")
        code = run(arguments)
        return 0 if code in allowed else code or 1

    def _reach(self, address: str) -> list[str]:
        keys = str(self._data / "keys.py")
        return [
            "--car",
            address,
            "--keys",
            keys,
            "--no-input",
            *(["--fast"] if self._fast else []),
        ]

    def _before_buying(self) -> int:
        self._chapter(
            "1. Before buying",
            "A towing control unit of the second generation is for sale. The host is a Merle of "
            "the first generation, standing in the yard: what its papers say is typed into a "
            "file. Could it work at all?",
        )
        return self._call(
            "check",
            "--declared",
            str(self._data / "declared.toml"),
            "--pack",
            str(self._data / "pack"),
            "--module",
            MODULE,
        )

    def _bench(self) -> int:
        self._chapter(
            "2. The module alone on the bench",
            "Whose is it, what hardware and software is it? A module that still carried another "
            "car's number would be a question with a legal note, not something to overwrite.",
        )
        with serve_car(self._data / "bench.toml", fast=self._fast) as address:
            return self._call(
                "survey",
                self._job,
                "--pack",
                str(self._data / "pack"),
                "--bench",
                MODULE,
                *self._reach(address),
            )

    def _car(self) -> int:
        with serve_car(self._data / "car.toml", fast=self._fast) as address:
            reach = self._reach(address)
            acts: tuple[Callable[[list[str]], int], ...] = (
                self._survey,
                self._check,
                self._plan,
                self._prepare,
                self._apply,
                self._prove,
            )
            for act in acts:
                code = act(reach)
                if code:
                    return code
        self._chapter("9. The record", "For the owner, and a recipe for the next car.")
        return self._call("record", self._job, "--out", str(self._job_path.parent))

    def _survey(self, reach: list[str]) -> int:
        self._chapter(
            "3. The car as it stands",
            "The module is bolted in and wired. Every control unit is asked who it is, what it "
            "is configured with and what it complains about, all side by side.",
        )
        return self._call("survey", self._job, *reach)

    def _check(self, reach: list[str]) -> int:
        del reach
        self._chapter("4. Why it does not work yet", "Requirement by requirement.")
        return self._call("check", self._job, "--module", MODULE)

    def _plan(self, reach: list[str]) -> int:
        del reach
        self._chapter(
            "5. The plan",
            "The smallest change of the declared options that makes everything true, what "
            "follows from it in every control unit, and what the owner had changed and keeps.",
        )
        return self._call("plan", self._job)

    def _prepare(self, reach: list[str]) -> int:
        self._chapter(
            "6. Prepare",
            "Backups read twice, identities, supply, and the state in which the car stays awake. "
            "The person's answers are given on the command line here.",
        )
        answers = ["--answer", "caution-*=understood", "--answer", "awake-*=yes"]
        return self._call("prepare", self._job, "--support-amps", SUPPORT_AMPS, *answers, *reach)

    def _apply(self, reach: list[str]) -> int:
        self._chapter(
            "7. Apply",
            "Now it is written. One unit will be busy, one will need time, and the connection "
            "will break in the middle. With --reconnects 0 the program stops there, as if the "
            "laptop had died.",
        )
        with open_store(self._job_path, create=False) as store:
            stored = store.find_latest(PLAN)
        digest = stored.digest[:12] if stored else ""
        code = self._call(
            "apply",
            self._job,
            "--write",
            digest,
            "--reconnects",
            "0",
            *reach,
            allowed=(0, StoppedError.exit_code),
        )
        if code:
            return code
        _say("")
        code = self._call("status", self._job)
        return code or self._call("resume", self._job, *reach)

    def _prove(self, reach: list[str]) -> int:
        self._chapter(
            "8. Prove",
            "Everything is read back; fault codes before and after are compared, and a code "
            "whose test has not run yet is not called gone. The checks by hand are answered here.",
        )
        return self._call("prove", self._job, "--answer", "check-*=yes", *reach)
