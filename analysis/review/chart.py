"""What a figure is here: a drawing, a sentence on how to read it, and the same content in words.

Colours come from one small set that stays apart for colour-blind eyes; whatever a colour says, a marker, a dash or a
label says too. Text is drawn as outlines in a font that travels with matplotlib, so that a figure looks the same, and
is the same bytes, on every machine.
"""

import contextlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from analysis.records import months
from analysis.review.evidence import Outcome as Outcome
from analysis.review.evidence import rows_of as rows_of
from analysis.review.evidence import source_names as source_names
from analysis.review.evidence import table_of as table_of

# Dark to light in this order also in grey print. Distances checked under deuteranopia, protanopia and tritanopia.
INK, BLUE, RUST, OLIVE, PLUM, GREY = "#22262b", "#1f5a8c", "#b4531f", "#6f7d2a", "#7a4a78", "#767b80"
SERIES = (BLUE, RUST, OLIVE, PLUM)
MARKERS = ("o", "s", "^", "D")
PALE = "#e9ebe6"
WIDE, NARROW = 6.9, 3.55  # inches: the column of the page, and a phone

_STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.7,
    "axes.grid": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "lines.linewidth": 1.5,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.hashsalt": "pasturepot",
    "svg.fonttype": "path",
    "path.simplify": True,
    "axes.unicode_minus": True,
}


@dataclass(frozen=True)
class Chart:
    """A figure with its words.

    Attributes
    ----------
    title
        What it shows, a few words.
    reading
        One sentence on how to read it, from the data at hand; where there is no figure, why there is none.
    alt
        The same content in words, for those who cannot see it.
    figure
        The drawing; None where there is nothing to draw.
    data
        Names of the tables it is drawn from.
    """

    title: str
    reading: str
    alt: str
    figure: Figure | None
    data: tuple[str, ...] = ()


def absent(title: str, why: str, *data: str) -> Chart:
    """Return a chart without a figure that says why."""
    return Chart(title, why, why, None, data)


@contextlib.contextmanager
def quiet_style(narrow: bool = False) -> Iterator[float]:
    """Draw in the project's style; gives the width of a figure in inches."""
    style: Any = {**sns.axes_style("ticks"), **_STYLE, "font.size": 8.5 if narrow else 9.0}
    with mpl.rc_context(style):
        yield NARROW if narrow else WIDE


def new_figure(width: float, height: float) -> Figure:
    """Return an empty figure that can be saved without a screen."""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def tidy(ax: Axes) -> None:
    """Leave only the axes that carry numbers, and faint lines to read values along."""
    sns.despine(ax=ax)
    ax.grid(visible=True, axis="y", color=PALE, linewidth=0.8)
    ax.set_axisbelow(True)


def month_position(month: str) -> float:
    """Return where the middle of a month lies, in months since year 0."""
    year, number = months.month_parts(month)
    return year * 12 + number - 0.5


def day_position(days: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return where days lie on the axis of :func:`month_position`."""
    dates = pd.to_datetime(days)
    return dates.dt.year * 12 + dates.dt.month - 1 + (dates.dt.day - 0.5) / dates.dt.days_in_month


def month_axis(ax: Axes, first: float, last: float, every: int | None = None, room: float = 0.0) -> None:
    """Label an axis of month positions in words: short names, and the year under each first one.

    Parameters
    ----------
    ax
        The axes.
    first, last
        Ends of the months shown.
    every
        Months from label to label; by the span if None.
    room
        Room beyond the last month, for labels of lines.
    """
    span = last - first
    step = every or (1 if span <= 7 else 2 if span <= 14 else 3 if span <= 24 else 6)
    start = int(first)
    ticks = [month for month in range(start, int(last) + 2) if month % step == 0 and first <= month + 0.5 <= last]
    labels = []
    shown: int | None = None
    for month in ticks:
        year, number = divmod(month, 12)
        name = months.month_words(f"{year:04d}-{number + 1:02d}")[:3]
        labels.append(name if year == shown else f"{name}\n{year}")
        shown = year
    ax.set_xticks([month + 0.5 for month in ticks], labels)
    ax.set_xlim(first, last + room)


def png_bytes(figure: Figure) -> bytes:
    """Return a figure as PNG, the same bytes for the same figure."""
    with mpl.rc_context(_STYLE):
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=150, metadata={"Software": None})
        # The layout stands now; working it out again for the next format would cost as much as the drawing.
        figure.set_layout_engine("none")
    return out.getvalue()


def svg_bytes(figure: Figure) -> bytes:
    """Return a figure as SVG, the same bytes for the same figure."""
    with mpl.rc_context(_STYLE):
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()
