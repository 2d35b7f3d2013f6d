"""Coverage-guided fuzzing of the readers, with atheris (PyPI, Apache-2.0), for as long as wanted.

    python tests/faults/fuzz/fuzz_readers.py CORPUS -max_total_time=3600 -rss_limit_mb=2048

atheris is not among the project's requirements: install it where this is run. What libFuzzer finds
it leaves as ``crash-*``; such a file goes into tests/data/fuzz once the fault is mended.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parent))

with atheris.instrument_imports(include=["donorfit", "isotp"]):
    # Loaded now, since python-can takes longer to load than an input may take.
    import targets

    import donorfit.edge.links.isotp_channel  # noqa: F401

if __name__ == "__main__":
    atheris.Setup(sys.argv, targets.run_target)
    atheris.Fuzz()
