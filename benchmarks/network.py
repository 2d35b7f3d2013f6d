"""Finding what protects a message, against decoding its frames with cantools.

Run ``python benchmarks/network.py``. Both sides work on the same 50 frames in the same run. Ratios
vary with the machine's load; the median of the rounds is printed.
"""

import time
from collections.abc import Callable
from statistics import median

import cantools
import numpy as np
from cantools.database.can import Database

from donorfit.network.protection import find_protection

SEED = 11
ROUNDS = 20
FRAMES = 50
DESCRIPTION = """VERSION ""

BU_: a b

BO_ 256 M: 8 a
 SG_ Whole : 0|16@1+ (0.01,0) [0|655] "km/h" b
 SG_ Signed : 16|12@1- (1,-40) [-2088|2007] "degC" b
 SG_ Flag : 28|1@1+ (1,0) [0|1] "" b
 SG_ Motorola : 39|20@0+ (0.5,0) [0|600000] "m" b
"""


def time_once(work: Callable[[], object]) -> float:
    """Seconds of one call."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def main() -> None:
    """Print the ratio."""
    database = cantools.database.load_string(DESCRIPTION, "dbc")
    assert isinstance(database, Database)  # noqa: S101 - a DBC file is no diagnostic description
    rows = np.random.default_rng(SEED).integers(0, 256, (FRAMES, 8)).astype(np.uint8)
    seconds = median(time_once(lambda: find_protection(rows)) for _ in range(ROUNDS))
    slow = median(
        time_once(lambda: [database.decode_message(0x100, bytes(row)) for row in rows])
        for _ in range(ROUNDS)
    )
    print(
        f"finding what protects {FRAMES} frames costs {seconds / slow:.1f}x decoding them "
        "with cantools"
    )


if __name__ == "__main__":
    main()
