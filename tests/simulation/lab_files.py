"""Invented lab files in the habits of several labs, holding results of the month after the demo's last record."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from xml.sax.saxutils import escape

import matplotlib
import numpy as np
import openpyxl
import pandas as pd
from matplotlib.figure import Figure

from tests.simulation import labs, pots
from tests.simulation.dairies import SimulatedDairy

_WHEN = (2026, 12, 1, 8, 0, 0)


def new_results(dairy: SimulatedDairy, month: str, n: int, seed: int) -> pd.DataFrame:
    """Results of `n` samples a source on milk days of `month`, as the dairy's newer lab reads them."""
    world, rng = dairy.world, np.random.default_rng([seed, 3])
    inside = np.flatnonzero(world.days.astype("datetime64[M]") == np.datetime64(month, "M"))
    rows = []
    for s, source in enumerate([one.id for one in world.plan.flocks] + ["bulk"]):
        bulk = s == len(world.plan.flocks)
        kg = world.herd.bulk_kg[0] if bulk else world.herd.kg[0, :, s]
        milk = world.herd.bulk[0] if bulk else world.herd.milk[0, :, s]
        days = inside[kg[inside] > 0]
        if days.size < n:
            continue
        at = np.sort(rng.choice(days, n, replace=False))
        value, _ = labs.read(world.plan.labs[-1], milk[at], world.calibration[-1][0, at], rng)
        rows += [(pd.Timestamp(world.days[t]), source, *value[i]) for i, t in enumerate(at)]
    table = pd.DataFrame(rows, columns=["day", "source", "fat", "protein", "lactose"]).sort_values(["day", "source"])
    table = table.reset_index(drop=True)
    table["solids"] = (table[["fat", "protein", "lactose"]].sum(axis=1) + 1.05).round(2)
    table["cells"] = np.round(10 ** rng.normal(2.9, 0.15, len(table))).astype(int)
    table["plate"] = np.round(10 ** rng.normal(1.7, 0.3, len(table))).astype(int)
    table["freezing"] = np.round(-0.565 + rng.normal(0, 0.005, len(table)), 3)
    table["id"] = [f"M26-11{k:02d}" for k in range(1, len(table) + 1)]
    return table


def same_zip(data: bytes) -> bytes:
    """Pack a zip anew with a fixed time in every entry, so that the same content gives the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            body = old.read(item.filename)
            if item.filename == "docProps/core.xml":
                body = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2026-12-01T08:00:00Z", body)
            stored = zipfile.ZIP_STORED if item.filename == "mimetype" else zipfile.ZIP_DEFLATED
            new.writestr(zipfile.ZipInfo(item.filename, _WHEN), body, stored)
    return out.getvalue()


def xlsx(sheets: dict[str, list[list[object]]]) -> bytes:
    """Make a workbook of `sheets`, row by row."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return same_zip(out.getvalue())


