"""The root of the command line: commands loaded when they are called, errors turned to words."""

import importlib
import os
import sys
import traceback
from collections.abc import Sequence

import click

from donorfit import __version__
from donorfit.cli.help_page import COMMANDS, write_help
from donorfit.errors import DonorfitError, InputError


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command's module and hand the command out."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(f"donorfit.cli.{module}"), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(attribute)
        return command

    def get_help(self, ctx: click.Context) -> str:
        """The help page, which needs none of the commands' modules."""
        del ctx
        return write_help()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="donorfit")
def root() -> None:
    """The root; its help page is written by :func:`donorfit.cli.help_page.write_help`."""


def run(arguments: Sequence[str]) -> int:  # noqa: PLR0911 - one return a way to end
    """Run the command line; return the exit code (docs/errors.md)."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    try:
        result = root.main(args=list(arguments), prog_name="donorfit", standalone_mode=False)
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo(
            "Stopped at once.\n"
            "state: what was sent is in the job file; a change under way then counts as not known "
            "and is looked at before anything else is written\n"
            "next: donorfit status JOB says where a job stands, donorfit resume JOB takes it up",
            err=True,
        )
        return 130
    except DonorfitError as error:
        click.echo(f"{error.title}: {error}", err=True)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:  # noqa: BLE001 - the last door: never a traceback for a person
        if isinstance(error, ModuleNotFoundError) and not (error.name or "").startswith(
            "donorfit"
        ):
            return _report_missing_package(error)
        return _report_bug(error)
    return result if isinstance(result, int) else 0


def _report_missing_package(error: ModuleNotFoundError) -> int:
    missing = InputError(
        what=f"The package {error.name} is not installed.",
        where="the Python environment that donorfit runs in",
        why=str(error),
        next_step="Install donorfit again together with what it requires.",
    )
    click.echo(f"{missing.title}: {missing}", err=True)
    return missing.exit_code


def _report_bug(error: Exception) -> int:
    if os.environ.get("DONORFIT_TRACEBACK"):
        traceback.print_exception(error)
    click.echo(
        f"internal error: {type(error).__name__}: {error}\n"
        "state: what was written down before is in the job file\n"
        "next: run again with DONORFIT_TRACEBACK=1 set and report what it prints",
        err=True,
    )
    return 1
