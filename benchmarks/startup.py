"""How long donorfit takes to start, as a multiple of the bare interpreter in the same run.

The processes take turns, and the best of several counts, so that a busy machine spoils neither
side more than the other. Bounds: the help page within 4 times a bare interpreter, and importing
the package within 1.5 times.
"""

import subprocess
import sys
import time
from importlib.util import find_spec

ROUNDS = 15
BARE = "python -c pass"
CASES = {
    BARE: ("-c", "pass"),
    "import donorfit": ("-c", "import donorfit"),
    "donorfit --help": ("-m", "donorfit", "--help"),
}
BOUNDS = {"import donorfit": 1.5, "donorfit --help": 4.0}


def measure_start(arguments: tuple[str, ...]) -> float:
    """Seconds from starting a fresh process to its end."""
    started = time.perf_counter()
    subprocess.run((sys.executable, *arguments), stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - started


def main() -> int:
    """Print the table; return 1 where a bound is broken."""
    cases = dict(CASES)
    if find_spec("donorfit.__main__") is None:
        del cases["donorfit --help"]
    best = dict.fromkeys(cases, float("inf"))
    for _ in range(ROUNDS):
        for name, arguments in cases.items():
            best[name] = min(best[name], measure_start(arguments))
    failed = 0
    print(f"{'process':20}{'ms':>8}{'ratio':>8}{'bound':>8}")
    for name, seconds in best.items():
        ratio, bound = seconds / best[BARE], BOUNDS.get(name)
        broken = bound is not None and ratio > bound
        failed += broken
        end = f"{bound:8.2f}{'  BROKEN' if broken else ''}" if bound else ""
        print(f"{name:20}{seconds * 1000:8.1f}{ratio:8.2f}{end}")
    for name in CASES.keys() - cases.keys():
        print(f"{name:20}not measured: it does not exist yet")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
