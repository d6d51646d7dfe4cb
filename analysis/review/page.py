"""The page that a dairy reads, and the sheet for its wall: each one self-contained file.

Nothing on the page asks the network for anything: pictures and styles are inside, there is no script, and the page's
own
policy forbids both. Text from the records is escaped by the template engine and shown as it was typed.
"""

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from analysis.places import place
from analysis.records.findings import CannotDo
from analysis.records.writing import write_text
from analysis.review import page_tables
from analysis.review.chart_book import BOOK, ShownFigure, kept
from analysis.review.evidence import source_names, table_of
from analysis.review.letter import home_rules, label_advice, label_rows, letter
from analysis.review.outcome import StoredOutcome
from analysis.review.page_tables import Table, with_rows
from analysis.review.words import clock_span, count_of, missing, month_words, number, plain

PAGE = "review.html"
WALL = "wall_sheet.html"
# A page above this is slow on a phone and is not sent by mail.
LARGEST_PAGE = 3_000_000
# Of one kind of flag so many are shown; the others are folded away.
_READ = 3


@dataclass(frozen=True)
class Picture:
    """A figure ready for the page: its words and its drawings as data."""

    name: str
    title: str
    reading: str
    alt: str
    wide: str | None
    narrow: str | None
    data: tuple[str, ...]


@dataclass(frozen=True)
class FlagGroup:
    """Flags of one kind: those shown, and those folded away."""

    shown: tuple[Mapping[str, Any], ...]
    folded: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True)
class Section:
    """A part of the evidence: heading, what it answers, pictures and tables."""

    anchor: str
    title: str
    lead: str
    pictures: tuple[Picture, ...]
    tables: tuple[Table, ...]


def build_page(outcome: StoredOutcome, changes: Mapping[str, Any]) -> Path:
    """Write review.html for an outcome into its folder and return its path.

    Parameters
    ----------
    outcome
        What was decided, with its figures (those missing are drawn).
    changes
        Content of changes.json.

    Raises
    ------
    CannotDo
        If the page would be larger than can be read on a phone.
    """
    decisions = outcome.decisions
    text = (
        _environment()
        .get_template("review.html.j2")
        .render(
            dairy=decisions["dairy"],
            month=month_words(decisions["month"]),
            data_through=decisions["data_through"],
            points=letter(decisions, source_names(outcome)),
            changes=changes,
            moves=moves_to_read(changes),
            sections=sections(outcome),
            track=page_tables.track_table(decisions),
            n_errors=sum(flag["severity"] == "error" for flag in decisions["flags"]),
            errors=flag_groups(decisions, "error"),
            warnings=flag_groups(decisions, "warning"),
            notes=flag_groups(decisions, "note"),
            n_notes=sum(flag["severity"] == "note" for flag in decisions["flags"]),
            wall_file=WALL,
            count_of=count_of,
        )
    )
    if len(text.encode("utf-8")) > LARGEST_PAGE:
        raise CannotDo(
            f"the page would be {len(text) / 1e6:.1f} MB, more than {LARGEST_PAGE / 1e6:g} MB; report this "
            "with the records"
        )
    path = outcome.out_folder / PAGE
    write_text(path, text)
    return path


def build_wall_sheet(outcome: StoredOutcome) -> Path:
    """Write the one-page sheet for the dairy's wall into the outcome's folder and return its path."""
    decisions = outcome.decisions
    home = home_rules(decisions)
    rows = [row for row in decisions.get("set_time") or [] if not missing(row.get("expected_min"))]
    text = (
        _environment()
        .get_template("wall_sheet.html.j2")
        .render(
            dairy=decisions["dairy"],
            month=month_words(rows[0]["month"] if rows else decisions["month"]),
            settings=[_wall_row(row, k) for k, row in enumerate(rows[:4])],
            tests=decisions.get("next_tests") or [],
            names=source_names(outcome),
            label=[
                f"{plain(row['nutrient'])} {number(row['on_pot_now'])} {row['unit']}"
                for row in label_rows(decisions, home)
                if not missing(row.get("on_pot_now"))
            ],
            month_words=month_words,
            label_advice=label_advice(decisions, home, brief=True) if home else None,
            target_ph=_setting(outcome, "target_ph"),
        )
    )
    path = outcome.out_folder / WALL
    write_text(path, text)
    return path


