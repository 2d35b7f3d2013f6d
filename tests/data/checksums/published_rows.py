"""Data and checksums as AUTOSAR's CRC library specification prints them.

Source: the rows as restated in several public test files of its implementations. One of those files
has a misprint in its fourth row of the 32P4 column, 9BD7966E; two others say 9BD7996E, as all
computations of the tests do.
"""

COLUMNS = ("8 J1850", "8 H2F", "16 CCITT-FALSE", "16 ARC", "32", "32 P4", "64")
_PRINTED = """
00000000           59 12 84C0 0000 2144DF1C 6FB32240 F4A586351E1B9F4B
F20183             37 C2 D374 C2E1 24AB9D77 4F721A25 319C27668164F1C6
0FAA0055           79 C6 2023 0BE3 B6C9B287 20662DF8 54C5D0F7667C1575
00FF5511           B8 77 B8F9 6CCF 32A06212 9BD7996E A63822BE7E0704E6
332255AABBCCDDEEFF CB 11 F53F AE98 B0AE863D A65A343D 701ECEB219A8E5D5
926B55             8C 33 0745 E24E 9CDEA29B EE688A78 5FAA96A9B59F3E4E
FFFFFFFF           74 6C 1D0F 9401 FFFFFFFF FFFFFFFF FFFFFFFF00000000
"""
ROWS = tuple(
    (bytes.fromhex(data), dict(zip(COLUMNS, (int(each, 16) for each in checks), strict=True)))
    for data, *checks in map(str.split, _PRINTED.strip().splitlines())
)
"""Data, and its checksum in every column."""
