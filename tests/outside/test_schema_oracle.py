"""frictionless, an independent reader of Table Schemas, agrees with ours."""

import json
import warnings

import pytest

from analysis.places import place
from analysis.records.schema import TABLE_NAMES
from tests.zoo import CLEAN, changed, csv_text

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from frictionless import FrictionlessException, Resource, Schema


def described(name):
    return json.loads(place("data_schema", f"{name}.schema.json").read_text(encoding="utf-8"))


def errors(tmp_path, name, text):
    (tmp_path / f"{name}.csv").write_text(text)
    # Columns that may be left out are left out of some of our files.
    schema = Schema.from_descriptor({**described(name), "fieldsMatch": "subset"})
    resource = Resource(path=f"{name}.csv", basepath=str(tmp_path), schema=schema)
    report = resource.validate()
    return [(found.type, getattr(found, "row_number", None)) for found in [*report.errors, *report.tasks[0].errors]]


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_our_table_schemas_are_valid_table_schemas(name):
    assert list(Schema.metadata_validate(described(name))) == []
    spoilt = described(name)
    spoilt["fields"][0]["type"] = "lettuce"
    with pytest.raises(FrictionlessException):
        Schema.from_descriptor(spoilt)


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_table_that_we_call_clean_is_valid(tmp_path, name):
    assert errors(tmp_path, name, csv_text(name, CLEAN[name])) == []


@pytest.mark.parametrize(
    ("name", "rows", "kind", "row"),
    [
        ("milk_tests", changed("milk_tests", 4, fat_g_100g="six"), "type-error", 4),
        ("milk_tests", changed("milk_tests", 4, fat_g_100g="63"), "constraint-error", 4),
        ("milk_tests", changed("milk_tests", 4, sampled_on="02/04/2026"), "type-error", 4),
        ("milk_tests", changed("milk_tests", 4, source=""), "constraint-error", 4),
        ("set_checks", changed("set_checks", 2, state="firm"), "constraint-error", 2),
        ("ph_readings", changed("ph_readings", 2, ph="65"), "constraint-error", 2),
        ("batches", changed("batches", 3, pots_failed="1.5"), "type-error", 3),
    ],
)
def test_what_we_refuse_it_refuses_in_the_same_row(tmp_path, name, rows, kind, row):
    assert errors(tmp_path, name, csv_text(name, rows)) == [(kind, row)]
