"""Rulebook files: what is in them, which one is in force, and what is said about a broken one."""

import json
import os
from datetime import date
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from analysis.label import load_rulebook
from analysis.label.rulebook_file import rulebook_names
from analysis.places import place
from analysis.records.findings import CannotDo

DAY = date(2026, 5, 31)
FOLDER = place("analysis", "label", "rulebooks")


@pytest.fixture
def own_file(tmp_path):
    """A rulebook of one's own: the eu one, with text changed."""

    def write(*changes: tuple[str, str], name: str = "mine.toml") -> Path:
        text = (FOLDER / "eu_2014-12-13.toml").read_text(encoding="utf-8").replace('name = "eu"', 'name = "mine"')
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_every_rulebook_is_read_and_every_number_has_source_and_mark():
    assert rulebook_names() == ("codex", "eu", "gb", "us")
    for name in rulebook_names():
        book = load_rulebook(name, DAY)
        assert book.name == name
        origins = [origin for _, _, origin in book.origins]
        origins += [factor.origin for factor in book.energy_factors]
        origins += [claim.origin for claim in book.claims]
        for line in book.lines:
            origins += [line.origin, *line.rounding_origin, *(band.origin for band in line.tolerance)]
        assert all(len(origin.source) > 3 for origin in origins)
        assert {origin.mark for origin in origins} <= {"V", "V2", "V2*", "M", "D", "C"}


def test_numbers_from_memory_keep_their_mark():
    eu = load_rulebook("eu", DAY)
    # The salt rows and Table 3 of the guidance were not read again.
    assert {band.origin.mark for band in eu.line("salt").tolerance} == {"M"}
    assert {band.origin.mark for band in eu.line("fat").claimed} == {"M"}
    assert {band.origin.mark for band in eu.line("calcium").tolerance} == {"V"}


def test_great_britain_carries_the_same_numbers():
    eu, gb = load_rulebook("eu", DAY), load_rulebook("gb", DAY)
    for one, other in zip(eu.lines, gb.lines, strict=True):
        assert (one.key, one.rounding) == (other.key, other.rounding)
        assert [(band.span, band.minus, band.plus) for band in one.tolerance] == [
            (band.span, band.minus, band.plus) for band in other.tolerance
        ]
    assert [claim.claim for claim in eu.claims] == [claim.claim for claim in gb.claims]
    assert not any(origin.source.startswith("FIC") for _, _, origin in gb.origins)


def test_the_schema_is_a_schema():
    Draft202012Validator.check_schema(
        json.loads(place("data_schema", "rulebook.schema.json").read_text(encoding="utf-8"))
    )


def test_the_version_in_force_on_the_day_is_taken():
    assert load_rulebook("us", date(2026, 5, 31)).reference_amount_g == 170.0
    assert load_rulebook("us", date(2021, 1, 1)).reference_amount_g == 170.0
    assert load_rulebook("us", date(2020, 12, 31)).reference_amount_g == 225.0
    # Before the first version the oldest stands in, and its own date says so.
    assert load_rulebook("gb", date(2019, 6, 30)).in_force_from == date(2021, 1, 1)


def test_a_folder_holds_dated_versions(own_file):
    own_file(name="old.toml")
    path = own_file(("from = 2014-12-13", "from = 2026-01-01"), ("pots = 6", "pots = 8"), name="new.toml")
    assert load_rulebook(path.parent, date(2025, 12, 31)).control_pots == 6
    assert load_rulebook(path.parent, date(2026, 1, 1)).control_pots == 8


def test_a_changed_file_is_read_again(own_file):
    path = own_file()
    assert load_rulebook(path, DAY).control_pots == 6
    path.write_text(path.read_text(encoding="utf-8").replace("pots = 6", "pots = 9"), encoding="utf-8")
    os.utime(path, ns=(1, 1))
    assert load_rulebook(str(path), DAY).control_pots == 9


FAT_SECOND = (
    '{ from = 10.0, to = 40.0, minus_percent = 20.0, plus_percent = 20.0, source = "GUIDE Table 1", mark = "V2" }'
)

BROKEN = [
    ([("three_step_band = true", "three_steps = true")],
    ["mine.toml", '"three_steps"', 'did you mean "three_step_band"']),
    ([("[exemption]", "[exemptions]")], ["mine.toml", "exemption", "must be there"]),
    (
        [(FAT_SECOND, FAT_SECOND.replace("from = 10.0", "from = 9.0"))],
        ["mine.toml", 'nutrient "fat"', "tolerance", "overlap"],
    ),
    (
        [(FAT_SECOND, FAT_SECOND.replace("from = 10.0", "from = 11.0"))],
        ['nutrient "fat"', "tolerance", "nothing is said between"],
    ),
    (
        [("{ over = 0.5, below = 10.0, step = 0.1,", "{ from = 0.5, below = 10.0, step = 0.1,")],
        ['nutrient "fat"', "rounding", "overlap at 0.5"],
    ),
    ([("{ over = 40.0, minus = 8.0", "{ over = 40.0, to = 90.0, minus = 8.0")], ["nothing is said above"]),
    ([("minus = 1.5,", "minus = -1.5,")], ["tolerance 1, minus", "-1.5"]),
    ([("minus = 1.5,", 'minus = "1.5",')], ["tolerance 1, minus", "expected a number"]),
    ([("minus = 1.5,", "minus = 1.5, minus_percent = 3.0,")], ["an amount and a percentage"]),
    ([('mark = "V"', 'mark = "X"')], ["found 'X'", "expected one of V, V2"]),
    ([('unit = "kJ"', 'unit = "kilo"')], ["nutrient \"energy\"", "found 'kilo'"]),
    ([('nutrient = "saturates"\nunit = "g"', 'nutrient = "fat"\nunit = "g"')], ['"fat" stands there twice']),
    ([('organic_acids = "apart"', 'organic_acids = "inside"')], ["counted twice"]),
    ([('nutrient = "protein", at_least = 12.0 }', "at_least = 12.0 }")], ['claim "source of protein"', "nutrient"]),
    ([("name = ", "name == ")], ["no readable rulebook"]),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "words"), BROKEN)
def test_a_broken_rulebook_is_named_with_file_key_and_reason(own_file, changes, words):
    path = own_file(*changes)
    with pytest.raises(CannotDo) as problem:
        load_rulebook(path, DAY)
    for word in ["mine.toml", *words]:
        assert word in str(problem.value)
    assert "\n" not in str(problem.value)


@pytest.mark.parametrize(("name", "words"), [("eue", 'did you mean "eu"'), ("nowhere.toml", "path of a rulebook file")])
def test_an_unknown_rulebook_is_named(name, words):
    with pytest.raises(CannotDo, match="no rulebook") as problem:
        load_rulebook(name, DAY)
    assert words in str(problem.value)


def test_a_line_is_found_by_nutrient_or_by_energy_unit():
    eu = load_rulebook("eu", DAY)
    assert eu.line("energy_kj").unit == "kJ"
    with pytest.raises(KeyError, match="more than one line 'energy'"):
        eu.line("energy")
    with pytest.raises(KeyError, match="no line 'fibre'"):
        eu.line("fibre")
