"""The root of the command line: commands loaded when they are called, errors turned to words."""

import importlib
import os
import sys
import traceback
from collections.abc import Sequence

import click

from donorfit import __version__
from donorfit.errors import DonorfitError

# Name: module, attribute, one line of help. The help stands here so that the list of commands
# needs none of their modules.
_COMMANDS = {
    "survey": ("job_commands", "survey_command", "Read the car, or a module on the bench."),
    "check": ("job_commands", "check_command", "Say whether a donor module can work in the car."),
    "plan": (
        "job_commands",
        "plan_command",
        "Plan the retrofit: what changes, why, in what order.",
    ),
    "prepare": ("car_commands", "prepare_command", "Back up, prove supply and identities."),
    "apply": ("car_commands", "apply_command", "Carry out the plan; a dry run unless --write."),
    "prove": ("car_commands", "prove_command", "Read back, compare fault codes, ask hand checks."),
    "record": (
        "job_commands",
        "record_command",
        "Write the hand-over record (HTML, PDF, recipe).",
    ),
    "undo": ("car_commands", "undo_command", "Plan the way back and carry it out."),
    "resume": ("car_commands", "resume_command", "Take up what was stopped."),
    "status": ("job_commands", "status_command", "Say where a job stands and what comes next."),
    "demo": ("demo", "demo_command", "One whole retrofit on a simulated car."),
    "simulate": ("simulate", "simulate_command", "Serve a simulated car on this computer."),
    "pack": ("pack", "pack_group", "Check and show what is known about a car family."),
    "options": ("options", "options_group", "Questions about option lists and their rules."),
    "network": ("network", "network_group", "Read and compare network descriptions."),
    "electrical": ("electrical", "electrical_group", "Supply, wires and fuses."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        del ctx
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command's module and hand the command out."""
        del ctx
        if cmd_name not in _COMMANDS:
            return None
        module, attribute, _ = _COMMANDS[cmd_name]
        command = getattr(importlib.import_module(f"donorfit.cli.{module}"), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_) for name, (_, _, help_) in _COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="donorfit")
def root() -> None:
    """Fit used control units from newer donor cars into older host cars.

    The stages of one job, in order: survey, check, plan, prepare, apply, prove, record. Nothing is
    written to a car except by "apply --write" and "undo --write".
    """


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
        click.echo("Stopped.", err=True)
        return 130
    except DonorfitError as error:
        click.echo(f"{error.title}: {error}", err=True)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:  # noqa: BLE001 - the last door: never a traceback for a person
        return _report_bug(error)
    return result if isinstance(result, int) else 0


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
