"""Keys for the invented car of the demonstration, as a person's own key source gives them.

The algorithm is the open one of the simulated car (docs/scenario-format.md); it protects nothing.
"""

import zlib

SECRET = b"DEMO"


def compute_key(unit: str, level: int, seed: bytes) -> bytes | None:
    """CRC-32 over seed, level and the demo's secret."""
    del unit
    return zlib.crc32(seed + bytes((level,)) + SECRET).to_bytes(4)
