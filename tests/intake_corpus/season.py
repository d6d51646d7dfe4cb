"""An empty invented season folder to bring files into."""

from pathlib import Path

from analysis.records.schema import tables

DAIRY = """name = "Quince Bank (invented)"
rules = ["eu"]
pot_g = 200.0
[[flocks]]
id = "north"
name = "North flock"
[[flocks]]
id = "hill"
name = "Hill ewes"
[usual]
incubator_c = 44.0
set_min = 180
starter_g_kg = 25.0
[limits]
incubator_c = [40.0, 48.0]
starter_g_kg = [10.0, 50.0]
target_ph = 4.6
[label]
fat_g = 6.0
[risk]
label_ok = 0.95
"""


def make_season(folder: Path) -> Path:
    """Write dairy.toml and header rows."""
    folder.mkdir(parents=True)
    (folder / "dairy.toml").write_text(DAIRY, encoding="utf-8")
    for table in tables().values():
        if table.required:
            header = ",".join(c.name for c in table.columns if not c.optional)
            (folder / table.file).write_text(header + "\n", encoding="utf-8")
    return folder
