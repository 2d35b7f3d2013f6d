"""Text in pictures is measured, broken and never lost unseen."""

from hypothesis import given
from hypothesis import strategies as st

from donorfit.figures.drawing import write_number
from donorfit.figures.lettering import LETTER_EM, MORE, clean, cut, measure, wrap
from donorfit.figures.supply import choose_ticks, spread_labels


@given(st.text(max_size=300), st.floats(30, 400), st.integers(1, 12))
def test_no_line_is_wider_than_its_room(text: str, width: float, most: int) -> None:
    lines = wrap(text, 11, width, most=most)
    assert 1 <= len(lines) <= most
    assert all(measure(line, 11) <= width for line in lines)


@given(st.text(alphabet="abc def", max_size=200))
def test_wrapping_keeps_all_letters(text: str) -> None:
    lines = wrap(text, 11, 60, most=1000)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_what_does_not_fit_is_marked() -> None:
    assert wrap("one two three four five six", 10, 40, most=2)[-1].endswith(MORE)
    assert cut("abcdefghij", 10, 40).endswith(MORE)
    assert cut("abc", 10, 40) == "abc"


def test_width_of_the_face() -> None:
    """DejaVu Sans Mono: 1233 units of 2048 (hmtx of the face that typst carries)."""
    assert abs(LETTER_EM - 1233 / 2048) < 0.0001
    assert measure("abc", 10) == 3 * LETTER_EM * 10


def test_control_signs_are_shown_as_one_mark() -> None:
    assert clean("a\x00b\x1bc\u202ed") == "a\ufffdb\ufffdc\ufffdd"
    assert clean(" two\n lines ") == "two lines"


def test_numbers_are_short_and_the_same_everywhere() -> None:
    assert [write_number(value) for value in (1.0, 0.005, -0.001, 12.345, 100.0)] == [
        "1", "0.01", "0", "12.35", "100",
    ]  # fmt: skip


@given(st.floats(-1e6, 1e6), st.floats(0.01, 1e6), st.integers(2, 12))
def test_ticks_lie_inside_and_are_few(low: float, span: float, most: int) -> None:
    ticks = choose_ticks(low, low + span, most)
    assert len(ticks) <= most + 1
    slack = span * 1e-6 + abs(low) * 1e-9
    assert all(low - slack <= tick <= low + span + slack for tick in ticks)


def test_labels_are_moved_apart_in_order() -> None:
    spread = spread_labels([(10.0, "b", False), (8.0, "a", True), (40.0, "c", False)], 13.0)
    assert [word for _, word, _ in spread] == ["a", "b", "c"]
    assert [y for y, _, _ in spread] == [8.0, 21.0, 40.0]