def sections(outcome: StoredOutcome) -> list[Section]:
    """Return the evidence in the order of the flow: milk, pots, set time, label."""
    said = outcome.decisions
    layout: list[tuple[str, str, str, list[Table | None]]] = [
        ("01_check_records", "The records", "What this review rests on.", []),
        (
            "02_milk_season",
            "The milk",
            "How fat and protein went, where they are going, and what made them swing.",
            [page_tables.forecast_table(said, "milk_forecast", source_names(outcome))],
        ),
        (
            "03_milk_to_pot",
            "From milk to pot",
            "What becomes of the milk in the pot.",
            [page_tables.forecast_table(said, "pot_forecast"), page_tables.outcomes_table(said)],
        ),
        (
            "04_set_time",
            "The set time",
            "When to look, and what the starter's age does.",
            [page_tables.set_time_table(said)],
        ),
        (
            "05_label_value",
            "The label",
            "What may be declared, how surely it holds, and which claims stand.",
            [
                *page_tables.label_tables(said),
                page_tables.sets_table(said),
                *page_tables.claims_tables(said),
                page_tables.next_tests_table(said, source_names(outcome)),
            ],
        ),
    ]
    return [
        Section(notebook, title, lead, _pictures(outcome, notebook), tuple(with_rows(tables)))
        for notebook, title, lead, tables in layout
    ]


def _pictures(outcome: StoredOutcome, notebook: str) -> tuple[Picture, ...]:
    return tuple(_picture(kept(outcome, name)) for name, entry in BOOK.items() if entry[0] == notebook)


def _picture(shown: ShownFigure) -> Picture:
    wide = _data_uri(shown.svg) if shown.drawn else None
    narrow = _data_uri(shown.svg_narrow) if shown.drawn and shown.svg_narrow.is_file() else None
    return Picture(shown.name, shown.title, shown.reading, shown.alt, wide, narrow, shown.data)


def _data_uri(svg: Path) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.read_bytes()).decode("ascii")


def flag_groups(decisions: Mapping[str, Any], severity: str) -> list[FlagGroup]:
    """Return the flags of a severity, those of one kind together: a few to read, the others folded away."""
    kinds: dict[str, list[Mapping[str, Any]]] = {}
    for flag in decisions.get("flags") or []:
        if flag["severity"] == severity:
            kinds.setdefault(flag["code"], []).append(flag)
    return [FlagGroup(tuple(flags[:_READ]), tuple(flags[_READ:])) for flags in kinds.values()]


def moves_to_read(changes: Mapping[str, Any], most: int = 8) -> list[Mapping[str, Any]]:
    """Return the moves that the page names: of fat and protein, and what was decided; the rest stands in changes.json."""
    telling = [
        move
        for move in changes["moved"]
        if move["kind"] in {"action", "verdict", "window"} or any(word in move["what"] for word in ("fat", "protein"))
    ]
    return (telling or list(changes["moved"]))[:most]


def _wall_row(row: Mapping[str, Any], k: int) -> dict[str, str]:
    return {
        "settings": f"{number(row['incubator_c'])} °C",
        "starter": f"{number(row['starter_g_kg'])} g/kg",
        "first": clock_span(row["first_check_min"]),
        "expected": clock_span(row["expected_min"]),
        "latest": clock_span(row["latest_min"]),
        "name": "usual" if k == 0 else "trial vat first" if row.get("trial_vat_first") else "instead",
    }


def _setting(outcome: StoredOutcome, name: str) -> str | None:
    """Return a setting of the dairy as text, None where it is not known."""
    table = table_of(outcome, "record_settings", "name", "value")
    values = [] if table.empty else table.loc[table["name"] == name, "value"].dropna().tolist()
    return number(values[0]) if values else None


def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(place("analysis", "review", "templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
