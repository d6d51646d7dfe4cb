"""Season folders for tests: a small clean one, and ways to spoil it.

The dairy, its flocks, its laboratories and all figures are invented.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

DAIRY = """\
name = "Test Dairy (invented)"
rules = ["eu"]
pot_g = 200.0
latitude = 51.0

[[flocks]]
id = "hill"
name = "Hill flock"

[[flocks]]
id = "brook"
name = "Brook flock"

[usual]
incubator_c = 44.0
set_min = 180
starter_g_kg = 25.0

[limits]
incubator_c = [41.0, 47.0]
starter_g_kg = [15.0, 40.0]
target_ph = 4.6

[label]
fat_g = 6.5
protein_g = 5.5
claims = ["high protein"]

[risk]
label_ok = 0.95
"""

MILK = (
    "sample_id,sampled_on,reported_on,source,fat_g_100g,protein_g_100g,lactose_g_100g,total_solids_g_100g,"
    "somatic_cells_1000_ml,plate_count_1000_cfu_ml,freezing_point_c,ph,lab,method,note,protein_factor"
)
DIARY = "flock,from_date,to_date,forage,supplement_kg_day,ewes_milked,lambed_on,note,milk_kg_day,dried_on,written_on"
BATCHES = (
    "batch_id,made_on,milk_kg,milk_age_h,heat_c,hold_min,fill_c,starter_age_d,starter_g_kg,incubator_c,fat_g_100g,"
    "protein_g_100g,moved_out_min,end_ph,pots_filled,pots_failed,note,source,filled_kg,starter_from,failed_as,inhibitor"
)
SET_CHECKS = "batch_id,minutes,state"
PH = "batch_id,minutes,ph"
POTS = (
    "sample_id,batch_id,made_on,sampled_on,reported_on,pots_in_composite,fat_g_100g,saturates_g_100g,"
    "carbohydrate_g_100g,sugars_g_100g,protein_g_100g,salt_g_100g,lactic_acid_g_100g,total_solids_g_100g,"
    "calcium_mg_100g,ph,firmness_g,whey_g_100g,lab,method,note,protein_factor,carbohydrate_by"
)
WEATHER = "date,t_mean_c,t_max_c,rain_mm"
DECISIONS = "decided_on,rules,nutrient,value,from_date,by,why"

HEADERS = {
    "milk_tests": MILK,
    "flock_diary": DIARY,
    "batches": BATCHES,
    "set_checks": SET_CHECKS,
    "ph_readings": PH,
    "pot_tests": POTS,
    "weather": WEATHER,
    "decisions_taken": DECISIONS,
}

# A season of three months without anything to complain about.
CLEAN: dict[str, tuple[dict[str, str], ...]] = {
    "milk_tests": tuple(
        {
            "sample_id": f"M{number:02d}",
            "sampled_on": day,
            "reported_on": reported,
            "source": source,
            "fat_g_100g": fat,
            "protein_g_100g": protein,
            "lactose_g_100g": "4.8",
            "total_solids_g_100g": f"{float(fat) + float(protein) + 4.8 + 1.05:.2f}",
            "somatic_cells_1000_ml": "600",
            "plate_count_1000_cfu_ml": "80",
            "freezing_point_c": "-0.562",
            "ph": "6.66",
            "lab": "valley lab",
            "method": "infrared",
            "protein_factor": "6.38",
        }
        for number, (day, reported, source, fat, protein) in enumerate(
            [
                ("2026-03-05", "2026-03-09", "bulk", "6.3", "5.2"),
                ("2026-03-19", "2026-03-23", "hill", "6.4", "5.3"),
                ("2026-04-02", "2026-04-06", "brook", "6.5", "5.4"),
                ("2026-04-16", "2026-04-20", "bulk", "6.6", "5.4"),
                ("2026-04-29", "2026-05-04", "bulk", "6.7", "5.5"),
                ("2026-05-14", "2026-05-18", "bulk", "6.8", "5.6"),
            ],
            start=1,
        )
    ),
    "flock_diary": (
        {
            "flock": "hill",
            "from_date": "2026-02-20",
            "to_date": "2026-04-10",
            "forage": "hay",
            "supplement_kg_day": "0.5",
            "ewes_milked": "80",
            "lambed_on": "2026-01-20",
        },
        {
            "flock": "hill",
            "from_date": "2026-04-11",
            "forage": "pasture",
            "supplement_kg_day": "0.2",
            "ewes_milked": "78",
            "lambed_on": "2026-01-20",
        },
        {
            "flock": "brook",
            "from_date": "2026-02-20",
            "forage": "hay",
            "supplement_kg_day": "0.5",
            "ewes_milked": "60",
            "lambed_on": "2026-02-01",
        },
    ),
    "batches": tuple(
        {
            "batch_id": f"B{number}",
            "made_on": day,
            "milk_kg": "150",
            "milk_age_h": "12",
            "heat_c": "90",
            "hold_min": "60",
            "fill_c": "46",
            "starter_age_d": "3",
            "starter_g_kg": "25",
            "incubator_c": "44",
            "moved_out_min": "185",
            "end_ph": "4.7",
            "pots_filled": "700",
            "pots_failed": "5",
            "source": "bulk",
        }
        for number, day in enumerate(["2026-03-10", "2026-04-08", "2026-05-12"], start=1)
    ),
    "set_checks": (
        {"batch_id": "B1", "minutes": "150", "state": "liquid"},
        {"batch_id": "B1", "minutes": "175", "state": "set"},
        {"batch_id": "B2", "minutes": "140", "state": "liquid"},
        {"batch_id": "B2", "minutes": "170", "state": "set"},
        {"batch_id": "B3", "minutes": "165", "state": "set"},
    ),
    "ph_readings": (
        {"batch_id": "B1", "minutes": "60", "ph": "6.3"},
        {"batch_id": "B1", "minutes": "150", "ph": "5.3"},
        {"batch_id": "B1", "minutes": "190", "ph": "4.7"},
    ),
    "pot_tests": (
        {
            "sample_id": "P1",
            "batch_id": "B2",
            "made_on": "2026-04-08",
            "sampled_on": "2026-04-10",
            "reported_on": "2026-04-20",
            "pots_in_composite": "6",
            "fat_g_100g": "6.8",
            "saturates_g_100g": "4.4",
            "carbohydrate_g_100g": "4.1",
            "sugars_g_100g": "3.9",
            "protein_g_100g": "5.6",
            "salt_g_100g": "0.13",
            "lactic_acid_g_100g": "1.0",
            "total_solids_g_100g": "18.6",
            "calcium_mg_100g": "195",
            "ph": "4.4",
            "firmness_g": "180",
            "whey_g_100g": "2.0",
            "lab": "valley lab",
            "method": "reference",
            "protein_factor": "6.38",
            "carbohydrate_by": "sum",
        },
    ),
    "weather": tuple(
        {"date": f"2026-0{month}-{day:02d}", "t_mean_c": "11.5", "t_max_c": "16.0", "rain_mm": "1.2"}
        for month, days in ((3, 31), (4, 30), (5, 31))
        for day in range(1, days + 1)
    ),
    "decisions_taken": (
        {
            "decided_on": "2026-04-30",
            "rules": "eu",
            "nutrient": "fat",
            "value": "6.5",
            "from_date": "2026-05-15",
            "by": "maker",
            "why": "spring milk",
        },
    ),
}

Rows = Sequence[Mapping[str, str]] | str | bytes | None


def csv_text(name: str, rows: Sequence[Mapping[str, str]]) -> str:
    """Return a table's CSV text; cells are written as they stand."""
    header = HEADERS[name]
    lines = [",".join(row.get(column, "") for column in header.split(",")) for row in rows]
    return "\n".join([header, *lines]) + "\n"


