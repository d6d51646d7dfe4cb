"""Numbers, months and probabilities in words."""

import pytest

from analysis.review import words


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (1.0, "almost certain, more than 99 in 100"),
        (0.97, "very likely, 97 in 100"),
        (0.5, "about even, 50 in 100"),
        (0.27, "unlikely, 27 in 100"),
        (0.001, "almost ruled out, fewer than 1 in 100"),
    ],
)
def test_a_probability_is_said_in_words_and_number(probability: float, said: str) -> None:
    assert words.chance(probability) == said


@pytest.mark.parametrize("absent", [None, float("nan"), "nan"])
def test_what_cannot_be_given_is_not_made_up(absent: object) -> None:
    assert words.chance(absent) == "no probability can be given"
    assert words.number(absent) == "–"
    assert words.clock_span(absent) == "–"


@pytest.mark.parametrize(("minutes", "said"), [(45, "45 min"), (120, "2 h"), (185.4, "3 h 05 min"), (59.6, "1 h")])
def test_minutes_are_said_as_on_a_clock(minutes: float, said: str) -> None:
    assert words.clock_span(minutes) == said


def test_signs_are_real_and_nought_has_none() -> None:
    assert words.signed(0.3, 1) == "+0.3"
    assert words.signed(-0.25, 2) == "−0.25"
    assert words.signed(-0.001, 1) == "0.0"


def test_iso_days_in_a_sentence_are_written_out() -> None:
    assert words.days_in_words("until about 2026-11-27; then 7.0 g") == "until about 27 November 2026; then 7.0 g"


def test_lists_and_counts() -> None:
    assert words.listing(["a"]) == "a"
    assert words.listing(["a", "b", "c"]) == "a, b and c"
    assert words.count_of(1, "row") == "1 row"
    assert words.count_of(3, "row or value was", "rows or values were") == "3 rows or values were"
