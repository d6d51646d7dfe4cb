"""The committed notebooks: clean, short, and each one runs by itself."""

from pathlib import Path

import nbformat
import papermill
import pytest

from analysis.places import place
from analysis.review.chart_book import BOOK, deliverables_of
from analysis.review.monthly import NOTEBOOKS
from tests.notebooks import invented_review

_LONGEST_CELL = 15


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A season folder and an out_folder with an outcome that fits it."""
    root = tmp_path_factory.mktemp("alone")
    season = invented_review.season_folder(root, "dairy with {braces} and spaces")
    invented_review.store(season, root / "out")
    return season, root / "out"


def read(name: str) -> nbformat.NotebookNode:
    return nbformat.read(place("notebooks", f"{name}.ipynb"), as_version=4)


def test_the_notebooks_are_those_of_the_contract() -> None:
    found = sorted(path.stem for path in place("notebooks").glob("*.ipynb"))
    assert found == sorted(NOTEBOOKS)


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_committed_without_outputs_counts_and_traces_of_runs(name: str) -> None:
    notebook = read(name)
    nbformat.validate(notebook)
    assert (notebook.nbformat, notebook.nbformat_minor) == (4, 5)
    assert "papermill" not in notebook.metadata
    for cell in notebook.cells:
        assert set(cell.metadata) <= {"tags"}
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None
    ids = [cell.id for cell in notebook.cells]
    assert len(set(ids)) == len(ids)
    assert all("-" in one or one.isalpha() for one in ids), "ids are words, not random"


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_says_first_what_it_answers_and_needs(name: str) -> None:
    first = read(name).cells[0]
    assert first.cell_type == "markdown"
    assert "**Answers:**" in first.source
    assert "**Needs:**" in first.source


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_parameters_have_working_defaults_and_cells_are_short(name: str) -> None:
    notebook = read(name)
    tagged = [cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    given: dict[str, object] = {}
    exec(tagged[0].source, given)
    assert {"season_folder", "month", "out_folder"} <= set(given)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert len(cell.source.splitlines()) <= _LONGEST_CELL
            assert "!" not in cell.source


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_declares_what_it_owes(name: str) -> None:
    owed = set(read(name).metadata["pasturepot"]["deliverables"])
    assert set(deliverables_of(name)) <= owed
    assert owed
    assert {entry[0] for entry in BOOK.values()} <= set(NOTEBOOKS)


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize("name", NOTEBOOKS)
def test_runs_alone_by_plain_papermill_from_elsewhere(
    name: str, decided: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    season, out = decided
    monkeypatch.chdir(tmp_path)
    notebook = str(place("notebooks", f"{name}.ipynb"))
    parameters = {"season_folder": str(season), "month": invented_review.MONTH, "out_folder": str(out)}
    done = papermill.execute_notebook(notebook, "done.ipynb", parameters, progress_bar=False)
    for owed in read(name).metadata["pasturepot"]["deliverables"]:
        assert (out / owed).stat().st_size > 0
    shown = [output for cell in done.cells if cell.cell_type == "code" for output in cell.outputs]
    assert any("Invented dairy at the ford" in str(output.get("data", {}).get("text/markdown", "")) for output in shown)
    assert not any(output.get("name") == "stderr" for output in shown)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["done.ipynb"]
