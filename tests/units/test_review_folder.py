"""Review folders: whole or not there."""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from analysis.records.findings import CannotDo
from analysis.review.review_folder import new_review, review_before, reviews_of, season_lock, sweep


def make(season: Path, month: str, content: str = "page") -> Path:
    with season_lock(season), new_review(season, month) as (staging, review):
        (staging / "review.html").write_text(content)
    return review.folder


def test_numbers_count_up_and_latest_names_the_newest(tmp_path: Path) -> None:
    first, second = make(tmp_path, "2026-05", "one"), make(tmp_path, "2026-05", "two")
    assert [first.name, second.name] == ["r1", "r2"]
    assert (first.parent / "latest").read_text() == "r2\n"
    assert (first / "review.html").read_text() == "one"


def test_a_failure_leaves_nothing(tmp_path: Path) -> None:
    def fail() -> None:
        with season_lock(tmp_path), new_review(tmp_path, "2026-05") as (staging, _review):
            (staging / "review.html").write_text("half")
            raise RuntimeError("disk full")

    with pytest.raises(RuntimeError):
        fail()
    assert list(tmp_path.iterdir()) == []
    whole = make(tmp_path, "2026-05")
    with pytest.raises(RuntimeError):
        fail()
    assert reviews_of(tmp_path)[-1].folder == whole
    assert sorted(path.name for path in whole.parent.iterdir()) == ["latest", "r1"]


def test_a_kill_in_the_middle_leaves_no_review_and_is_swept(tmp_path: Path) -> None:
    whole = make(tmp_path, "2026-05")
    script = textwrap.dedent(
        f"""
        import os
        from pathlib import Path
        from analysis.review.review_folder import new_review, season_lock
        season = Path({str(tmp_path)!r})
        with season_lock(season), new_review(season, "2026-05") as (staging, review):
            (staging / "review.html").write_text("half")
            os._exit(9)
        """
    )
    root = Path(__file__).resolve().parents[2]
    assert subprocess.run([sys.executable, "-c", script], cwd=root, check=False).returncode == 9
    assert [review.name for review in reviews_of(tmp_path)] == ["r1"]
    assert len(list(whole.parent.glob(".r*.part"))) == 1
    again = make(tmp_path, "2026-05", "two")
    assert again.name == "r2"
    assert list(whole.parent.glob(".r*.part")) == []


def test_latest_is_named_again_when_a_kill_came_before_it(tmp_path: Path) -> None:
    folder = make(tmp_path, "2026-05")
    (folder.parent / "r2").mkdir()
    sweep(tmp_path)
    assert (folder.parent / "latest").read_text() == "r2\n"


def test_the_review_before_is_the_last_of_the_month_else_of_the_newest_earlier_month(tmp_path: Path) -> None:
    assert review_before(tmp_path, "2026-05") is None
    for month in ("2026-03", "2026-03", "2026-04", "2026-07"):
        make(tmp_path, month)
    before = review_before(tmp_path, "2026-05")
    assert before is not None
    assert (before.month, before.name) == ("2026-04", "r1")
    same = review_before(tmp_path, "2026-03")
    assert same is not None
    assert (same.month, same.name) == ("2026-03", "r2")


def test_a_second_run_says_that_another_one_works(tmp_path: Path) -> None:
    script = textwrap.dedent(
        f"""
        from pathlib import Path
        from analysis.records.findings import CannotDo
        from analysis.review.review_folder import season_lock
        try:
            with season_lock(Path({str(tmp_path)!r}), wait_seconds=0.2):
                print("got it")
        except CannotDo as error:
            print(error)
        """
    )
    root = Path(__file__).resolve().parents[2]
    with season_lock(tmp_path):
        said = subprocess.run(
            [sys.executable, "-c", script], cwd=root, check=True, capture_output=True, text=True
        ).stdout
    assert "another review" in said


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_to_is_said(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(CannotDo, match="cannot be written"), season_lock(tmp_path):
        pass
