"""What holds for any file: it reads back, is asked about or set aside; no figure is another than was printed."""

import csv
import datetime as dt
import random
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.intake import child
from analysis.intake.container import FileRefusedError
from analysis.intake.days import order_of, read_day
from analysis.intake.dialect import read_text
from analysis.intake.numerals import decimal_mark, read_figure
from analysis.intake.plan import Said, plan_file, read_standing
from analysis.intake.reading import as_lab_file
from analysis.records.findings import CannotDo
from tests.intake_corpus import paper
from tests.intake_corpus.season import make_season
from tests.strategies import ORDERS, days, printed_tables

SOME = settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Path:
    return make_season(tmp_path_factory.mktemp("any") / "season")


@SOME
@given(printed=printed_tables())
def test_a_table_in_any_dialect_reads_back_or_is_asked_about(printed, season, tmp_path):
    path = tmp_path / "any.txt"
    path.write_bytes(printed.data)
    plan = plan_file(as_lab_file(path, child.read(path)), "0" * 64, read_standing(season), Said())
    asked = {question.key for question in plan.questions}
    if asked:
        assert asked <= {"days", "mark"}
        assert not (printed.decided and "days" in asked)
        return
    by_number = {row["sample_id"]: row for row in printed.rows}
    assert len(plan.fates) == len(printed.rows)
    for fate in plan.fates:
        if fate.fate == "new":
            stored = {k: v for k, v in (fate.values or {}).items() if k != "note"}
            assert stored == by_number[stored["sample_id"]]
        else:
            assert fate.why
    if printed.decided:
        assert plan.count("new") == len(printed.rows)


@settings(max_examples=250, deadline=None)
@given(
    value=st.decimals(Decimal("-99999999"), Decimal("99999999"), places=3, allow_nan=False, allow_infinity=False),
    places=st.integers(0, 3), decimal=st.sampled_from(",."), group=st.sampled_from(("", "other", " ", "'", "\u00a0")),
    after=st.sampled_from(("", " %", "*", " g/100 g", " ²")),
)  # fmt: skip
def test_any_figure_reads_back_when_its_mark_is_known(value, places, decimal, group, after):
    shown = value.quantize(Decimal(1).scaleb(-places))
    mark = {",": ".", ".": ","}[decimal] if group == "other" else group
    text = f"{shown:,f}".replace(",", "\0").replace(".", decimal).replace("\0", mark) + after
    figure = read_figure(text, decimal)
    assert figure.problem == ""
    assert figure.value == float(shown)
    unknown = read_figure(text, None)
    assert unknown.value in (None, float(shown)), "a mark that is not known is never guessed"


@settings(max_examples=300, deadline=None)
@given(column=st.lists(days(), min_size=1, max_size=12), order=st.sampled_from(ORDERS))
def test_a_column_of_days_reads_back_or_is_left_open(column, order):
    texts = [day.strftime(order) for day in column]
    found = order_of([texts])
    read = [read_day(text, found) for text in texts]
    for day, back in zip(column, read, strict=True):
        assert back.value in (day, None)
        assert back.value is not None or back.problem
    if "/" not in order and order != "%d-%m-%Y" and not order.endswith("%y"):
        assert [back.value for back in read] == column


@settings(max_examples=200, deadline=None)
@given(day=days())
def test_a_spreadsheet_number_is_its_day(day):
    number = (day - dt.date(1899, 12, 30)).days
    assert read_day(float(number), None).value == day
    assert read_day(str(number), None).value == day


@settings(max_examples=200, deadline=None)
@given(text=st.text(max_size=12), mark=st.sampled_from((None, ",", ".", "?")))
def test_any_text_is_a_figure_a_note_or_a_problem(text, mark):
    figure = read_figure(text, mark)
    assert figure.value is None or any(c.isdigit() for c in text)
    assert not (figure.value is not None and figure.problem)
    decimal_mark([text])
    read_day(text, None)