def season_folder(tmp_path: Path, *, dairy: str | None = DAIRY, folder: str = "season", **tables: Rows) -> Path:
    """Write a season folder: the clean season, with the tables named here instead.

    A table is rows (dicts of text by column; columns left out are empty), the file as text or bytes, or None for none.
    """
    path = tmp_path / folder
    path.mkdir(parents=True)
    if dairy is not None:
        (path / "dairy.toml").write_text(dairy, encoding="utf-8")
    unknown = set(tables) - set(HEADERS)
    assert not unknown, f"no such table: {unknown}"
    for name in HEADERS:
        content = tables.get(name, CLEAN[name])
        if isinstance(content, bytes):
            (path / f"{name}.csv").write_bytes(content)
        elif content is not None:
            text = content if isinstance(content, str) else csv_text(name, content)
            (path / f"{name}.csv").write_bytes(text.encode("utf-8"))
    return path


def changed(name: str, row: int, **cells: str) -> tuple[dict[str, str], ...]:
    """Return the clean rows with cells of one row changed; ``row`` as a spreadsheet shows it (header = 1)."""
    rows = [dict(clean) for clean in CLEAN[name]]
    rows[row - 2].update(cells)
    return tuple(rows)


def added(name: str, *more: Mapping[str, str]) -> tuple[dict[str, str], ...]:
    """Return the clean rows of a table with further rows below."""
    return (*(dict(clean) for clean in CLEAN[name]), *(dict(row) for row in more))
