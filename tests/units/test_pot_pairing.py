"""Pot tests beside their vats: pairing, nitrogen factors, what carbohydrate means."""

import numpy as np
import pandas as pd
import pytest

from analysis.pot.pairing import acid_held, pair
from tests.units.pot_fakes import empty_tables, made


def test_tests_find_their_vats_and_vats_their_source() -> None:
    tables = made(4, vat_tests=True)
    lots = pair(tables["pot_tests"], tables["batches"])
    assert list(lots.lots["batch_id"]) == ["B000", "B001", "B002", "B003"]
    assert list(lots.tests["lot"]) == [0, 1, 2, 3]
    np.testing.assert_allclose(lots.lots["fat"], tables["batches"]["fat_g_100g"])
    assert set(lots.lots["source"]) == {"bulk"}


def test_two_tests_of_one_vat_share_a_lot() -> None:
    tables = made(3)
    twice = pd.concat([tables["pot_tests"], tables["pot_tests"].iloc[[1]]], ignore_index=True)
    lots = pair(twice, tables["batches"])
    assert len(lots.lots) == 3
    assert list(lots.tests["lot"]) == [0, 1, 2, 1]


def test_a_test_without_batch_id_goes_by_the_day_where_one_vat_was_made() -> None:
    tables = made(3)
    tests = tables["pot_tests"].assign(batch_id=pd.Series([None] * 3, dtype="str"))
    assert list(pair(tests, tables["batches"]).lots["batch_id"]) == ["B000", "B001", "B002"]
    two = pd.concat([tables["batches"], tables["batches"].iloc[[0]].assign(batch_id="B900")], ignore_index=True)
    assert list(pair(tests, two).lots["batch_id"]) == ["", "B001", "B002"]


def test_a_test_with_neither_day_nor_vat_is_named_and_left_out() -> None:
    tables = made(3)
    tests = tables["pot_tests"].copy()
    tests.loc[1, "batch_id"] = "no such vat"
    tests.loc[1, "made_on"] = pd.NaT
    lots = pair(tests, tables["batches"])
    assert list(lots.unpaired["file_row"]) == [3]
    assert list(lots.tests["file_row"]) == [2, 4]


def test_an_unknown_vat_with_a_day_is_taken_as_bulk_of_that_day() -> None:
    tables = made(2)
    lots = pair(tables["pot_tests"].assign(batch_id="elsewhere"), tables["batches"])
    assert list(lots.lots["batch_row"]) == [-1, -1]
    assert list(lots.lots["source"]) == ["bulk", "bulk"]
    assert lots.lots["fat"].isna().all()


def test_protein_becomes_n_times_638_and_unknown_factors_are_counted() -> None:
    tables = made(4)
    tests = tables["pot_tests"].assign(protein_g_100g=5.5, protein_factor=[6.25, 6.38, np.nan, np.nan])
    lots = pair(tests, tables["batches"])
    np.testing.assert_allclose(lots.tests["protein"], [5.5 * 6.38 / 6.25, 5.5, 5.5, 5.5])
    assert lots.factor_unknown == 2


@pytest.mark.parametrize(
    ("said", "gap", "expected"),
    [
        (["difference", "sum"], [np.nan, np.nan], [1.0, 0.0]),
        (["difference", ""], [np.nan, 0.05], [1.0, 1.0]),
        (["", ""], [1.05, np.nan], [1.0, 1.0]),
        (["", ""], [0.06, 0.02], [0.0, 0.0]),
        (["", ""], [np.nan, np.nan], [0.5, 0.5]),
    ],
)
def test_what_carbohydrate_means(said: list[str], gap: list[float], expected: list[float]) -> None:
    tests = made(2)["pot_tests"].assign(carbohydrate_by=said, sugars_g_100g=4.0)
    tests = tests.assign(carbohydrate_g_100g=4.0 + np.asarray(gap))
    np.testing.assert_array_equal(acid_held(tests, tests["lab"]), expected)


def test_nothing_at_all_pairs_to_nothing() -> None:
    tables = empty_tables()
    lots = pair(tables["pot_tests"], tables["batches"])
    assert len(lots.tests) == len(lots.lots) == len(lots.unpaired) == lots.factor_unknown == 0
