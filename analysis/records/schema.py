"""The description of each table's columns, read from ``data_schema/``; the one place where a column is described."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from analysis.places import place

TABLE_NAMES = (
    "milk_tests",
    "flock_diary",
    "batches",
    "set_checks",
    "ph_readings",
    "pot_tests",
    "weather",
    "decisions_taken",
)
_KINDS = {"string": "text", "date": "date", "number": "number", "integer": "count"}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name
        As in the header row.
    kind
        ``text``, ``date``, ``number`` or ``count``.
    unit
        Unit in words; empty for text.
    description, example
        For people.
    required
        A row without it cannot be used.
    optional
        The whole column may be left out of a file.
    words
        The words allowed; empty where any are.
    impossible
        Lowest and highest value that can be; None where open.
    odd
        Lowest and highest value that is usual; None where open.
    role
        ``key``, ``result`` (a measured value) or empty.
    """

    name: str
    kind: str
    unit: str
    description: str
    example: str
    required: bool
    optional: bool
    words: tuple[str, ...]
    impossible: tuple[float | None, float | None]
    odd: tuple[float | None, float | None]
    role: str

    @property
    def is_number(self) -> bool:
        """Whether the column holds numbers or counts."""
        return self.kind in ("number", "count")

    @property
    def one_scale(self) -> bool:
        """Whether usual values lie so close together that a slip of the decimal point can be told."""
        lo, hi = self.odd
        return lo is not None and hi is not None and lo * hi > 0 and max(lo / hi, hi / lo) <= 4


@dataclass(frozen=True)
class Table:
    """One table of a season folder: file name, what it holds, and its columns in order."""

    name: str
    file: str
    title: str
    description: str
    required: bool
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError where there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all columns, in order."""
        return tuple(column.name for column in self.columns)

    def of_kind(self, *kinds: str) -> tuple[Column, ...]:
        """Return the columns of these kinds."""
        return tuple(column for column in self.columns if column.kind in kinds)

    @property
    def results(self) -> tuple[str, ...]:
        """Names of the measured values."""
        return tuple(column.name for column in self.columns if column.role == "result")


@cache
def table(name: str) -> Table:
    """Return the description of one table.

    Raises
    ------
    FileNotFoundError
        If there is no such schema.
    """
    described = json.loads(place("data_schema", f"{name}.schema.json").read_text(encoding="utf-8"))
    return Table(
        name=name,
        file=described["file"],
        title=described["title"],
        description=described["description"],
        required=described["required_file"],
        columns=tuple(_column(field) for field in described["fields"]),
    )


@cache
def tables() -> dict[str, Table]:
    """Return the descriptions of all tables by name (file name without ``.csv``)."""
    return {name: table(name) for name in TABLE_NAMES}


def json_schema(name: str) -> dict[str, Any]:
    """Return a JSON Schema of ``data_schema/`` by its first word, such as ``dairy`` or ``decisions``."""
    loaded: dict[str, Any] = json.loads(place("data_schema", f"{name}.schema.json").read_text(encoding="utf-8"))
    return loaded


def _column(field: Mapping[str, Any]) -> Column:
    limits = field.get("constraints", {})
    numeric = field["type"] in ("number", "integer")
    return Column(
        name=field["name"],
        kind=_KINDS[field["type"]],
        unit=field.get("unit", ""),
        description=field["description"],
        example=field["example"],
        required=limits.get("required", False),
        optional=field.get("optional_column", False),
        words=tuple(limits.get("enum", ())),
        impossible=(limits.get("minimum"), limits.get("maximum")) if numeric else (None, None),
        odd=(field.get("odd", {}).get("minimum"), field.get("odd", {}).get("maximum")),
        role=field.get("role", ""),
    )


def column_notes() -> str:
    """Return the description of every column as Markdown, for people who fill in the files."""
    lines: list[str] = []
    for described in tables().values():
        need = "required" if described.required else "optional"
        lines += [f"## {described.file}", "", f"{described.title} ({need}). {described.description}", ""]
        lines += ["| column | what | unit | usual | possible | example |", "|---|---|---|---|---|---|"]
        for column in described.columns:
            what = column.description + (f" One of: {', '.join(column.words)}." if column.words else "")
            name = f"`{column.name}`" + (" (column may be left out)" if column.optional else "")
            cells = [name, what, column.unit or column.kind, _span(column.odd), _span(column.impossible)]
            lines.append("| " + " | ".join([*cells, column.example]) + " |")
        lines.append("")
    return "\n".join(lines)


def _span(limits: tuple[float | None, float | None]) -> str:
    lo, hi = limits
    if lo is None and hi is None:
        return ""
    if lo is None:
        return f"up to {hi:g}"
    return f"from {lo:g}" if hi is None else f"{lo:g} to {hi:g}"


_README = """# The columns of a season folder

Made from the Table Schemas beside this file, the one place where a column is described. "Usual" values pass
without a word; outside them a value is kept with a warning; outside "possible" it is set aside. Where each range comes
from stands in the schemas (`limits_source`).

"""

if __name__ == "__main__":
    from analysis.records.writing import write_text

    write_text(place("data_schema", "milk_tests.schema.json").with_name("README.md"), _README + column_notes())
