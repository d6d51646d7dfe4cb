"""The schemas are whole, agree with the contract's column names, and the documentation of columns comes from them."""

import json

import jsonschema
import pytest

from analysis.places import place
from analysis.records.new_season import dairy_text, new_folder
from analysis.records.schema import TABLE_NAMES, column_notes, json_schema, tables
from analysis.records.season import read_season
from tests.zoo import HEADERS


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_columns_are_those_of_the_contract(name):
    assert ",".join(tables()[name].names) == HEADERS[name]


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_every_column_is_described(name):
    for column in tables()[name].columns:
        assert column.description.endswith(".")
        assert column.example
        if column.is_number and column.name != "value":
            assert column.unit, column.name
            lo, hi = column.impossible
            assert lo is not None
            assert hi is not None
            # What is odd lies inside what can be.
            assert column.odd[0] is None or column.odd[0] > lo
            assert column.odd[1] is None or column.odd[1] < hi


@pytest.mark.parametrize("name", ["dairy", "decisions"])
def test_json_schemas_are_valid(name):
    jsonschema.Draft202012Validator.check_schema(json_schema(name))


def test_examples_make_a_season_without_findings(tmp_path):
    folder = new_folder(tmp_path / "new")
    for name, table in tables().items():
        example = ",".join(column.example for column in table.columns)
        (folder / table.file).write_text(",".join(table.names) + "\n" + example + "\n")
        assert name in TABLE_NAMES
    found = [f for f in read_season(folder).check() if f.severity != "note"]
    # The one batch of the examples names a starter batch that is not among them.
    assert [f.code for f in found] == ["unknown-starter"]


def test_the_column_notes_are_up_to_date():
    written = place("data_schema", "README.md").read_text(encoding="utf-8")
    assert column_notes() in written, "write data_schema/README.md anew: python -m analysis.records.schema"


def test_plausible_ranges_of_milk_are_those_published():
    # USDA FoodData Central, Milk, sheep, fluid (NDB 01109): fat 7.00, protein 5.98. FAO 2013 (Milk and dairy products
    # in human nutrition, table 3.1), sheep: lactose 5.1 (4.5-5.4). Pavic et al. 2002 (Czech J Anim Sci 47:80): total
    # solids 19.11, pH 6.78, freezing point -0.566. None of them may be called odd.
    published = {
        "fat_g_100g": [7.00, 6.4, 5.8, 7.52],
        "protein_g_100g": [5.98, 5.6, 5.4, 5.90],
        "lactose_g_100g": [5.1, 4.5, 5.4, 4.55],
        "total_solids_g_100g": [19.11, 17.41, 18.13],
        "freezing_point_c": [-0.566, -0.578, -0.560],
        "ph": [6.78, 6.63],
    }
    for name, values in published.items():
        lo, hi = tables()["milk_tests"].column(name).odd
        assert all(lo <= value <= hi for value in values), name


def test_decisions_schema_has_the_keys_of_the_contract():
    required = json_schema("decisions")["required"]
    assert required == [
        "contract", "dairy", "month", "data_through", "milk_forecast", "pot_forecast", "swing", "outcomes",
        "pot_outlook", "set_time", "starter", "label", "label_action", "label_sets", "claims", "next_tests",
        "track_record", "flags",
    ]  # fmt: skip


def test_decisions_schema_refuses_what_is_no_decision():
    empty = {key: [] for key in json_schema("decisions")["required"]}
    fine = {**empty, "contract": 1, "dairy": "Test Dairy", "month": "2026-05", "data_through": None, "more": "welcome"}
    valid = jsonschema.Draft202012Validator(json_schema("decisions"))
    assert valid.is_valid(fine)
    claim = {
        "rules": "eu",
        "claim": "high protein",
        "verdict": "safe",
        "ok_worst_month": 0.98,
        "worst_month": "2026-07",
    }
    assert valid.is_valid({**fine, "claims": [claim]})
    for wrong in ({"verdict": "sure"}, {"ok_worst_month": 98}, {"worst_month": "July"}):
        assert not valid.is_valid({**fine, "claims": [{**claim, **wrong}]})
    assert not valid.is_valid({**fine, "month": "2026-13"})
    assert not valid.is_valid({key: value for key, value in fine.items() if key != "swing"})


def test_a_new_dairy_is_valid_whatever_its_folder_is_called(tmp_path):
    for name in ('a "quoted" name', "back\\slash", "línea", "with\x7fdelete"):
        folder = new_folder(tmp_path / name)
        assert json.dumps(name, ensure_ascii=False)[1:-1].replace("\x7f", "\\u007f") in dairy_text(name)
        assert [f.code for f in read_season(folder).check()] == ["no-rows"]
        assert read_season(folder).dairy.name == name
