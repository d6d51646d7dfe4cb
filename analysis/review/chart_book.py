"""Every figure of the review: which notebook shows it, and how it is kept in the review folder.

A figure is drawn once, by its notebook. The page then takes the files; a notebook opened by itself draws what is
missing.
"""

import importlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.records.findings import CannotDo, did_you_mean
from analysis.records.writing import write_bytes, write_text
from analysis.review.outcome import StoredOutcome

FIGURES = "figures"
# name: (notebook, module, function). The order is that of the page.
BOOK: dict[str, tuple[str, str, str]] = {
    "records_by_month": ("01_check_records", "figures_records", "records_by_month"),
    "milk_by_month": ("02_milk_season", "figures_milk", "milk_by_month"),
    "swing": ("02_milk_season", "figures_milk", "swing"),
    "milk_to_pot": ("03_milk_to_pot", "figures_pot", "milk_to_pot"),
    "pot_by_month": ("03_milk_to_pot", "figures_pot", "pot_by_month"),
    "set_window": ("04_set_time", "figures_setting", "set_window"),
    "culture": ("04_set_time", "figures_setting", "culture"),
    "starter_age": ("04_set_time", "figures_setting", "starter_age"),
    "control_samples": ("05_label_value", "figures_label", "control_samples"),
    "label_sureness": ("05_label_value", "figures_label", "label_sureness"),
    "claims_by_month": ("05_label_value", "figures_label", "claims_by_month"),
}


@dataclass(frozen=True)
class ShownFigure:
    """A figure as it lies in a review folder, showing itself in a notebook.

    Attributes
    ----------
    name
        Name of its files.
    folder
        The figures folder.
    title, reading, alt
        Its words.
    drawn
        Whether there is a drawing.
    data
        Names of the tables that it is drawn from.
    """

    name: str
    folder: Path
    title: str
    reading: str
    alt: str
    drawn: bool
    data: tuple[str, ...]

    @property
    def png(self) -> Path:
        """The picture in pixels."""
        return self.folder / f"{self.name}.png"

    @property
    def svg(self) -> Path:
        """The picture in lines."""
        return self.folder / f"{self.name}.svg"

    @property
    def svg_narrow(self) -> Path:
        """The picture in lines, drawn for a phone."""
        return self.folder / f"{self.name}_narrow.svg"

    def _repr_mimebundle_(self, **_kwargs: Any) -> dict[str, Any]:
        """Show the picture, or why there is none, in a notebook."""
        bundle: dict[str, Any] = {"text/plain": f"{self.title}. {self.alt}"}
        if self.drawn:
            bundle["image/png"] = self.png.read_bytes()
        return bundle


def draw(outcome: StoredOutcome, name: str) -> ShownFigure:
    """Draw a figure, keep it in the outcome's folder and return it ready to be shown.

    Raises
    ------
    CannotDo
        If there is no figure of that name.
    """
    from analysis.review.chart import png_bytes, svg_bytes

    function = _function(name)
    wide, narrow = function(outcome), function(outcome, narrow=True)
    folder = outcome.out_folder / FIGURES
    folder.mkdir(parents=True, exist_ok=True)
    for old in (f"{name}.png", f"{name}.svg", f"{name}_narrow.svg"):
        (folder / old).unlink(missing_ok=True)
    if wide.figure is not None:
        write_bytes(folder / f"{name}.png", png_bytes(wide.figure))
        write_bytes(folder / f"{name}.svg", svg_bytes(wide.figure))
    if narrow.figure is not None:
        write_bytes(folder / f"{name}_narrow.svg", svg_bytes(narrow.figure))
    words = {
        "title": wide.title,
        "reading": wide.reading,
        "alt": wide.alt,
        "drawn": wide.figure is not None,
        "data": list(wide.data),
    }
    write_text(folder / f"{name}.json", json.dumps(words, indent=1, ensure_ascii=False) + "\n")
    return _shown(folder, name, words)


def kept(outcome: StoredOutcome, name: str) -> ShownFigure:
    """Return a figure as its notebook left it, drawing it where it is missing."""
    folder = outcome.out_folder / FIGURES
    try:
        words = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return draw(outcome, name)
    shown = _shown(folder, name, words)
    return shown if not shown.drawn or shown.svg.is_file() else draw(outcome, name)


def deliverables_of(notebook: str) -> list[str]:
    """Return the files that a notebook owes for its figures, relative to its out_folder."""
    return [f"{FIGURES}/{name}.json" for name, entry in BOOK.items() if entry[0] == notebook]


def _function(name: str) -> Callable[..., Any]:
    if name not in BOOK:
        raise CannotDo(f"there is no figure {name!r}; {did_you_mean(name, BOOK)}")
    _, module, function = BOOK[name]
    found: Callable[..., Any] = getattr(importlib.import_module(f"analysis.review.{module}"), function)
    return found


def _shown(folder: Path, name: str, words: dict[str, Any]) -> ShownFigure:
    return ShownFigure(
        name, folder, words["title"], words["reading"], words["alt"], bool(words["drawn"]), tuple(words["data"])
    )