def _mutated(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        at, how = rng.randrange(len(out) + 1), rng.randrange(4)
        if how == 0 and out:
            out[at % len(out)] = rng.randrange(256)
        elif how == 1:
            del out[at : at + rng.randint(1, 20)]
        elif how == 2:
            out[at:at] = rng.choice(
                (b"\x00", b'"', b";;;", b"\n", b"<5", b"\xff\xfe", b"=1+1", b"'", b"1e9", "٣".encode(), b",")
            ) * rng.randint(1, 4)
        else:
            out[at:at] = out[max(0, at - 30) : at]
    return bytes(out) or b"x"


def test_any_bytes_come_to_a_plan_or_to_one_clear_line(season, tmp_path):
    text = (
        "Laboratory: Alder;;;;\nSample no;Date sampled;Description;Fat %;Protein %\n"
        "A1;13.05.2026;Bulk tank;6,50;5,40\nA2;14.05.2026;North flock;6,61;<5,52\nMean;;;6,5;5,4\n"
    ).encode("cp1252")
    rng = random.Random(11)
    planned = 0
    for _ in range(120):
        path = tmp_path / "any.csv"
        path.write_bytes(_mutated(text, rng))
        try:
            plan = plan_file(as_lab_file(path, child.read(path)), "0" * 64, read_standing(season), Said())
        except (FileRefusedError, CannotDo) as why:
            assert str(why)
            assert "\n" not in str(why)
            continue
        planned += 1
        assert all(fate.fate and (fate.fate in ("new", "known") or fate.why) for fate in plan.fates)
    assert planned > 25


def test_two_readers_agree_on_generated_workbooks(season, tmp_path):
    """What is stored of a workbook is what another reader sees in its cells."""
    import openpyxl

    rng = random.Random(5)
    for number in range(25):
        fats = [round(rng.uniform(4.6, 9.8), 2) for _ in range(rng.randint(1, 30))]
        grid = [["Sample no", "Date sampled", "Description", "Fat %", "Protein %"]]
        grid += [
            [f"W{i}", dt.date(2026, 5, 1) + dt.timedelta(days=i), "Bulk tank", fat, round(fat * 0.8, 2)]
            for i, fat in enumerate(fats)
        ]
        shift = rng.randint(0, 4)
        path = tmp_path / f"w{number}.xlsx"
        paper.write_xlsx(path, {"Data": [["Title"]] * shift + grid})
        plan = plan_file(as_lab_file(path, child.read(path)), "0" * 64, read_standing(season), Said())
        stored = {
            f.values["sample_id"]: (float(f.values["fat_g_100g"]), f.values["sampled_on"])
            for f in plan.fates
            if f.values
        }
        sheet = openpyxl.load_workbook(path).active
        seen = {r[0].value: (r[3].value, r[1].value.date().isoformat()) for r in sheet.iter_rows(min_row=shift + 2)}
        assert stored == seen


@pytest.mark.parametrize("text", ["9" * 400, "1e99", "-" + "9" * 400])
def test_a_figure_beyond_all_bounds_is_set_aside(text, season, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "Sample no,Sampled,Description,Fat %,Plate count log10 cfu/ml\n"
        f"A1,2026-05-12,Bulk tank,6.5,{text}\nA2,2026-05-12,Bulk tank,{text},4.5\n"
    )
    plan = plan_file(as_lab_file(path, child.read(path)), "0" * 64, read_standing(season), Said())
    assert [fate.fate for fate in plan.fates] == ["set aside", "set aside"]


def test_the_13th_decides_which_comes_first():
    assert order_of([["05/13/2026", "05/04/2026"]]) == "month first"
    assert order_of([["13/05/2026", "05/04/2026"]]) == "day first"
    assert order_of([["05/04/2026", "06/04/2026"]]) is None
    assert order_of([["05/13/2026", "14/05/2026"]]) == "mixed"


def test_reading_a_lab_file_leaves_the_readers_of_others_alone():
    before = csv.field_size_limit()
    read_text(b"Sample;Fat\nA1;6,5\n")
    assert csv.field_size_limit() == before
