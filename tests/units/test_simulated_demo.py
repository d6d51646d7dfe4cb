"""The committed demo is what its generator makes, and holds what its README says."""

import tomllib
from pathlib import Path

import pandas as pd
import pytest
import python_calamine

from tests.simulation.make_demo import HERE, LAST_MONTH, make


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    make(folder)
    return folder


def sheets(path: Path) -> list[list[list[object]]]:
    book = python_calamine.CalamineWorkbook.from_path(path)
    return [book.get_sheet_by_name(name).to_python() for name in book.sheet_names]


def test_committed_demo_is_what_the_generator_makes(made: Path) -> None:
    names = sorted(p.relative_to(made) for p in made.rglob("*") if p.is_file())
    assert len(names) >= 18
    for name in names:
        if name.suffix in {".xlsx", ".ods"}:  # the bytes hang on the library that packs them, the cells do not
            assert sheets(made / name) == sheets(HERE / name), name
        elif name.suffix != ".pdf":
            assert (made / name).read_bytes() == (HERE / name).read_bytes(), name
        assert (HERE / name).is_file()


def test_made_twice_the_bytes_are_the_same(made: Path, tmp_path: Path) -> None:
    make(tmp_path)
    for path in made.rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / path.relative_to(made)).read_bytes(), path.name


def test_readme_says_that_it_is_invented() -> None:
    assert "invented" in (HERE / "README.md").read_text(encoding="utf-8").splitlines()[0]
    settings = tomllib.loads((HERE / "dairy.toml").read_text(encoding="utf-8"))
    assert "invented" in settings["name"]
    assert len(settings["flocks"]) == 3


def test_awkward_things_are_there() -> None:
    tests = pd.read_csv(HERE / "milk_tests.csv")
    assert tests["lab"].nunique() == 2
    key = tests.groupby(["lab", "sample_id"])["reported_on"].nunique()
    rows = tests.groupby(["lab", "sample_id"]).size()
    assert ((rows == 2) & (key == 2)).sum() == 2  # amended, withdrawn
    assert ((rows == 2) & (key == 1)).sum() == 1  # differ under one key
    assert (tests["fat_g_100g"] > 50).sum() == 1
    assert (tests["source"] == "lower_paddock").sum() == 1
    assert tests["fat_g_100g"].between(10, 13).sum() == 1  # unmixed
    beck = pd.to_datetime(tests.loc[tests["source"] == "beck", "sampled_on"])
    assert not beck.between("2024-07-10", "2024-08-28").any()
    assert (pd.read_csv(HERE / "set_checks.csv")["minutes"] < 0).sum() == 1
    assert (pd.read_csv(HERE / "batches.csv")["failed_as"] == "broken").any()
    rain = pd.read_csv(HERE / "weather.csv", parse_dates=["date"]).set_index("date")["rain_mm"]
    summer = rain[rain.index.month.isin([6, 7, 8])].groupby(rain[rain.index.month.isin([6, 7, 8])].index.year).sum()
    assert summer.idxmin() == 2025
    assert summer[2025] < 0.6 * summer.drop(2025).min()


def test_newest_month_holds_results() -> None:
    tests = pd.read_csv(HERE / "milk_tests.csv")
    assert (tests["sampled_on"].str[:7] == LAST_MONTH).sum() >= 5
    assert tests["sampled_on"].max() <= f"{LAST_MONTH}-31"
    batches = pd.read_csv(HERE / "batches.csv")
    assert (batches["made_on"].str[:7] == LAST_MONTH).sum() >= 8
    assert batches["batch_id"].is_unique
