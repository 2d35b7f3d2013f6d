"""Which needs records show, and while which buses were awake."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from donorfit.cli.network import network_group
from donorfit.errors import InputError
from donorfit.network.awake import count_steps_back, find_awake, list_rhythms
from donorfit.network.candump_text import read_candump
from donorfit.network.log_coverage import RecordedState, SeenVerdict, check_records
from donorfit.network.measured_load import measure_load
from donorfit.vehicle.donor import NeededSignal

SLEEP_S = 30


def write(*sent: tuple[str, int, float, float, float]) -> bytes:
    """Candump text of messages: channel, identifier, first and last second, seconds between."""
    rows = []
    for channel, number, first, last, gap in sent:
        rows += [
            (place, channel, number)
            for place in (first + gap * count for count in range(int((last - first) / gap) + 1))
        ]
    return "".join(
        f"({time_s:.6f}) {channel} {number:03X}#00\n" for time_s, channel, number in sorted(rows)
    ).encode()


def make_state(name: str, *sent: tuple[str, int, float, float, float]) -> RecordedState:
    frames = read_candump(write(*sent)).frames
    periods = find_awake(frames)
    return RecordedState(name=name, periods=periods, rhythms=list_rhythms(frames, periods))


@pytest.fixture
def check(network, message):
    described = [network(message("Lamp", 0x100), name="body")]

    def run(*states: RecordedState, longest_gap_ms: int = 500, channels=None):
        need = NeededSignal(
            network="body", message="Lamp", signal="TurnLeft",
            longest_gap_ms=longest_gap_ms, effect="the lamp stays dark",
        )  # fmt: skip
        (found,) = check_records([need], described, states, channels)
        return found

    return run


def test_a_gap_in_which_nothing_is_sent_ends_a_period() -> None:
    frames = read_candump(
        write(("can0", 0x100, 0, 5, 0.1), ("can0", 0x100, 5 + SLEEP_S, 9 + SLEEP_S, 0.1))
    ).frames
    one, two = find_awake(frames)
    assert (one.first_row, one.begin_s, one.seconds) == (0, 0, pytest.approx(5))
    assert (two.first_row, two.begin_s, two.seconds) == (51, 35, pytest.approx(4))
    assert len(find_awake(frames, SLEEP_S + 1)) == 1
    (rhythm,) = list_rhythms(frames)
    assert rhythm.periods == (0, 1)
    assert rhythm.longest_ms == pytest.approx(100)  # and not the 30 s of sleep


def test_channels_sleep_and_send_on_their_own() -> None:
    frames = read_candump(
        write(("can0", 0x100, 0, 60, 0.1), ("can1", 0x100, 0, 5, 1), ("can1", 0x200, 50, 60, 1))
    ).frames
    assert [each.channel for each in find_awake(frames)] == ["can0", "can1", "can1"]
    rhythms = {(each.channel, each.frame_id): each for each in list_rhythms(frames)}
    assert rhythms["can0", 0x100].median_ms == pytest.approx(100)
    assert rhythms["can1", 0x100].median_ms == pytest.approx(1000)
    assert rhythms["can1", 0x100].periods == (0,)
    assert rhythms["can1", 0x200].periods == (1,)
    assert measure_load(frames, 500_000, 0).plain > measure_load(frames, 500_000, 1).plain


def test_a_message_that_sleeps_on_while_its_bus_is_awake_is_slow(check) -> None:
    """A gap of one message alone is a gap; only silence of the whole bus is sleep."""
    found = check(make_state("drive", ("can0", 0x100, 0, 1, 0.1), ("can0", 0x200, 0, 20, 0.1),
                             ("can0", 0x100, 10, 20, 0.1)))  # fmt: skip
    assert found.verdict is SeenVerdict.TOO_SLOW
    assert "longest gap 9000 ms" in found.reason


def test_absence_counts_in_awake_periods_of_all_states(check) -> None:
    parked = make_state("parked.log", ("can0", 0x200, 0, 5, 0.1), ("can0", 0x200, 40, 45, 0.1))
    drive = make_state("drive.log", ("can0", 0x100, 0, 5, 0.1))
    nothing = check(parked)
    assert nothing.verdict is SeenVerdict.NOT_SEEN
    assert nothing.reason == "0x100 does not occur in 2 awake periods of 1 recorded state"
    both = check(parked, drive)
    assert both.verdict is SeenVerdict.SOMETIMES
    assert both.reason.endswith("absent in 2 of 3 awake periods (parked.log)")
    assert [each.without for each in both.states] == [2, 0]
    assert check(drive).verdict is SeenVerdict.SEEN


def test_a_period_shorter_than_the_tolerated_gap_proves_no_absence(check) -> None:
    state = make_state(
        "a",
        ("can0", 0x100, 0, 5, 0.1),
        ("can0", 0x200, 40, 40.3, 0.1),
        ("can0", 0x200, 80, 85, 0.1),
    )
    assert check(state).states[0].awake_periods == 2
    assert check(state).states[0].without == 1
    assert check(state, longest_gap_ms=6000).verdict is SeenVerdict.SEEN


def test_a_named_channel_is_the_only_one_looked_at(check) -> None:
    state = make_state("a", ("can0", 0x100, 0, 5, 0.1), ("can1", 0x200, 0, 5, 0.1))
    assert check(state).verdict is SeenVerdict.SEEN
    assert check(state, channels={"body": "can1"}).verdict is SeenVerdict.NOT_SEEN
    assert check(state, channels={"body": "can7"}).verdict is SeenVerdict.NOT_RECORDED


def test_a_record_without_times_has_one_period_and_no_rhythm(check) -> None:
    frames = read_candump(b"  can0  100   [1]  00\n" * 9).frames
    (period,) = find_awake(frames)
    assert (period.begin_s, period.seconds) == (None, None)
    state = RecordedState(name="a", periods=(period,), rhythms=list_rhythms(frames))
    assert check(state).verdict is SeenVerdict.SEEN
    assert "no times" in check(state).reason


def test_times_that_step_back_are_counted_and_begin_a_period() -> None:
    text = write(("can0", 0x100, 100, 105, 0.1)) + write(("can0", 0x100, 0, 5, 0.1))
    frames = read_candump(text).frames
    assert count_steps_back(frames) == (1, 52)
    assert len(find_awake(frames)) == 2
    (rhythm,) = list_rhythms(frames)
    assert rhythm.longest_ms == pytest.approx(100)
    small = read_candump(b"(1.0) a 100#\n(0.9) a 100#\n(1.1) a 100#\n").frames
    assert count_steps_back(small) == (1, 2)
    assert len(find_awake(small)) == 1


def test_identifiers_that_share_a_hash_stay_apart() -> None:
    """All 29 bit identifiers of a run: their 16 bit images meet many times over."""
    numbers = np.arange(0, 1 << 20, 83)
    text = "".join(f"(1.0) a {number:08X}#\n" for number in numbers.tolist()).encode()
    rhythms = list_rhythms(read_candump(text).frames)
    assert [each.frame_id for each in rhythms] == numbers.tolist()
    assert all(each.count == 1 for each in rhythms)


def call(*arguments: object):
    return CliRunner().invoke(network_group, [str(each) for each in arguments])


def test_the_command_takes_several_states(tmp_path: Path) -> None:
    for name, sent in (
        ("parked.log", ("can0", 0x200, 0.0, 5.0, 0.1)),
        ("drive.log", ("can0", 0x100, 0.0, 5.0, 0.1)),
    ):
        (tmp_path / name).write_bytes(write(sent))
    result = call("log", tmp_path / "parked.log", tmp_path / "drive.log")
    assert result.output.index("parked.log:") < result.output.index("drive.log:")
    assert result.output.count("can0 awake in 1 period: 5.0 s") == 2
    plain = json.loads(call("log", *tmp_path.glob("*.log"), "--json").output)
    assert {each["frames"] for each in plain["records"]} == {51}
    for wrong in ("body", "=can0", "body=", "nowhere=can0"):
        bad = call("log", tmp_path / "drive.log", "--channel", wrong)
        assert isinstance(bad.exception, InputError), wrong
