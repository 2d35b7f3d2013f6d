"""Blocks made up by dice, and every way through them by trying all of them."""

from dataclasses import replace

from donorfit.vehicle.control_unit import SoftwareBlock
from donorfit.vehicle.identity import SoftwareVersion

HARDWARE = "H1"


def version(text):
    return SoftwareVersion.parse(str(text))


def make_block(brings, *over, seconds=10.0, size_bytes=100, hardware=(HARDWARE,), file=""):
    return SoftwareBlock(
        version=version(brings),
        file=file or f"{brings}_over_{'_'.join(map(str, over)) or 'any'}.bin",
        sha256="0" * 64,
        memory_address=0,
        size_bytes=size_bytes,
        hardware=hardware,
        routine_check=0,
        seconds=seconds,
        replaces=tuple(map(version, over)),
    )


def make_blocks(dice, versions=7, blocks=10):
    """Blocks over one to three versions, up and down, some for other hardware, some over any."""
    made = []
    for number in range(blocks):
        over = dice.sample(range(1, versions + 1), dice.choice((0, 1, 1, 1, 2, 3)))
        block = make_block(
            dice.randrange(1, versions + 1),
            *over,
            seconds=dice.choice((0.0, 0.1, 0.2, 1.5, 10.0, 10.0, 40.0)),
            size_bytes=dice.choice((1, 100, 100, 500)),
            hardware=dice.choice(((HARDWARE,), (HARDWARE, "H2"), ("H2",))),
        )
        made.append(replace(block, file=f"{number}.bin"))
    return made


def list_ways(blocks, start, *, down=False):
    """Every way, by its definition: each block fits, may replace what is there, leads on."""
    yield ()
    for block in blocks:
        leads_on = block.version < start if down else block.version > start
        if leads_on and HARDWARE in block.hardware and block.may_replace(start):
            for rest in list_ways(blocks, block.version, down=down):
                yield (block, *rest)


def price(way, restart_seconds=0.0):
    """Milliseconds, bytes, blocks."""
    return (
        sum(round((each.seconds + restart_seconds) * 1000) for each in way),
        sum(each.size_bytes for each in way),
        len(way),
    )
