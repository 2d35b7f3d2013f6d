"""The whole demonstration with --fast, as a multiple of starting its commands alone.

The reference is what the same number of processes and packs cost without any work: one bare
``donorfit pack check`` of the demo's pack. Bound: 10 seconds of work.
"""

import subprocess
import sys
import tempfile
import time
from importlib.resources import files

ROUNDS = 3
BOUND_S = 10.0
COMMANDS = 10
"""Commands that the story calls and that read the pack."""


def measure(*arguments: str) -> float:
    """Seconds of one fresh process."""
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        subprocess.run(
            (sys.executable, "-m", "donorfit", *arguments),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=folder,
            check=True,
        )
        return time.perf_counter() - started


def main() -> int:
    """Print the table; return 1 where the bound is broken."""
    pack = str(files("donorfit") / "demo" / "pack")
    check_s = min(measure("pack", "check", pack) for _ in range(ROUNDS))
    demo_s = min(measure("demo", "--fast") for _ in range(ROUNDS))
    print(f"{'pack check':28}{check_s:8.2f} s{1:8.2f}x")
    print(f"{'whole demo, --fast':28}{demo_s:8.2f} s{demo_s / check_s:8.2f}x  bound {BOUND_S:g} s")
    print(f"{COMMANDS} commands of the story read the pack")
    return int(demo_s > BOUND_S)


if __name__ == "__main__":
    sys.exit(main())
