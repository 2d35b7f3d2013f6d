"""The help page of the whole program, written without any library so that it comes at once."""

COMMANDS = {
    "survey": ("job_commands", "survey_command", "Read the car, or a module on the bench."),
    "check": ("job_commands", "check_command", "Say whether a module can work in the car."),
    "plan": ("job_commands", "plan_command", "Plan what changes, why, and in what order."),
    "prepare": ("car_commands", "prepare_command", "Back up, prove supply and identities."),
    "apply": ("car_commands", "apply_command", "Carry the plan out; a dry run unless --write."),
    "prove": ("car_commands", "prove_command", "Read back, compare fault codes, tick off."),
    "record": ("job_commands", "record_command", "Write the hand-over record and the recipe."),
    "undo": ("car_commands", "undo_command", "Plan the way back and carry it out."),
    "resume": ("car_commands", "resume_command", "Take up what was stopped."),
    "status": ("job_commands", "status_command", "Say where a job stands and what comes next."),
    "demo": ("demo", "demo_command", "One whole retrofit on a simulated car."),
    "find": ("find", "find_command", "List the cars that answer on the network."),
    "doctor": ("doctor", "doctor_command", "Say what this computer has for the work."),
    "trace": ("trace", "trace_command", "Tell frame by frame what a capture holds."),
    "simulate": ("simulate", "simulate_command", "Serve a simulated car on this computer."),
    "pack": ("pack", "pack_group", "Check and show what is known about a car family."),
    "software": ("software", "software_group", "Show software files and what they fit."),
    "options": ("options", "options_group", "Questions about option lists and their rules."),
    "network": ("network", "network_group", "Networks, ring and bus load."),
    "faults": ("faults", "faults_group", "Fault code lists read, sorted and explained."),
    "cautions": ("cautions", "cautions_command", "Cautions by what is touched and where."),
    "electrical": ("electrical", "electrical_group", "Supply, wires, fuses and plugs."),
}
"""Name: module inside ``donorfit.cli``, attribute there, one line of help."""

_PAGE = """\
Usage: donorfit COMMAND [ARGUMENTS]

  Fit used control units from newer donor cars into older host cars.

  One job runs through survey, check, plan, prepare, apply, prove, record. Nothing is written
  to a car except by "apply --write" and "undo --write".

Commands:
{commands}

Options:
  --version   Say the version.
  -h, --help  Say this; after a command, more about it.
"""


def write_help() -> str:
    """The whole page."""
    lines = (f"  {name:<12}{line}" for name, (_, _, line) in COMMANDS.items())
    return _PAGE.format(commands="\n".join(lines))