def ods(name: str, rows: list[list[object]]) -> bytes:
    """Make an OpenDocument spreadsheet with one sheet."""
    cells = []
    for row in rows:
        line = []
        for value in row:
            if value is None:
                line.append("<table:table-cell/>")
            elif isinstance(value, (int, float, np.integer, np.floating)):
                line.append(
                    f'<table:table-cell office:value-type="float" office:value="{value}">'
                    f"<text:p>{value}</text:p></table:table-cell>"
                )
            else:
                line.append(
                    f'<table:table-cell office:value-type="string"><text:p>{escape(str(value))}</text:p>'
                    "</table:table-cell>"
                )
        cells.append("<table:table-row>" + "".join(line) + "</table:table-row>")
    content = (
        '<?xml version="1.0" encoding="UTF-8"?><office:document-content '
        'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.2"><office:body>'
        f'<office:spreadsheet><table:table table:name="{escape(name)}">{"".join(cells)}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest '
        'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.2">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as pack:
        for entry, body in (("mimetype", kind), ("content.xml", content), ("META-INF/manifest.xml", manifest)):
            stored = zipfile.ZIP_STORED if entry == "mimetype" else zipfile.ZIP_DEFLATED
            pack.writestr(zipfile.ZipInfo(entry, _WHEN), body, stored)
    return out.getvalue()


def printed(results: pd.DataFrame) -> bytes:
    """Print results as a page of text."""
    lines = ["Wester Bench: raw milk (invented)", "", "Sample     Taken        Source        Fat    Protein  Lactose"]
    for k, r in enumerate(results.itertuples()):
        lines.append(
            f"M26-115{k}   {r.day:%d.%m.%Y}   {r.source:<12}  {r.fat:5.2f}  {r.protein:5.2f}    {r.lactose:5.2f}"
        )
    lines += ["", "g/100 g; protein N x 6.38"]
    with matplotlib.rc_context({"pdf.fonttype": 42}):
        page = Figure(figsize=(8.27, 11.69))
        for k, line in enumerate(lines):
            page.text(0.08, 0.93 - 0.02 * k, line, family="DejaVu Sans Mono", size=10)
        out = io.BytesIO()
        page.savefig(out, format="pdf", metadata={"CreationDate": None, "Producer": None, "Creator": None})
    return out.getvalue()


def _comma(value: float, places: int = 2) -> str:
    return f"{value:.{places}f}".replace(".", ",")


def make(dairy: SimulatedDairy, folder: Path) -> list[tuple[str, str]]:
    """Write the lab files and return (file name, what it is) for the README."""
    folder.mkdir(parents=True, exist_ok=True)
    month = str(np.datetime64(dairy.month, "M") + 1)
    new = new_results(dairy, month, 6, dairy.seed)
    listing: list[tuple[str, str]] = []

    def keep(name: str, data: bytes, words: str) -> None:
        (folder / name).write_bytes(data)
        listing.append((name, words))

    part = [new.iloc[k::4] for k in range(4)]
    # 1: semicolons, decimal commas, day first, an old code page, a limit of detection.
    lines = ["Sample no.;Sampled;Reported;Sample of;Fat %;Protein %;Lactose %;Cells ×1000/ml;Plate count ×1000;Lab"]
    for i, r in enumerate(part[0].itertuples()):
        plate = "<10" if i == 0 else str(r.plate)
        lines.append(
            f"{r.id};{r.day:%d.%m.%Y};{r.day + pd.Timedelta(days=4):%d.%m.%Y};{r.source};{_comma(r.fat)};"
            f"{_comma(r.protein)};{_comma(r.lactose)};{r.cells};{plate};Wester Bench"
        )
    keep(
        "wester_bench_export.csv",
        ("\r\n".join(lines) + "\r\n").encode("cp1252"),
        "semicolons, decimal commas, days first, an older code page, one `<10`",
    )
    # 2: a workbook with title rows, units below the header, a cover sheet, a footer.
    body: list[list[object]] = [
        ["Wester Bench", None, None, None, None, None, None],
        ["Analysis report 2026-11 B (invented)", None, None, None, None, None, None],
        [None] * 7,
        ["Sample", "Date taken", "Flock", "Butterfat", "Crude protein", "Lactose", "Total solids"],
        [None, None, None, "g/100 g", "g/100 g (N x 6.38)", "g/100 g", "g/100 g"],
    ]
    body += [
        [r.id, r.day.to_pydatetime(), r.source, r.fat, r.protein, r.lactose, r.solids] for r in part[1].itertuples()
    ]
    body += [[None] * 7, ["Results hold for the samples as received."] + [None] * 6]
    keep(
        "wester_bench_report.xlsx",
        xlsx({"Cover": [["Report 2026-11 B"], ["Customer: Brackenfold Dairy (invented)"]], "Results": body}),
        "a workbook with a cover sheet, title rows, a row of units and a closing line",
    )
    # 3: one column a sample.
    side = part[2]
    rows = [
        ["sample_id", *side["id"]],
        ["sampled_on", *[f"{d:%Y-%m-%d}" for d in side["day"]]],
        ["source", *side["source"]],
        ["fat_g_100g", *[f"{v:.2f}" for v in side["fat"]]],
        ["protein_g_100g", *[f"{v:.2f}" for v in side["protein"]]],
        ["lactose_g_100g", *[f"{v:.2f}" for v in side["lactose"]]],
        ["freezing_point_c", *[f"{v:.3f}" for v in side["freezing"]]],
        ["lab", *["Wester Bench"] * len(side)],
    ]
    keep(
        "samples_side_by_side.csv",
        ("\n".join(",".join(r) for r in rows) + "\n").encode(),
        "one column a sample: to be turned on its side",
    )
    # 4: an OpenDocument sheet in g/kg.
    table: list[list[object]] = [["Id", "Date", "Source", "Fat g/kg", "Protein g/kg", "Lactose g/kg", "Laboratory"]]
    table += [
        [
            r.id,
            f"{r.day:%d/%m/%Y}",
            r.source,
            round(r.fat * 10, 1),
            round(r.protein * 10, 1),
            round(r.lactose * 10, 1),
            "Wester Bench",
        ]
        for r in part[3].itertuples()
    ]
    keep("shepherds_sheet.ods", ods("November", table), "an OpenDocument sheet, days first, in g/kg")
    # 5: a composite of pots of late October.
    world, rng = dairy.world, np.random.default_rng([dairy.seed, 9])
    vats = dairy.tables["batches"].iloc[[-6, -2]]
    pot_rows: list[list[object]] = [
        ["Three Becks Food Bench: yogurt (invented)"] + [None] * 13,
        [
            "Sample id", "Batch", "Made", "Received", "Reported", "Pots", "Fat g/100 g", "of which saturates g/100 g",
            "Carbohydrate g/100 g", "of which sugars g/100 g", "Protein (N x 6.38) g/100 g", "Salt g/100 g",
            "Calcium mg/100 g", "pH",
        ],
    ]  # fmt: skip
    for k, vat in enumerate(vats.itertuples(), start=1):
        t = world.number(vat.made_on)
        value = pots.composite(world.pot[t][None, :], np.array([6]), world.plan.pots.lab_bias, rng)[0]
        fat, sat, carb, sug, prot, salt, calc = (round(float(v), 2) for v in value[:7])
        pot_rows.append(
            [
                f"P26-11{k}", vat.batch_id, vat.made_on, f"2026-11-0{k + 1}", f"2026-11-1{k}", 6, fat, sat, carb, sug,
                prot, salt, round(calc), round(float(world.end_ph[t]), 2),
            ]
        )  # fmt: skip
    keep("three_becks_pots.xlsx", xlsx({"Pots": pot_rows}), "two composites of pots made in late October")
    # 6: an amended report of an October result, tab by tab, and a line that was already brought in.
    old = dairy.tables["milk_tests"]
    old = old[old["sampled_on"] >= f"{dairy.month}-01"].iloc[:2]
    text = ["sample_id\tsampled_on\treported_on\tsource\tfat_g_100g\tprotein_g_100g\tlactose_g_100g\tlab\tmethod\tnote"]
    for k, r in enumerate(old.itertuples()):
        shift, when, note = (0.22, "2026-11-09", "amended") if k == 0 else (0.0, r.reported_on, "")
        text.append(
            f"{r.sample_id}\t{r.sampled_on}\t{when}\t{r.source}\t{r.fat_g_100g + shift:.2f}\t{r.protein_g_100g:.2f}\t"
            f"{r.lactose_g_100g:.2f}\t{r.lab}\t{r.method}\t{note}"
        )
    keep(
        "amended_october.txt",
        ("\n".join(text) + "\n").encode("utf-8-sig"),
        "tab-separated, with a byte-order mark: an amended October result, and one already in the records",
    )
    # 7: two tables in one sheet: milk above, pots below, as kept by hand.
    hand: list[list[object]] = [
        ["Notes of the month", None, None, None, None],
        ["Vat", "Minutes", "pH", None, None],
    ]
    last = dairy.tables["batches"].iloc[-1]
    for minutes, value in ((60, 6.31), (100, 5.94), (140, 5.42), (180, 4.99), (220, 4.67)):
        hand.append([last["batch_id"], minutes, value, None, None])
    keep("ph_strip.xlsx", xlsx({"pH": hand}), "pH readings of one vat, copied from the wall")
    # 8: a printed report.
    keep(
        "printed_report.pdf",
        printed(new_results(dairy, month, 2, dairy.seed + 1)),
        "a report printed to a page, as text",
    )
    # 9: text where numbers belong, and a result that cannot be.
    bad = [
        "sample_id,sampled_on,source,fat_g_100g,protein_g_100g,lactose_g_100g,lab",
        "M26-1191,2026-11-12,late_house,6.4l,5.21,4.77,Wester Bench",
        "M26-1192,2026-11-31,bulk,6.60,5.30,4.80,Wester Bench",
        "M26-1193,2026-11-19,bulk,66.1,5.28,4.79,Wester Bench",
    ]
    keep(
        "typed_by_hand.csv",
        ("\n".join(bad) + "\n").encode(),
        "slips of the hand: a letter in a number, 31 November, a factor of ten",
    )
    return listing
