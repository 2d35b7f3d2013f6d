"""Terminating resistors and stubs of a CAN bus: what a meter should read, how long a stub may be.

Sources: ISO 11898-2 asks for 120 ohm at both ends. Measured values (two resistors 60, one 120, a
third one 40 ohm, an unpowered input 10 to 50 kohm) and lengths: five public pages of fieldbus
makers, which differ by up to 20 times on stubs, so both ends of the spread are given: beyond the
strict figure a stub is doubtful, beyond the largest one it is too long by every page.
"""

from dataclasses import dataclass
from enum import Enum

from donorfit.errors import InputError

RESISTOR_OHM = 120.0
WANTED_RESISTORS = 2
INPUT_OHM = 30_000.0
"""An unpowered transceiver: 10 to 50 kohm on one of the pages; the middle is taken."""
LARGEST_OHM = 1e9
LARGEST_METRES = 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLimit:
    """Lengths for one bit rate, in metres: from the strictest page to the most generous one.

    Attributes:
        bit_rate: bit/s.
        shortest_stub_m: strictest figure for one stub.
        longest_stub_m: most generous figure for one stub.
        all_stubs_m: strictest figure for all stubs together.
        bus_m: strictest figure for the whole bus.
    """

    bit_rate: int
    shortest_stub_m: float
    longest_stub_m: float
    all_stubs_m: float
    bus_m: float


LINE_LIMITS = (
    LineLimit(bit_rate=50_000, shortest_stub_m=50, longest_stub_m=55, all_stubs_m=250, bus_m=1000),
    LineLimit(bit_rate=125_000, shortest_stub_m=6, longest_stub_m=22, all_stubs_m=100, bus_m=500),
    LineLimit(bit_rate=250_000, shortest_stub_m=10, longest_stub_m=11, all_stubs_m=50, bus_m=250),
    LineLimit(bit_rate=500_000, shortest_stub_m=0.3, longest_stub_m=6, all_stubs_m=25, bus_m=100),
    LineLimit(bit_rate=1_000_000, shortest_stub_m=0.3, longest_stub_m=2, all_stubs_m=5, bus_m=20),
)


class StubVerdict(Enum):
    """What a stub's length comes to."""

    FITS = "short enough by every page"
    DOUBTFUL = "too long by the strict figure"
    TOO_LONG = "too long by every page"


@dataclass(frozen=True, slots=True, kw_only=True)
class StubAnswer:
    """One stub against the table; ``limit`` is the row that was used."""

    stub_m: float
    verdict: StubVerdict
    limit: LineLimit
    why: str


class ResistanceVerdict(Enum):
    """What a resistance between both wires says."""

    SHORT = "the wires touch"
    TOO_MANY = "more than two resistors"
    TWO = "two resistors"
    ONE = "one resistor"
    NONE = "no resistor"
    UNCLEAR = "no whole number of resistors"


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceAnswer:
    """A measured resistance in words, with what to do."""

    ohm: float
    verdict: ResistanceVerdict
    why: str
    next_step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistorPlan:
    """Resistors before and after a module is fitted.

    Attributes:
        before: resistors now.
        after: resistors with the module.
        expected_ohm: what a meter then reads; None where nothing ends the line.
        right: whether two remain.
        why: the finding in one sentence.
        next_step: what to do.
    """

    before: int
    after: int
    expected_ohm: float | None
    right: bool
    why: str
    next_step: str


_BANDS = (
    (5.0, ResistanceVerdict.SHORT, "look for pinched or swapped wires before anything is fitted"),
    (46.0, ResistanceVerdict.TOO_MANY, "find the resistor that is too many; often the new module"),
    (54.0, ResistanceVerdict.UNCLEAR, "measure again with the supply off and the bus asleep"),
    (66.0, ResistanceVerdict.TWO, "nothing; measure once more with the module fitted"),
    (110.0, ResistanceVerdict.UNCLEAR, "measure again with the supply off and the bus asleep"),
    (130.0, ResistanceVerdict.ONE, "find the open end: a plug, a wire, or a unit that is missing"),
    (1000.0, ResistanceVerdict.UNCLEAR, "measure again with the supply off and the bus asleep"),
    (LARGEST_OHM, ResistanceVerdict.NONE, "see that the meter is on this bus and not on a stub"),
)
"""Upper ends in ohm: 54 to 66 is two, 110 to 130 one, 36 to 46 three (common practice, no
source, around the published 60, 120 and 40)."""


