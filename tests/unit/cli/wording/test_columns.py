"""Text set for a terminal stays within its columns and says nothing a terminal could obey."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from donorfit.cli.columns import WIDTH, clean, fold, measure, pad, tabulate, word_seconds


@given(st.text(max_size=400), st.integers(20, 120))
def test_no_line_is_wider_than_asked(text: Any, width: Any) -> None:
    lines = fold(text, first="  do: ", width=width)
    assert all(measure(line) <= width for line in lines)
    assert all(line.isprintable() for line in lines)


@given(st.text(alphabet="abc \t\n", max_size=300))
def test_folding_loses_no_word(text: Any) -> None:
    joined = "".join("".join(fold(text, width=20)).split())
    assert joined == "".join(text.split())


@given(st.lists(st.tuples(st.text(max_size=60), st.text(max_size=60), st.text(max_size=200))))
def test_tables_stay_within_the_width(rows: Any) -> None:
    assert all(measure(line) <= WIDTH for line in tabulate(rows))


def test_controls_and_marks_of_direction_are_shown_not_sent() -> None:
    assert clean("a\x1b[31mred\u202eback\x00") == "a\\u001b[31mred\\u202eback\\u0000"
    assert clean("two\r\nlines") == "two lines"
    assert clean("na\u00efve \u6f22") == "na\u00efve \u6f22"


def test_wide_and_combining_signs_are_measured() -> None:
    """UAX 11: ideographs take two columns; combining marks none."""
    assert measure("\u6f22\u5b57") == 4
    assert measure("e\u0301") == 1
    assert pad("\u6f22", 4) == "\u6f22  "


def test_durations() -> None:
    said = [word_seconds(seconds) for seconds in (2.5, 99, 100, 3540, 3900)]
    assert said == ["2.5 s", "99 s", "2 min", "59 min", "1 h 05 min"]
