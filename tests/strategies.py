"""Hypothesis strategies for the project's own nouns: figures, days and lab files in any dialect."""

import csv
import datetime as dt
import io
from dataclasses import dataclass
from decimal import Decimal

from hypothesis import strategies as st

HEADINGS = {
    "sample_id": ("Sample no", "Probennummer", "N° échantillon", "Codice campione", "Código muestra", "Numune No"),
    "sampled_on": (
        "Date sampled",
        "Probenahme",
        "Date de prélèvement",
        "Data prelievo",
        "Fecha de muestreo",
        "Numune tarihi",
    ),
    "description": ("Description", "Bezeichnung", "Désignation", "Descrizione", "Descripción", "Açıklama"),
    "fat_g_100g": ("Fat %", "Fett g/100 g", "Matière grasse %", "Grasso % (p/p)", "Grasa %", "Yağ %"),
    "protein_g_100g": (
        "Protein %",
        "Eiweiß g/100 g",
        "Protéines %",
        "Proteine % (p/p)",
        "Proteína %",
        "Protein g/100 g",
    ),
    "somatic_cells_1000_ml": (
        "SCC x1000/ml",
        "Zellzahl Tsd./ml",
        "Cellules x1000/ml",
        "Cellule somatiche x1000/ml",
        "RCS (miles/ml)",
        "Somatik hücre (bin/ml)",
    ),
}
ORDERS = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y-%m-%d", "%d-%m-%Y", "%Y%m%d", "%d.%m.%y")


@dataclass(frozen=True)
class PrintedTable:
    """A table as a laboratory prints it.

    Parameters
    ----------
    data
        The bytes of the file.
    rows
        What it says: column of the records -> text of the records.
    decided
        Whether the order of its days shows from its own cells.
    """

    data: bytes
    rows: tuple[dict[str, str], ...]
    decided: bool


def days() -> st.SearchStrategy[dt.date]:
    """Days that records can hold."""
    return st.dates(dt.date(2005, 1, 1), dt.date(2099, 12, 31))


def figures(low: str = "0.5", high: str = "16", places: int = 2) -> st.SearchStrategy[Decimal]:
    """Figures with a fixed number of decimals."""
    return st.decimals(Decimal(low), Decimal(high), places=places, allow_nan=False, allow_infinity=False)


@st.composite
def printed_tables(draw: st.DrawFn) -> PrintedTable:
    """Tables in any dialect: separator, quotation marks, line ends, code page, decimal and thousands marks, days."""
    language = draw(st.integers(0, 5))
    decimal = draw(st.sampled_from(",."))
    thousands = draw(st.sampled_from(("", " ", "'", {",": ".", ".": ","}[decimal])))
    separator = draw(st.sampled_from(";\t|,"))
    order = draw(st.sampled_from(ORDERS))
    page = draw(st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "cp1254" if language == 5 else "cp1252")))
    end = draw(st.sampled_from(("\n", "\r\n", "\r")))
    names = draw(st.permutations([n for n in HEADINGS if n != "somatic_cells_1000_ml" or draw(st.booleans())]))
    n = draw(st.integers(1, 8))
    rows, printed = [], []
    for number in range(n):
        day = draw(days())
        fat, protein = draw(figures("4.60", "9.90")), draw(figures("4.30", "7.70"))
        cells = draw(st.integers(50, 4000))
        rows.append(
            {
                "sample_id": f"S{number}",
                "sampled_on": day.isoformat(),
                "source": "bulk",
                "fat_g_100g": f"{fat.normalize():f}",
                "protein_g_100g": f"{protein.normalize():f}",
                **({"somatic_cells_1000_ml": str(cells)} if "somatic_cells_1000_ml" in names else {}),
            }
        )
        whole = f"{cells:,}".replace(",", thousands)
        printed.append(
            {
                "sample_id": f"S{number}",
                "sampled_on": day.strftime(order),
                "description": (
                    "Bulk tank",
                    "Tankmilch",
                    "Lait de tank",
                    "Latte di massa",
                    "Leche de tanque",
                    "Tank sütü",
                )[language],
                "fat_g_100g": str(fat).replace(".", decimal),
                "protein_g_100g": str(protein).replace(".", decimal),
                "somatic_cells_1000_ml": whole,
            }
        )
    out = io.StringIO()
    quoting = draw(st.sampled_from((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)))
    writer = csv.writer(out, delimiter=separator, lineterminator=end, quoting=quoting)
    for _ in range(draw(st.integers(0, 2))):
        writer.writerow(["Invented laboratory"])
    writer.writerow([HEADINGS[name][language] for name in names])
    writer.writerows([row[name] for name in names] for row in printed)
    shown = [dt.date.fromisoformat(row["sampled_on"]) for row in rows]
    decided = ("/" not in order and order != "%d-%m-%Y") or any(day.day > 12 for day in shown)
    return PrintedTable(out.getvalue().encode(page), tuple(rows), decided)
