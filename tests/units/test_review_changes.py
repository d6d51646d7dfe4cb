"""What changed: causes by what differs between inputs, moves against their own earlier uncertainty, surprises first."""

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from analysis.records.findings import CannotDo
from analysis.review.changes import changes_between
from analysis.review.input_rows import causes_between, keep_inputs
from analysis.review.moves import moves
from analysis.review.review_folder import Review
from tests.notebooks import invented_review


@pytest.fixture
def before(tmp_path: Path) -> Review:
    season = invented_review.season_folder(tmp_path)
    folder = tmp_path / "r1"
    invented_review.store(season, folder)
    keep_inputs(season, folder)
    return Review("2026-05", 1, folder)


def after(before: Review, name: str = "r2") -> Path:
    season = before.folder.parent / "ford"
    folder = before.folder.parent / name
    invented_review.store(season, folder)
    keep_inputs(season, folder)
    return folder


def in_month(folder: Path, month: str) -> Path:
    """Let a review folder be about another month."""
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["parameters"]["month"] = month
    (folder / "manifest.json").write_text(json.dumps(manifest))
    return folder


def test_rows_from_after_the_month_are_neither_news_nor_a_surprise(before: Review) -> None:
    milk = before.folder.parent / "ford" / "milk_tests.csv"
    milk.write_text(milk.read_text() + "S1,2026-05-28,2026-06-02,hill,19.0,,,North lab,infrared\n")
    changes = changes_between(before, after(before), invented_review.invented_decisions())
    assert changes["causes"] == changes["surprises"] == []


def test_equal_inputs_have_no_cause_and_nothing_moved(before: Review) -> None:
    changes = changes_between(before, after(before), invented_review.invented_decisions())
    assert changes["causes"] == changes["moved"] == changes["surprises"] == []
    assert "nothing changed" in changes["text"]


def test_the_first_review_has_none_to_compare_with(before: Review) -> None:
    changes = changes_between(None, before.folder, invented_review.invented_decisions())
    assert changes["against"] is None


def test_new_corrected_and_removed_rows_and_settings_are_told_apart(before: Review) -> None:
    milk = before.folder.parent / "ford" / "milk_tests.csv"
    lines = milk.read_text().splitlines()
    corrected = lines[1].split(",")
    corrected[4] = "9.99"
    milk.write_text(
        "\n".join(
            [
                lines[0],
                ",".join(corrected),
                *lines[2:-1],
                "M999h,2026-05-30,2026-05-31,hill,6.9,5.7,4.8,North lab,infrared",
            ]
        )
        + "\n"
    )
    dairy = before.folder.parent / "ford" / "dairy.toml"
    dairy.write_text(dairy.read_text().replace("label_ok = 0.95", "label_ok = 0.9"))
    causes = {cause.cause: cause for cause in causes_between(before.folder, after(before))}
    assert list(causes) == ["new results", "corrections", "settings"]
    assert causes["new results"].rows == {"milk_tests.csv": ["North lab M999h"]}
    assert causes["corrections"].what == "1 corrected row in milk_tests.csv and 1 removed row in milk_tests.csv"
    assert causes["settings"].rows == {"dairy.toml": ["risk.label_ok"]}


def test_row_order_is_no_change(before: Review) -> None:
    milk = before.folder.parent / "ford" / "milk_tests.csv"
    lines = milk.read_text().splitlines()
    milk.write_text("\n".join([lines[0], *reversed(lines[1:])]) + "\n")
    assert causes_between(before.folder, after(before)) == []


def test_a_move_is_measured_against_its_own_earlier_uncertainty() -> None:
    old = invented_review.invented_decisions()
    new = copy.deepcopy(old)
    row = next(r for r in new["milk_forecast"] if r["source"] == "bulk")
    sd = (row["mean_hi90"] - row["mean_lo90"]) / (2 * 1.645)
    row["mean"] += 2 * sd
    (move,) = moves(old, new)
    assert move.kind == "forecast"
    assert move.against_own_uncertainty == pytest.approx(2.0, abs=0.01)
    assert "bulk milk" in move.text


def test_a_move_within_noise_is_not_worth_a_line() -> None:
    old = invented_review.invented_decisions()
    new = copy.deepcopy(old)
    for row in new["milk_forecast"]:
        row["mean"] += 0.02
    assert moves(old, new) == []


def test_values_verdicts_actions_and_windows_that_moved_are_said() -> None:
    old = invented_review.invented_decisions()
    new = copy.deepcopy(old)
    new["label"][0]["declared"] = 7.2
    new["claims"][0]["verdict"] = "seasonal"
    new["label_action"][0]["action"] = "reprint"
    new["set_time"][0]["expected_min"] = 190
    said = {move.kind: move for move in moves(old, new)}
    assert set(said) == {"declared", "verdict", "action", "window"}
    assert said["declared"].by == pytest.approx(0.3)
    assert "from 6.9 to 7.2 g" in said["declared"].text
    assert said["window"].by == 18


