"""The whole review through its notebooks: what it leaves, the same bytes twice, nothing when it fails."""

import json
from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest

from analysis.review import monthly, run_review
from analysis.review.monthly import NOTEBOOKS, ReviewResult
from analysis.review.notebook_failures import CellFailed
from tests.notebooks import invented_review

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def decided_by(store: Callable[[Path, Path], None]) -> Callable[[Path, str, Path], None]:
    def decide_into(folder: Path, _month: str, out: Path) -> None:
        store(folder, out)

    return decide_into


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory: pytest.TempPathFactory) -> list[ReviewResult]:
    """The first review of the same records in two folders."""
    patch = pytest.MonkeyPatch()
    patch.setattr(monthly, "decide_into", decided_by(invented_review.store))
    results = []
    for name in ("one", "another place"):
        season = invented_review.season_folder(tmp_path_factory.mktemp(name))
        results.append(run_review(season, invented_review.MONTH, quiet=True))
    patch.undo()
    return results


def test_a_review_holds_what_the_contract_names(two_runs: list[ReviewResult]) -> None:
    result = two_runs[0]
    assert result.path.name == "r1"
    assert result.page == result.path / "review.html"
    assert result.had_errors
    names = {path.name for path in result.path.iterdir()}
    assert {f"{name}.ipynb" for name in NOTEBOOKS} <= names
    assert {
        "review.html",
        "wall_sheet.html",
        "decisions.json",
        "changes.json",
        "manifest.json",
        "tables",
        "figures",
    } <= names
    assert list((result.path / "figures").glob("*.png"))
    assert (result.path.parent / "latest").read_text() == "r1\n"
    manifest = json.loads((result.path / "manifest.json").read_text())
    assert set(manifest["inputs"]) == {"dairy.toml", "milk_tests.csv", "flock_diary.csv", "batches.csv"}
    assert manifest["parameters"] == {"month": invented_review.MONTH}
    assert manifest["packages"]["pandas"]


def test_two_equal_runs_are_equal_bytes_save_the_manifest(two_runs: list[ReviewResult]) -> None:
    first, second = (result.path for result in two_runs)
    files = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert files == sorted(path.relative_to(second) for path in second.rglob("*") if path.is_file())
    different = [str(file) for file in files if (first / file).read_bytes() != (second / file).read_bytes()]
    assert set(different) <= {"manifest.json"}


def test_executed_notebooks_hold_no_path_of_this_machine(two_runs: list[ReviewResult]) -> None:
    for name in NOTEBOOKS:
        text = (two_runs[0].path / f"{name}.ipynb").read_text(encoding="utf-8")
        assert str(two_runs[0].path.parents[2]) not in text
        executed = nbformat.reads(text, as_version=4)
        assert all(cell.execution_count for cell in executed.cells if cell.cell_type == "code")


def test_a_failing_notebook_leaves_no_half_review(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def store(folder: Path, out: Path) -> None:
        invented_review.store(folder, out)
        (out / "tables" / "milk_swing.csv").write_text("component,part\nfat_g_100g,lactation\n")

    season = invented_review.season_folder(tmp_path)
    before = sorted(path.name for path in season.iterdir())
    monkeypatch.setattr(monthly, "decide_into", decided_by(store))
    with pytest.raises(CellFailed) as caught:
        run_review(season, invented_review.MONTH, quiet=True)
    assert caught.value.notebook == "02_milk_season"
    assert "share" in caught.value.reason
    assert sorted(path.name for path in season.iterdir()) == before


def test_progress_is_silent_where_stderr_is_no_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    from analysis.review.progress import Progress

    with Progress(3) as progress:
        progress.notebook_starts("02_milk_season")
        progress.cell_done("02_milk_season")
    assert capfd.readouterr().err == ""


def test_progress_says_what_runs_and_how_long_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    import io
    import sys

    from analysis.review.progress import Progress

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with Progress(3) as progress:
        progress.notebook_starts("02_milk_season")
        progress.cell_done("02_milk_season")
    assert "02_milk_season" in screen.getvalue()
    assert "left" in screen.getvalue()
