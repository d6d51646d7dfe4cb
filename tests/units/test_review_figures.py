"""Figures: drawn from tables, the same bytes each time, with words; an absent table gives a reason, never a crash."""

from pathlib import Path

import pandas as pd
import pytest

from analysis.records.findings import CannotDo
from analysis.review.chart import WIDE, png_bytes, svg_bytes
from analysis.review.chart_book import BOOK, draw, kept
from analysis.review.outcome import StoredOutcome, Tables
from tests.notebooks import invented_review


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> StoredOutcome:
    root = tmp_path_factory.mktemp("figures")
    season = invented_review.season_folder(root)
    invented_review.store(season, root / "out")
    return StoredOutcome(season, invented_review.MONTH, root / "out")


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> StoredOutcome:
    root = tmp_path_factory.mktemp("bare")
    season = invented_review.season_folder(root)
    lists = {key: [] for key, value in invented_review.invented_decisions().items() if isinstance(value, list)}
    decisions = {"contract": 1, "dairy": "x", "month": invented_review.MONTH, "data_through": None, **lists}
    tables = {name: table.iloc[:0] for name, table in invented_review.invented_tables().items()}
    invented_review.store(season, root / "out", decisions, tables)
    return StoredOutcome(season, invented_review.MONTH, root / "out")


@pytest.mark.parametrize("name", BOOK)
def test_each_figure_is_drawn_with_words(outcome: StoredOutcome, name: str) -> None:
    shown = draw(outcome, name)
    assert shown.drawn
    assert shown.png.read_bytes().startswith(b"\x89PNG")
    assert shown.svg.stat().st_size < 400_000
    assert shown.svg_narrow.is_file()
    assert shown.reading.endswith(".")
    assert "nan" not in f"{shown.reading} {shown.alt}".lower().split()
    assert len(shown.alt) > 40
    assert kept(outcome, name) == shown


@pytest.mark.parametrize("name", BOOK)
def test_without_rows_a_reason_is_given(bare: StoredOutcome, name: str) -> None:
    shown = draw(bare, name)
    assert not shown.drawn
    assert not shown.png.exists()
    assert len(shown.reading) > 20


def test_the_same_figure_is_the_same_bytes(outcome: StoredOutcome) -> None:
    from analysis.review.figures_milk import swing

    first, second = swing(outcome).figure, swing(outcome).figure
    assert first is not None
    assert second is not None
    assert png_bytes(first) == png_bytes(second)
    assert svg_bytes(first) == svg_bytes(second)


def test_a_phone_gets_a_narrower_drawing(outcome: StoredOutcome) -> None:
    from analysis.review.figures_milk import milk_by_month

    figure = milk_by_month(outcome, narrow=True).figure
    assert figure is not None
    assert figure.get_figwidth() < 0.6 * WIDE


def test_an_unknown_figure_is_named_with_the_nearest(outcome: StoredOutcome) -> None:
    with pytest.raises(CannotDo, match='did you mean "swing"'):
        draw(outcome, "swings")


def test_months_without_milk_are_not_bridged_by_a_line() -> None:
    from analysis.review.figures_milk import _with_gaps

    table = pd.DataFrame({"at": [1.5, 2.5, 5.5], "mean": [6.0, 6.1, 6.5]})
    assert _with_gaps(table)["mean"].isna().tolist() == [False, False, True, True, False]


def test_text_cells_come_back_as_they_were_typed(tmp_path: Path) -> None:
    from analysis.review.outcome import table_text

    table = pd.DataFrame({"text": ["=1+1", "-x", "plain", "'=kept"], "value": [-0.52, 1234567.891, 3.0, None]})
    (tmp_path / "odd.csv").write_text(table_text(table), encoding="utf-8")
    read = Tables(tmp_path)["odd"]
    assert read["text"].tolist() == ["=1+1", "-x", "plain", "'=kept"]
    assert read["value"].tolist()[:3] == [-0.52, 1234570.0, 3.0]
    with pytest.raises(KeyError, match="was 'odd' meant"):
        Tables(tmp_path)["od"]
