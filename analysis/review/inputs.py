"""What a review was made from: hashes of the records, of the program, and the manifest that keeps them."""

import hashlib
import importlib.metadata
import json
import platform
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import analysis
from analysis.places import place

INPUT_FILES = (
    "dairy.toml",
    "milk_tests.csv",
    "flock_diary.csv",
    "batches.csv",
    "set_checks.csv",
    "ph_readings.csv",
    "pot_tests.csv",
    "weather.csv",
    "decisions_taken.csv",
)
MANIFEST = "manifest.json"
# Rooms that show or bring in and cannot change a decision.
_SHOWING = {"review", "intake", "cli.py", "round.py", "__pycache__"}
_CODE_ENDINGS = {".py", ".json", ".toml", ".csv"}
_PACKAGES = (
    "ipykernel", "jinja2", "jsonschema", "matplotlib", "nbclient", "numpy", "pandas", "papermill", "scipy", "seaborn",
    "xarray",
)  # fmt: skip


def input_files(folder: Path) -> dict[str, Path]:
    """Return the files of a season folder that a review is made from, by name; rulebooks of one's own among them."""
    found = {name: folder / name for name in INPUT_FILES if (folder / name).is_file()}
    for rules in _rules_named(folder):
        path = Path(rules) if Path(rules).is_absolute() else folder / rules
        if path.is_file():
            inside = not Path(rules).is_absolute() and ".." not in Path(rules).parts
            found[Path(rules).as_posix() if inside else f"rulebooks/{path.name}"] = path
    return found


def input_hashes(folder: Path) -> dict[str, str]:
    """Return the sha256 of each input file by name."""
    return {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in input_files(folder).items()}


@cache
def program_hash() -> str:
    """Return a hash of everything in the program that can change a decision: code, rulebooks and schemas."""
    digest = hashlib.sha256(analysis.__version__.encode())
    for name, root in (("analysis", place("analysis")), ("data_schema", place("data_schema"))):
        files = [path for path in root.rglob("*") if path.suffix in _CODE_ENDINGS and path.is_file()]
        for path in sorted(files, key=lambda file: file.relative_to(root).as_posix()):
            relative = path.relative_to(root)
            if name == "analysis" and relative.parts[0] in _SHOWING | {"_data"}:
                continue
            digest.update(f"{name}/{relative.as_posix()}\0".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def key_of(hashes: Mapping[str, str], month: str) -> str:
    """Return the key under which an outcome may be read again: inputs, month and program."""
    said = json.dumps({"inputs": dict(hashes), "month": month, "program": program_hash()}, sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()


def manifest_of(folder: Path, month: str, made_at: str) -> dict[str, Any]:
    """Return what manifest.json says: key, inputs, parameters, program and package versions.

    Parameters
    ----------
    folder
        Season folder.
    month
        Month under review.
    made_at
        Time of the run as ISO text; it, the platform and the versions are all that may differ between equal runs.
    """
    hashes = input_hashes(folder)
    return {
        "contract": 1,
        "key": key_of(hashes, month),
        "parameters": {"month": month},
        "inputs": {name: {"sha256": value} for name, value in sorted(hashes.items())},
        "program": {"version": analysis.__version__, "sha256": program_hash()},
        "packages": {name: _version(name) for name in _PACKAGES},
        "python": platform.python_version(),
        "platform": platform.system().lower(),
        "made_at": made_at,
    }


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """Return the manifest of a review folder, or None where there is none that can be read."""
    try:
        found = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def _rules_named(folder: Path) -> list[str]:
    """Return the rulebooks that dairy.toml names; a broken dairy.toml is for the records to complain about."""
    try:
        said = tomllib.loads((folder / "dairy.toml").read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return []
    rules = said.get("rules", [])
    return [name for name in rules if isinstance(name, str)] if isinstance(rules, list) else []


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None
