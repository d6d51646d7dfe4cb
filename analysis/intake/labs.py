"""What a laboratory's columns mean: confirmed once, kept in a small file that people can read and edit."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.intake.words import plain
from analysis.records.findings import CannotDo

FOLDER = "intake/labs"
_HEAD = """# What the columns of this laboratory's files mean. Written when the files were confirmed, used for the next ones
# without a question. Edit it freely: `means` is one of the words of the records (fat, protein, lactose, total_solids,
# somatic_cells, …, or "ignore"), `unit` how the figures stand in the file (g/100g, g/kg, g/l, %, 1000/ml, /ml, C, mC …).
"""


@dataclass(frozen=True)
class Kept:
    """What one heading was confirmed to mean: ``means``, ``unit`` and, where it was confirmed, the intake's id."""

    heading: str
    means: str
    unit: str = ""
    intake: str = ""


@dataclass(frozen=True)
class Lab:
    """One laboratory's habits.

    Parameters
    ----------
    name
        As in the records; empty for files that name no laboratory.
    columns
        What each heading means, by the heading made plain.
    day_order
        ``"day first"``, ``"month first"`` or empty.
    code_page, density, kind, source, method
        Of its files, where confirmed; empty or None where not.
    """

    name: str
    columns: Mapping[str, Kept] = field(default_factory=dict)
    day_order: str = ""
    code_page: str = ""
    density: float | None = None
    kind: str = ""
    source: str = ""
    method: str = ""


def key_of(heading: str) -> str:
    """Return a heading as it is compared: no capitals, accents or punctuation; marks of units count."""
    signs = "".join(c if c in "%‰/" else " " for c in heading).split()
    return " ".join([plain(heading), *signs]).strip()


def file_of(name: str) -> str:
    """Return the name of a laboratory's file below the season folder."""
    safe = re.sub(r"[^a-z0-9]+", "-", plain(name)).strip("-")[:60]
    if name and not safe:
        safe = "lab-" + "".join(f"{ord(c):x}" for c in name)[:40]
    return f"{FOLDER}/{safe or 'unnamed'}.toml"


def read_labs(folder: Path) -> dict[str, Lab]:
    """Return the habits of every laboratory kept in a season folder, by name.

    Raises
    ------
    CannotDo
        If one of the files cannot be read.
    """
    labs: dict[str, Lab] = {}
    where = folder / FOLDER
    for path in sorted(where.glob("*.toml")) if where.is_dir() else ():
        try:
            said = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as bad:
            raise CannotDo(f"intake/labs/{path.name} cannot be read ({bad}); correct it or delete it") from None
        lab = _from_toml(said, path.name)
        labs[lab.name] = lab
    return labs


def _from_toml(said: Mapping[str, Any], file: str) -> Lab:
    columns = {}
    for entry in said.get("column", []):
        if (
            not isinstance(entry, dict)
            or not isinstance(entry.get("heading"), str)
            or not isinstance(entry.get("means"), str)
        ):
            raise CannotDo(f'intake/labs/{file}: each [[column]] needs heading = "…" and means = "…"; correct it')
        columns[key_of(entry["heading"])] = Kept(
            entry["heading"], entry["means"], str(entry.get("unit", "")), str(entry.get("intake", ""))
        )
    density = said.get("density_g_ml")
    order = said.get("day_order", "")
    if order not in ("", "day first", "month first"):
        raise CannotDo(f'intake/labs/{file}: day_order is "{order}"; expected "day first" or "month first"')
    if density is not None and not isinstance(density, int | float):
        raise CannotDo(f"intake/labs/{file}: density_g_ml is no number")
    return Lab(
        name=str(said.get("lab", "")),
        columns=columns,
        day_order=order,
        code_page=str(said.get("code_page", "")),
        density=float(density) if density is not None else None,
        kind=str(said.get("kind", "")),
        source=str(said.get("source", "")),
        method=str(said.get("method", "")),
    )


def as_toml(lab: Lab) -> str:
    """Return the text of a laboratory's file."""
    lines = [_HEAD, f"lab = {quoted(lab.name)}"]
    for key, value in (
        ("day_order", lab.day_order),
        ("code_page", lab.code_page),
        ("kind", lab.kind),
        ("source", lab.source),
        ("method", lab.method),
    ):
        if value:
            lines.append(f"{key} = {quoted(value)}")
    if lab.density is not None:
        lines.append(f"density_g_ml = {lab.density}")
    for kept in lab.columns.values():
        lines += ["", "[[column]]", f"heading = {quoted(kept.heading)}", f"means = {quoted(kept.means)}"]
        if kept.unit:
            lines.append(f"unit = {quoted(kept.unit)}")
        if kept.intake:
            lines.append(f"intake = {quoted(kept.intake)}")
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """Return a text as a TOML string."""
    out = []
    for c in text:
        if c in '"\\':
            out.append("\\" + c)
        elif ord(c) < 32 or ord(c) == 127:
            out.append(f"\\u{ord(c):04x}")
        else:
            out.append(c)
    return '"' + "".join(out) + '"'
