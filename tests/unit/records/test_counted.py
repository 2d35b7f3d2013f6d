"""Counted things in words."""

import pytest

from donorfit.records.counted import choose, count


@pytest.mark.parametrize(
    ("number", "words", "verb"),
    [
        (0, "0 entries", "are"),
        (1, "1 entry", "is"),
        (2, "2 entries", "are"),
        (21, "21 entries", "are"),
    ],
)
def test_noun_and_verb_go_with_the_number(number, words, verb):
    assert count(number, "entry", "entries") == words
    assert choose(number, "is", "are") == verb


def test_most_nouns_take_an_s():
    assert (count(1, "unit"), count(3, "unit")) == ("1 unit", "3 units")
