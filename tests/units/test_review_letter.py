"""The letter says what to do, with probability in words and number, and never fills a gap with a guess."""

from typing import Any

import pytest

from analysis.review.letter import letter
from tests.notebooks.invented_review import invented_decisions

EMPTY: dict[str, Any] = {"contract": 1, "dairy": "x", "month": "2026-05", "data_through": None, "flags": []}


def test_three_points_with_advice_probability_and_cautions() -> None:
    label, pots, tests = letter(invented_decisions())
    assert label.do.startswith(
        "Keep the printed label. When you next print, declare fat 6.9 g and protein 5.5 g a 100 g"
    )
    assert "very likely, 97 in 100" in label.chance
    assert "authority" in label.caution
    assert "In June 2026, at 44 °C with 25 g of starter a kilogram, start looking 2 h 31 min" in pots.do
    assert "8 minutes sooner than usual" in pots.do
    assert "very likely, 95 in 100" in pots.chance
    assert "3 h 21 min" in pots.chance
    assert "pH before cooling" in pots.caution
    assert "hygiene plan" in pots.caution
    assert "In June 2026 order 2 pot composites." in tests.do
    assert "96 in 100" in tests.chance


def test_nothing_known_gives_three_honest_points() -> None:
    points = letter(EMPTY)
    assert len(points) == 3
    assert all("robability" in point.chance for point in points)
    assert "hygiene plan" in points[1].caution


@pytest.mark.parametrize(
    ("action", "start"),
    [
        ({"action": "reprint", "why": "w", "decide_by": "2026-07-20"}, "Print a new label: fat 6.9 g"),
        ({"action": "wait for tests", "why": "w", "decide_by": None}, "Do not print new labels yet"),
        (
            {"action": "keep", "why": "w", "decide_by": None, "labels_run_out": "2026-11-27"},
            "Keep the printed label while it lasts, until about 27 November 2026; then print fat 6.9 g",
        ),
    ],
)
def test_each_action_has_its_own_sentence(action: dict[str, Any], start: str) -> None:
    decisions = invented_decisions()
    decisions["label_action"] = [{"rules": "eu", **action}]
    assert letter(decisions)[0].do.startswith(start)


def test_no_waiting_longer_is_ever_advised() -> None:
    said = " ".join(f"{point.do} {point.why}" for point in letter(invented_decisions()))
    assert "wait longer" not in said


def test_where_rules_state_no_tolerance_no_probability_is_given() -> None:
    decisions = invented_decisions()
    for row in decisions["label"]:
        row.update(ok_worst_month=None, on_pot_now_ok_worst_month=None)
    assert letter(decisions)[0].chance == "No probability can be given: these rules state no tolerance."