def test_a_result_outside_its_forecast_is_a_surprise_and_one_inside_is_not(before: Review) -> None:
    decisions = json.loads((before.folder / "decisions.json").read_text())
    forecast = next(
        r for r in decisions["milk_forecast"]
        if (r["month"], r["source"], r["component"]) == ("2026-06", "hill", "fat_g_100g")
    )  # fmt: skip
    milk = before.folder.parent / "ford" / "milk_tests.csv"
    out, inside = forecast["one_hi90"] + 1, forecast["mean"]
    milk.write_text(
        milk.read_text()
        + f"S1,2026-06-10,2026-06-11,hill,{out:.2f},,,North lab,infrared\n"
        + f"S2,2026-06-11,2026-06-12,hill,{inside:.2f},,,North lab,infrared\n"
    )
    folder = in_month(after(before), "2026-06")
    changes = changes_between(before, folder, invented_review.invented_decisions())
    assert [surprise["sample_id"] for surprise in changes["surprises"]] == ["S1"]
    assert "above" in changes["surprises"][0]["text"]


def test_energy_in_kj_and_in_kcal_are_two_values() -> None:
    old = invented_review.invented_decisions()
    fat = old["label"][0]
    values = {"kJ": 445, "kcal": 107}
    old["label"] = [{**fat, "nutrient": "energy", "unit": unit, "declared": value} for unit, value in values.items()]
    new = copy.deepcopy(old)
    new["label"][0]["declared"] = 450
    (move,) = moves(old, new)
    assert (move.before, move.after, move.unit) == (445, 450, "kJ")


def stand_in_for_deciding(folder: Path, month: str) -> dict[str, Any]:
    """Decide by a sum that can be done by hand: rows of milk, months and the wanted probability."""
    rows = len((folder / "milk_tests.csv").read_text().splitlines()) - 1
    strict = 10 if "label_ok = 0.9\n" in (folder / "dairy.toml").read_text() else 0
    decisions = invented_review.invented_decisions()
    decisions["month"] = month
    decisions["set_time"][0]["expected_min"] = 100 + rows + 20 * int(month[-2:]) + strict
    return decisions


def test_what_moved_is_split_by_cause_and_adds_up(before: Review) -> None:
    season = before.folder.parent / "ford"
    earlier = stand_in_for_deciding(season, "2026-05")
    (before.folder / "decisions.json").write_text(json.dumps(earlier))
    milk, dairy = season / "milk_tests.csv", season / "dairy.toml"
    milk.write_text(
        milk.read_text() + "".join(f"N{k},2026-06-0{k},2026-06-0{k},hill,,,,North lab,infrared\n" for k in (1, 2, 3))
    )
    dairy.write_text(dairy.read_text().replace("label_ok = 0.95", "label_ok = 0.9"))
    folder = in_month(after(before), "2026-06")
    now = stand_in_for_deciding(season, "2026-06")
    (move,) = changes_between(before, folder, now, stand_in_for_deciding)["moved"]
    assert [(part["cause"], part["by"]) for part in move["split"]] == [
        ("a month has passed", 20),
        ("new results", 3),
        ("settings", 10),
    ]
    assert sum(part["by"] for part in move["split"]) == move["by"]
    assert "new results (+3 min)" in move["text"]


def test_one_cause_alone_takes_everything_without_a_refit(before: Review) -> None:
    season = before.folder.parent / "ford"
    dairy = season / "dairy.toml"
    dairy.write_text(dairy.read_text().replace("label_ok = 0.95", "label_ok = 0.9"))
    now = invented_review.invented_decisions()
    now["label_action"][0]["action"] = "reprint"

    def never(_folder: Path, _month: str) -> dict[str, Any]:
        raise AssertionError("a refit where one cause explains everything")

    (move,) = changes_between(before, after(before), now, never)["moved"]
    assert [part["cause"] for part in move["split"]] == ["settings"]


def test_where_a_step_cannot_be_decided_no_split_is_made_up(before: Review) -> None:
    season = before.folder.parent / "ford"
    dairy, milk = season / "dairy.toml", season / "milk_tests.csv"
    dairy.write_text(dairy.read_text().replace("label_ok = 0.95", "label_ok = 0.9"))
    milk.write_text(milk.read_text() + "N1,2026-05-29,2026-05-30,hill,,,,North lab,infrared\n")
    now = invented_review.invented_decisions()
    now["label_action"][0]["action"] = "reprint"

    def cannot(_folder: Path, _month: str) -> dict[str, Any]:
        raise CannotDo("no month")

    (move,) = changes_between(before, after(before), now, cannot)["moved"]
    assert move["split"] == ()
