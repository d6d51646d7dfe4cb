"""Files are written whole or not at all, and no cell is a formula."""

import os
import stat

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.records.findings import CannotDo
from analysis.records.new_season import new_folder
from analysis.records.reading import read_table
from analysis.records.schema import table
from analysis.records.writing import csv_text, inert, staged_folder, write_bytes, write_csv, write_text


def test_a_file_is_replaced_whole_and_keeps_its_permissions(tmp_path):
    path = tmp_path / "file.txt"
    write_text(path, "one")
    path.chmod(0o640)
    write_text(path, "two é")
    assert path.read_bytes() == "two é".encode()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert [p.name for p in tmp_path.iterdir()] == ["file.txt"]


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_when_the_disk_fails_the_file_is_as_before(tmp_path, monkeypatch, call):
    path = tmp_path / "file.txt"
    write_text(path, "one")

    def fail(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail) if call == "fsync" else monkeypatch.setattr("pathlib.Path.replace", fail)
    with pytest.raises(OSError, match="No space"):
        write_bytes(path, b"two")
    assert path.read_text() == "one"
    assert [p.name for p in tmp_path.iterdir()] == ["file.txt"]


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link.txt").symlink_to(tmp_path / "real" / "file.txt")
    write_text(tmp_path / "link.txt", "through")
    assert (tmp_path / "real" / "file.txt").read_text() == "through"
    assert (tmp_path / "link.txt").is_symlink()


def test_a_folder_comes_whole_or_not_at_all(tmp_path):
    def interrupted():
        with staged_folder(tmp_path / "r1") as stage:
            (stage / "half.txt").write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        interrupted()
    assert list(tmp_path.iterdir()) == []
    with staged_folder(tmp_path / "r1") as stage:
        (stage / "whole.txt").write_text("whole")
        assert not (tmp_path / "r1").exists()
    assert (tmp_path / "r1" / "whole.txt").read_text() == "whole"
    with pytest.raises(OSError, match="not empty"), staged_folder(tmp_path / "r1"):
        pass
    assert [p.name for p in (tmp_path / "r1").iterdir()] == ["whole.txt"]


def test_new_refuses_what_is_there(tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "thing").write_text("")
    (tmp_path / "empty").mkdir()
    with pytest.raises(CannotDo, match="not empty"):
        new_folder(tmp_path / "full")
    with pytest.raises(CannotDo, match="is a file"):
        new_folder(tmp_path / "full" / "thing")
    assert new_folder(tmp_path / "empty") == tmp_path / "empty"
    assert (tmp_path / "empty" / "dairy.toml").is_file()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["empty", "full"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\t=1", "\r=1", "'=1"])
def test_formulas_are_made_inert(text):
    assert inert(text) == f"'{text}"


def test_numbers_stay_numbers_and_days_days():
    frame = pd.DataFrame(
        {
            "c": [-0.52, np.nan],
            "n": [1, 2],
            "d": pd.to_datetime(["2026-05-01", None]),
            "t": ["-0.52", None],
            "=h": ["a", "b"],
        }
    )
    assert csv_text(frame) == "c,n,d,t,'=h\n-0.52,1,2026-05-01,'-0.52,a\n,2,,,b\n"


@settings(max_examples=40, deadline=None)
@given(
    note=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0\r\n"), min_size=1),
    fat=st.floats(0.5, 16),
)
def test_what_is_written_is_read_back(tmp_path_factory, note, fat):
    folder = tmp_path_factory.mktemp("round")
    row = {"sampled_on": pd.Timestamp(2026, 5, 1), "source": "bulk", "fat_g_100g": fat, "note": note}
    write_csv(folder / "milk_tests.csv", pd.DataFrame([row], columns=table("milk_tests").names))
    back = read_table(folder, table("milk_tests")).frame.iloc[0]
    assert back["fat_g_100g"] == fat
    assert back["sampled_on"] == pd.Timestamp(2026, 5, 1)
    assert pd.isna(back["note"]) if not note.strip() else back["note"] in (note, note.strip())
