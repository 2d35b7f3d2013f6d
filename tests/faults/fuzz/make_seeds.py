"""Writes the seeds that fuzzing starts from: one or more good inputs of every target.

python tests/faults/fuzz/make_seeds.py FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path

CRC = "00000000"
ACKNOWLEDGED = bytes.fromhex("02FD8002 00000005 1071 0E80 00")
ALIVE_CHECK = bytes.fromhex("02FD0007 00000000")


def answer(number: int) -> bytes:
    """A unit's answer to this block."""
    return bytes.fromhex("02FD8001 00000006 1071 0E80 76") + bytes((number,))


SEEDS: tuple[tuple[int, bytes], ...] = (
    # DoIP: routing activation, diagnostic message, acknowledgement, announcement
    (0, bytes.fromhex("FF 02FD0005 00000007 0E80 00 00000000")),
    (0, bytes.fromhex("05 02FD8001 00000007 1071 0E80 62F190 02FD8002 00000005 1071 0E80 00")),
    (0, bytes.fromhex("40 03FC0004 00000020") + b"ZZ9AA11A8LA000001" + bytes(15)),
    (0, bytes.fromhex("40 02FD8003 00000005 1071 0E80 06")),
    (0, bytes.fromhex("08 02FD8001 FFFFFFFF 0000")),
    (1, bytes.fromhex("50 03 0032 01F4")),
    (1, bytes.fromhex("62 F190") + b"ZZ9AA11A8LA000001"),
    (1, bytes.fromhex("59 02 FF 012300 2F 9A1234 08")),
    (1, bytes.fromhex("74 20 0FFF")),
    (1, bytes.fromhex("71 01 0202 00")),
    (1, bytes.fromhex("7F 2E 78")),
    (1, bytes.fromhex("34 00 44 00001000 00000040")),
    (2, bytes.fromhex("02 1003 2701 3E00 22F1 1901 1101")),
    (2, bytes.fromhex("06 10022EF19022 0601060106 2E0601010203")),
    (2, bytes.fromhex("0B 1002 000000000000000000 3400440000100000000040")),
    (3, bytes.fromhex("00 08 07000102030405FF 08 1014000102030405 08 21060708090A0B0C")),
    (3, bytes.fromhex("00 03 30 00 00 0000000000 08 1000000010000000")),
    (
        4,
        b"\xfe\xed".join(
            bytes.fromhex(each)
            for each in (
                "00 7E00",
                "00 62F190",
                "00 7E00",
                "00 5003003201F4",
                "00 67011234",
                "00 6702",
                "01 6E0601",
                "00 5002003201F4",
                "00 670100",
                "00 74200012",
                "00 7601",
                "00 7602",
                "00 7603",
                "00 77",
                "00 7101020200",
            )
        ),
    ),
    (4, b"\xfe\xed".join(bytes.fromhex(each) for each in ("00 7F2221", "02 7F2278", "03 62F190"))),
    (5, b"(1600000000.000001) can0 123#0102030405060708\n(1600000000.1) can0 18DAF110#02\n"),
    (
        5,
        (
            b"date Thu Jan 1 00:00:00 2020\nbase hex timestamps absolute\n"
            b"   0.001000 1  123             Rx   d 8 01 02 03 04 05 06 07 08\n"
        ),
    ),
    (
        6,
        (
            b"features\n\tcar\n\t\toptional\n\t\t\ta {code 'A001', bit 0}\n\t\t\tb\n"
            b"constraints\n\ta => !b\n\ta | (b & !a)\n"
        ),
    ),
    # blocks that follow each other: acknowledgement and answer of each, in one piece and not
    (7, b"\x1f" + b"".join(ACKNOWLEDGED + answer(number) for number in range(1, 9))),
    (7, b"\x0d" + b"".join(ACKNOWLEDGED + answer(number) for number in range(1, 9))),
    (7, b"\x50" + ACKNOWLEDGED + answer(1) + answer(1) + ACKNOWLEDGED + answer(2)),
    (7, b"\x50" + answer(1) + ACKNOWLEDGED + ALIVE_CHECK + ACKNOWLEDGED + answer(3)),
    (7, b"\x1f" + ACKNOWLEDGED + answer(1) + bytes.fromhex("02FD8003 00000005 1071 0E80 06")),
)


def main() -> None:
    """Write one file a seed."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for place, (target, data) in enumerate(SEEDS):
        (folder / f"seed-{target}-{place:02}").write_bytes(bytes((target,)) + data)


if __name__ == "__main__":
    main()
