"""Random message sets, classic and CAN FD mixed: no simulated frame is later than the analysis says.

The simulation knows nothing of the analysis: events, a queue, the lowest identifier first. Each set
is run twice: from random first releases, and from the worst moment known for a message (the
longest frame of lower priority has just begun when all others become ready), where the bound has to
be met to within one bit time, so that it is neither passed nor idle.
"""

import heapq
import random

import pytest

from donorfit.network import LoadReport, analyse_load
from donorfit.network.frame_bits import compute_priority
from donorfit.vehicle.network import Message, Network, NetworkKind

RATES = ((125_000, 0), (250_000, 1_000_000), (500_000, 2_000_000), (500_000, 5_000_000))
PERIODS = (5, 10, 10, 20, 20, 25, 40, 50, 100)
LENGTHS = (0, 1, 2, 4, 6, 8, 8, 8)
FLEXIBLE_LENGTHS = (*LENGTHS, 12, 16, 24, 32, 48, 64)


def make_set(dice: random.Random) -> Network:
    """A bus with 2 to 30 cyclic messages, of any load below 1 and a few above."""
    rate, fast = dice.choice(RATES)
    messages = []
    for number in range(dice.randint(2, 30)):
        flexible = bool(fast) and dice.random() < 0.5
        extended = dice.random() < 0.2
        messages.append(
            Message(
                name=f"m{number}",
                frame_id=dice.getrandbits(29) if extended else dice.getrandbits(11),
                extended=extended,
                length_bytes=dice.choice(FLEXIBLE_LENGTHS if flexible else LENGTHS),
                cycle_ms=dice.choice(PERIODS),
                senders=(),
                receivers=(),
                can_fd=flexible,
                bit_rate_switch=dice.random() < 0.9 if flexible else None,
            )
        )
    numbers = {(each.frame_id, each.extended): each for each in messages}
    return Network(
        name="n",
        kind=NetworkKind.CAN,
        bit_rate=rate,
        messages=tuple(sorted(numbers.values(), key=compute_priority)),
        data_bit_rate=fast,
    )


def simulate(frames: list[tuple[int, int]], firsts: list[int], most_events: int) -> list[int]:
    """Longest response of each message in nanoseconds; frames are (period, length) by priority."""
    releases = [(first, place) for place, first in enumerate(firsts)]
    heapq.heapify(releases)
    ready: list[tuple[int, int]] = []
    worst = [0] * len(frames)
    now = 0
    for _ in range(most_events):
        if not ready:
            now = max(now, releases[0][0])
        while releases[0][0] <= now:
            released, place = heapq.heappop(releases)
            heapq.heappush(ready, (place, released))
            heapq.heappush(releases, (released + frames[place][0], place))
        place, released = heapq.heappop(ready)
        now += frames[place][1]
        worst[place] = max(worst[place], now - released)
    return worst


def try_set(dice: random.Random) -> tuple[int, int]:
    """Messages put at their worst moment, and how many met their bound within a bit time; (0, 0)
    at overload. All messages are compared from random first releases."""
    network = make_set(dice)
    report = analyse_load(network)
    if report.worst_load >= 1:
        assert report.late
        return 0, 0
    frames = [(round(r.period_us * 1000), round(r.frame_us * 1000)) for r in report.responses]
    events = 60 * len(frames)
    check(report, simulate(frames, [dice.randrange(period) for period, _ in frames], events))
    places = dice.sample(range(len(frames)), min(3, len(frames)))
    met = sum(meets_its_bound(report, frames, place) for place in places)
    return len(places), met


def check(report: LoadReport, seen: list[int]) -> None:
    for longest, bound in zip(seen, report.responses, strict=True):
        assert bound.worst_us is not None
        assert longest <= round(bound.worst_us * 1000), (report, bound)


def meets_its_bound(report: LoadReport, frames: list[tuple[int, int]], place: int) -> bool:
    lower = [(length, other) for other, (_, length) in enumerate(frames) if other > place]
    firsts = [1] * len(frames)
    if lower:
        firsts[max(lower)[1]] = 0
    seen = simulate(frames, firsts, 60 * len(frames))
    check(report, seen)
    bit = 1e9 / report.bit_rate
    return report.responses[place].worst_us * 1000 - seen[place] <= bit + 1


def run(sets: int, seed: int) -> tuple[int, int, int]:
    dice = random.Random(seed)
    judged = messages = met = 0
    for _ in range(sets):
        compared, close = try_set(dice)
        judged, messages, met = judged + bool(compared), messages + compared, met + close
    return judged, messages, met


def test_one_hundred_sets() -> None:
    judged, messages, met = run(100, seed=1)
    assert judged > 80
    assert met > 0.9 * messages


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_ten_thousand_sets(capsys: pytest.CaptureFixture[str]) -> None:
    judged, messages, met = run(10_000, seed=2)
    with capsys.disabled():
        print(f"\n10000 sets: {judged} below full load, no message later than computed; of")
        print(
            f"{messages} at their worst moment {met} ({met / messages:.1%}) meet it in a bit time"
        )
    assert judged > 8_000
    assert met > 0.9 * messages