def judge_resistance(ohm: float) -> ResistanceAnswer:
    """What a meter between both wires says; the car asleep, the supply off.

    A break beyond the measured part is not seen where both resistors lie on this side of it.

    Raises:
        InputError: not a resistance.
    """
    if not 0 <= ohm <= LARGEST_OHM:
        raise _refuse(
            what=f"{ohm} ohm is no resistance", next_step="give what the meter shows, in ohm"
        )
    _, verdict, step = next(band for band in _BANDS if ohm <= band[0])
    why = f"{ohm:g} ohm between both wires: {verdict.value}"
    return ResistanceAnswer(ohm=ohm, verdict=verdict, why=why, next_step=step)


def compute_expected_ohm(resistors: int, inputs: int = 0) -> float | None:
    """Resistors of 120 ohm and unpowered inputs in parallel; None where there is neither.

    Raises:
        InputError: a negative number of them.
    """
    if resistors < 0 or inputs < 0:
        raise _refuse(what="there cannot be fewer than no resistors", next_step="count them again")
    conductance = resistors / RESISTOR_OHM + inputs / INPUT_OHM
    return 1 / conductance if conductance else None


def plan_resistors(
    before: int, *, replaces_one: bool = False, module_has_one: bool = False
) -> ResistorPlan:
    """Resistors once the module is on the bus.

    Args:
        before: resistors now.
        replaces_one: the module takes the place of a unit that holds one.
        module_has_one: the module holds one itself.

    Raises:
        InputError: a negative number.
    """
    after = before - replaces_one + module_has_one
    expected = compute_expected_ohm(max(after, 0))
    if before < 0 or after < 0:
        raise _refuse(
            what=f"{before} resistors are no number of resistors", next_step="count them again"
        )
    right = after == WANTED_RESISTORS
    if right:
        step = "measure 60 ohm with everything connected and the supply off"
    elif after > WANTED_RESISTORS:
        step = "take the module's resistor out or switch it off, or connect it in place of an end"
    else:
        step = "put a 120 ohm resistor where the end was"
    shown = "an open line" if expected is None else f"{expected:.0f} ohm"
    return ResistorPlan(
        before=before,
        after=after,
        expected_ohm=expected,
        right=right,
        why=f"{before} terminating resistors now, {after} with the module: {shown} on the meter",
        next_step=step,
    )


def judge_stub(bit_rate: int, stub_m: float) -> StubAnswer:
    """Whether a stub of this length may hang on a bus; the next faster row of the table counts.

    Raises:
        InputError: no length, no bit rate, or one faster than the table goes.
    """
    if not 0 <= stub_m <= LARGEST_METRES:
        raise _refuse(
            what=f"{stub_m} m is no length", next_step="give the length of the stub in metres"
        )
    limit = next((each for each in LINE_LIMITS if each.bit_rate >= bit_rate), None)
    if bit_rate <= 0 or limit is None:
        raise _refuse(
            what=f"no page has lengths for {bit_rate} bit/s", next_step="give the nominal bit rate"
        )
    if stub_m <= limit.shortest_stub_m:
        verdict = StubVerdict.FITS
    else:
        too_long = stub_m > limit.longest_stub_m
        verdict = StubVerdict.TOO_LONG if too_long else StubVerdict.DOUBTFUL
    why = (
        f"a stub of {stub_m:g} m at {bit_rate / 1000:g} kbit/s: {verdict.value} "
        f"({limit.shortest_stub_m:g} to {limit.longest_stub_m:g} m at "
        f"{limit.bit_rate / 1000:g} kbit/s)"
    )
    return StubAnswer(stub_m=stub_m, verdict=verdict, limit=limit, why=why)


def _refuse(*, what: str, next_step: str) -> InputError:
    return InputError(what=what, where="termination of a CAN bus", next_step=next_step)
