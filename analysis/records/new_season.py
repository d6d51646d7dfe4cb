"""An empty season folder: header-only tables and a commented dairy.toml, both made from ``data_schema/``."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.records.dairy import FILE
from analysis.records.findings import CannotDo
from analysis.records.schema import Table, json_schema, tables
from analysis.records.writing import staged_folder, write_text

# Sections that stand ready to be filled in; all others are shown as comments.
_OPEN_SECTIONS = ("usual", "limits", "risk")


def new_folder(path: str | Path) -> Path:
    """Make an empty season folder.

    Parameters
    ----------
    path
        Where; the folder may be there if it is empty. Folders above it are made.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CannotDo
        If something is there already.
    OSError
        If the folder cannot be written; nothing is left behind.
    """
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise CannotDo(f"{folder} is a file; name a folder that is not there yet")
    if folder.is_dir() and any(folder.iterdir()):
        raise CannotDo(f"{folder} is not empty; name a folder that is empty or not there yet")
    folder.absolute().parent.mkdir(parents=True, exist_ok=True)
    with staged_folder(folder) as stage:
        write_text(stage / FILE, dairy_text(folder.absolute().name))
        for table in tables().values():
            write_text(stage / table.file, header_row(table))
    return folder


def header_row(table: Table) -> str:
    """Return the header row of a table, with its line end."""
    return ",".join(table.names) + "\n"


def dairy_text(name: str) -> str:
    """Return a commented dairy.toml for a dairy of that name, made from its schema's descriptions and examples."""
    described = json_schema("dairy")
    required = set(described["required"])
    lines = [
        "# The dairy, its flocks, its usual practice, its present label.",
        "# Lines that begin with # are not read; take the # away to use one. Every figure here is an example.",
        "",
    ]
    plain = {key: part for key, part in described["properties"].items() if not _is_section(part)}
    for key, part in plain.items():
        example = name if key == "name" else part["examples"][0]
        lines.append(_line(key, example, part, shown=key in required))
    for key, part in described["properties"].items():
        if _is_section(part):
            lines += ["", *_section(key, part)]
    return "\n".join(lines) + "\n"


def _is_section(part: Mapping[str, Any]) -> bool:
    return bool(part["type"] == "object" or (part["type"] == "array" and part["items"].get("type") == "object"))


def _section(key: str, part: Mapping[str, Any]) -> list[str]:
    """Return a section's lines: open, or as comments where it can be left out."""
    if part["type"] == "array":
        fields = part["items"]["properties"]
        shown = key == "flocks"
        lines = [f"{'' if shown else '# '}[[{key}]]  # {part['description']}"]
    else:
        fields = part["properties"]
        shown = key in _OPEN_SECTIONS
        # The label's heading is open so that a line can be used by taking one # away.
        lines = [f"{'' if shown or key == 'label' else '# '}[{key}]  # {part['description']}"]
    for name, field in fields.items():
        if field.get("type") == "object":
            inner = list(field["properties"].items())[:2]
            example: Any = {inner_name: inner_field["examples"][0] for inner_name, inner_field in inner}
        else:
            example = field["examples"][0]
        lines.append(_line(name, example, field, shown=shown))
    return lines


def _line(key: str, example: Any, part: Mapping[str, Any], *, shown: bool) -> str:
    unquoted = part.get("format") == "date"
    value = str(example) if unquoted else _toml(example)
    return f"{'' if shown else '# '}{key} = {value}  # {part['description']}"


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(inner) for inner in value) + "]"
    if isinstance(value, str):
        # JSON's escapes are TOML's too, but for the delete character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value)
