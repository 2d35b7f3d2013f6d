"""No simulated bus is ever slower than the analysis says."""

from hypothesis import given, settings
from hypothesis import strategies as st

from donorfit.network import analyse_load, compute_worst_bits
from donorfit.vehicle.network import Message, Network, NetworkKind

BIT_US = 8  # 125 kbit/s

frames = st.lists(
    st.tuples(st.integers(2, 30), st.integers(0, 8), st.booleans(), st.integers(0, 20)),
    min_size=1,
    max_size=6,
)


def simulate(sets: list[tuple[int, int, int]], until_us: int) -> list[int]:
    """Longest response of each message; sets are period, length and first release in us."""
    waiting: list[list[int]] = [[] for _ in sets]
    nexts = [first for _, _, first in sets]
    worst = [0] * len(sets)
    now = 0
    while now < until_us:
        for place, (period, _, _) in enumerate(sets):
            while nexts[place] <= now:
                waiting[place].append(nexts[place])
                nexts[place] += period
        ready = next((place for place, queue in enumerate(waiting) if queue), None)
        if ready is None:
            now = min(nexts)
            continue
        now += sets[ready][1]
        worst[ready] = max(worst[ready], now - waiting[ready].pop(0))
    return worst


@settings(max_examples=60)
@given(frames)
def test_simulation_never_exceeds_the_analysis(given_frames):
    messages = tuple(
        Message(
            name=f"m{number}",
            frame_id=number,
            extended=extended,
            length_bytes=length,
            cycle_ms=period,
            senders=(),
            receivers=(),
        )
        for number, (period, length, extended, _) in enumerate(given_frames)
    )
    report = analyse_load(
        Network(name="n", kind=NetworkKind.CAN, bit_rate=125_000, messages=messages)
    )
    ordered = [next(m for m in messages if m.name == each.message) for each in report.responses]
    firsts = {f"m{n}": first for n, (_, _, _, first) in enumerate(given_frames)}
    sets = [
        (
            m.cycle_ms * 1000,
            compute_worst_bits(m.length_bytes, extended=m.extended) * BIT_US,
            firsts[m.name] * 100,
        )
        for m in ordered
    ]
    if report.worst_load >= 1:
        return
    for seen, bound in zip(simulate(sets, 400_000), report.responses, strict=True):
        assert bound.worst_us is not None
        assert seen <= bound.worst_us
