"""Sleep current."""

import pytest

from donorfit.electrical import SleepVerdict, compare_sleep, forecast_sleep
from donorfit.errors import InputError


@pytest.mark.parametrize(
    ("current_ma", "verdict"),
    [
        (20, SleepVerdict.USUAL),
        (50, SleepVerdict.USUAL),
        (62, SleepVerdict.HIGH),
        (300, SleepVerdict.KEPT_AWAKE),
    ],
)
def test_verdicts(current_ma, verdict):
    assert forecast_sleep(current_ma=current_ma, capacity_ah=70).verdict is verdict


def test_before_and_after():
    found = compare_sleep(before_ma=20, after_ma=32, capacity_ah=70)
    assert found.added_ma == 12
    assert found.days_lost > 0


@pytest.mark.parametrize(
    "facts",
    [
        {"current_ma": -1, "capacity_ah": 70},
        {"current_ma": 1, "capacity_ah": 0},
        {"current_ma": 1, "capacity_ah": 70, "charge": 0.4},
        {"current_ma": 0, "capacity_ah": 70, "self_discharge_a_day": 0},
        {"current_ma": 1, "capacity_ah": 70, "self_discharge_a_day": 2},
    ],
)
def test_figures_that_make_no_sense(facts):
    with pytest.raises(InputError):
        forecast_sleep(**facts)
