"""An invented dairy and an invented outcome for it, so that the review can be tried without fitting anything.

The outcome is stored the way the review stores one, with a manifest whose key fits, so that notebooks read it.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.records.months import add_months, last_day
from analysis.review import inputs
from analysis.review.outcome import table_text

MONTH = "2026-05"
DAIRY = """
name = "Invented dairy at the ford"
rules = ["eu", "us"]
pot_g = 200.0
latitude = 52.3
[[flocks]]
id = "hill"
name = "Hill flock"
[[flocks]]
id = "ford"
name = "Ford flock"
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
protein_g = 5.6
claims = ["high protein"]
[risk]
label_ok = 0.95
"""
_HEADERS = {
    "milk_tests.csv": "sample_id,sampled_on,reported_on,source,fat_g_100g,protein_g_100g,lactose_g_100g,lab,method\n",
    "flock_diary.csv": "flock,from_date,to_date,forage,supplement_kg_day,ewes_milked,lambed_on,note\n",
    "batches.csv": "batch_id,made_on,milk_kg,incubator_c,starter_age_d,starter_g_kg,moved_out_min,end_ph,"
    "pots_filled,pots_failed\n",
}


def season_folder(parent: Path, name: str = "ford") -> Path:
    """Write a small invented season folder and return it."""
    folder = parent / name
    folder.mkdir(parents=True)
    (folder / "dairy.toml").write_text(DAIRY, encoding="utf-8")
    rng = np.random.default_rng(20260531)
    rows = [_HEADERS["milk_tests.csv"]]
    for k, day in enumerate(pd.date_range("2026-01-08", "2026-05-28", freq="10D")):
        for source, shift in (("hill", 0.3), ("ford", -0.2)):
            fat, protein = 6.6 + shift + rng.normal(0, 0.2), 5.6 + shift / 2 + rng.normal(0, 0.1)
            rows.append(
                f"M{k:03d}{source[0]},{day.date()},{day.date()},{source},{fat:.2f},{protein:.2f},4.8,"
                "North lab,infrared\n"
            )
    (folder / "milk_tests.csv").write_text("".join(rows), encoding="utf-8")
    (folder / "flock_diary.csv").write_text(
        _HEADERS["flock_diary.csv"]
        + "hill,2026-01-01,,hill pasture,0.3,60,2025-12-20,\nford,2026-01-01,,water meadow,0.4,45,2025-12-28,\n",
        encoding="utf-8",
    )
    (folder / "batches.csv").write_text(
        _HEADERS["batches.csv"]
        + "B001,2026-05-20,80,44,7,25,182,4.55,380,3\nB002,2026-05-27,82,44,9,25,178,4.52,390,5\n",
        encoding="utf-8",
    )
    return folder


def invented_decisions() -> dict[str, Any]:
    """Return decisions of every kind that the contract names, with invented numbers."""
    months = [add_months(MONTH, k) for k in range(1, 13)]
    rng = np.random.default_rng(7)
    milk, pot, outlook = [], [], []
    for k, month in enumerate(months):
        for source, shift in (("bulk", 0.0), ("ford", -0.2), ("hill", 0.3)):
            for component, level, swing in (("fat_g_100g", 6.7, 0.7), ("protein_g_100g", 5.6, 0.4)):
                mean = level + shift + swing * float(np.sin(k / 2)) + float(rng.normal(0, 0.05))
                milk.append(_forecast(month, mean, 0.25, 0.6) | {"source": source, "component": component})
        pot.append(_forecast(month, 6.9 + 0.6 * float(np.sin(k / 2)), 0.3, 0.6) | {"component": "fat_g_100g"})
        outlook.append({"month": month, "outcome": "whey_g_100g", "mean": 2.9, "lo90": 2.1, "hi90": 3.8})
    return {
        "contract": 1,
        "dairy": "Invented dairy at the ford",
        "month": MONTH,
        "data_through": "2026-05-28",
        "milk_forecast": milk,
        "pot_forecast": pot,
        "swing": [
            {"component": c, "part": p, "share": s, "lo90": s - 0.1, "hi90": s + 0.1}
            for c in ("fat_g_100g", "protein_g_100g")
            for p, s in (
                ("lactation", 0.38), ("season", 0.2), ("forage", 0.1), ("weather", 0.02),
                ("flock", 0.12), ("year", 0.05), ("lab", 0.03), ("unexplained", 0.1),
            )
        ],
        "outcomes": [
            {"outcome": "set_min", "driver": "protein_g_100g", "effect": 4.1, "lo90": 1.0, "hi90": 7.2,
             "unit": "% per g/100 g", "from_records": 0.8},
            {"outcome": "whey_g_100g", "driver": "protein_g_100g", "effect": -0.4, "lo90": -0.8, "hi90": 0.1,
             "unit": "g/100 g per g/100 g", "from_records": 0.3},
        ],
        "pot_outlook": outlook,
        "set_time": [
            {"month": months[0], "incubator_c": 44.0, "starter_g_kg": 25.0, "first_check_min": 151,
             "expected_min": 172, "latest_min": 201, "change_vs_usual_min": -8},
            {"month": months[0], "incubator_c": 43.0, "starter_g_kg": 25.0, "first_check_min": 158,
             "expected_min": 180, "latest_min": 209, "change_vs_usual_min": 0},
        ],
        "starter": [
            {"starter_age_d": age, "failed_share": 0.006 + 0.0008 * age, "lo90": 0.003 + 0.0004 * age,
             "hi90": 0.012 + 0.0016 * age}
            for age in range(1, 29, 3)
        ],
        "label": [
            _label("eu", "fat", 6.9, 5.8, 7.6, 6.0, 0.97, 6.94, 0.96, 7.0, months[1]),
            _label("eu", "protein", 5.5, 5.0, 6.1, 5.6, 0.98, 5.48, 0.97, 5.4, months[8]),
            _label("us", "fat", 7.0, 6.4, 7.9, None, None, 6.94, 0.96, 7.1, months[1]),
        ],
        "label_action": [{"rules": "eu", "action": "keep", "why": "the printed fat is tolerated in every month",
                          "decide_by": "2026-07-20"}],
        "label_sets": [],
        "claims": [
            {"rules": "eu", "claim": "high protein", "verdict": "safe", "ok_worst_month": 0.98,
             "worst_month": months[1]},
            {"rules": "eu", "claim": "source of calcium", "verdict": "not tested", "ok_worst_month": None,
             "worst_month": None},
            {"rules": "us", "claim": "good source of protein", "verdict": "seasonal", "ok_worst_month": 0.71,
             "worst_month": months[2]},
        ],
        "next_tests": [{"month": months[0], "what": "pot composite", "source": "bulk", "how_many": 2,
                        "why": "protein of the pots rests on one lab"}],
        "track_record": [{"what": "milk one result", "component": "fat_g_100g", "months_ahead": 1, "n": 14,
                          "mean_abs_error": 0.21, "same_month_last_year": 0.34, "inside_90": 0.93}],
        "flags": [{"code": "protein-factor", "severity": "note", "where": "milk_tests.csv",
                   "text": "No protein factor is given; 6.38 is assumed."},
                  {"code": "factor-of-ten", "severity": "error", "where": "milk_tests.csv row 14, column fat_g_100g",
                   "text": "Fat of 66 is out of range; the row is set aside."}],
    }  # fmt: skip


def invented_tables() -> dict[str, pd.DataFrame]:
    """Return tables as the rooms write them, with invented numbers."""
    rng = np.random.default_rng(11)
    rows = []
    for day in pd.date_range("2024-02-01", "2026-05-28", freq="12D"):
        for source, shift in (("ford", -0.2), ("hill", 0.3)):
            for component, level, swing in (("fat_g_100g", 6.6, 0.8), ("protein_g_100g", 5.5, 0.4)):
                fitted = level + shift - swing * np.cos(2 * np.pi * (day.day_of_year - 150) / 365.25)
                value = fitted + rng.normal(0, 0.2)
                rows.append((source, day, component, value, "North lab", f"M{len(rows):04d}", 0.02, fitted,
                             fitted - 0.4, fitted + 0.4))  # fmt: skip
    results = pd.DataFrame(
        rows,
        columns=[
            "source",
            "sampled_on",
            "component",
            "value",
            "lab",
            "sample_id",
            "outlier_probability",
            "fitted",
            "lo90",
            "hi90",
        ],
    )
    results.loc[40, ["value", "outlier_probability"]] = [results.loc[40, "value"] + 2.0, 0.98]
    months = []
    for k in range(-24, 13):
        month = add_months(MONTH, k)
        kind = "observed" if k <= 0 else "forecast"
        spread = 0.1 if k <= 0 else 0.2 + 0.02 * k
        for source, shift in (("bulk", 0.05), ("ford", -0.2), ("hill", 0.3)):
            for component, level, swing in (("fat_g_100g", 6.6, 0.8), ("protein_g_100g", 5.5, 0.4)):
                mean = level + shift - swing * np.cos(2 * np.pi * (last_day(month).timetuple().tm_yday - 165) / 365.25)
                months.append(
                    (month, source, component, kind, mean, mean - spread, mean + spread, mean - 0.5, mean + 0.5)
                )
    month_columns = ["month", "source", "component", "kind", "mean", "lo90", "hi90", "one_lo90", "one_hi90"]
    return {
        "milk_results": results,
        "milk_months": pd.DataFrame(months, columns=month_columns),
        "milk_swing": pd.DataFrame(invented_decisions()["swing"]),
        "set_aside": pd.DataFrame(
            [("milk_tests.csv", 14, "factor-of-ten", "Fat of 66 is out of range")],
            columns=["file", "file_row", "code", "text"],
        ),
        **_record_tables(),
        **_pot_tables(rng),
        **_setting_tables(rng),
        **_label_tables(),
    }


def _record_tables() -> dict[str, pd.DataFrame]:
    rows = [
        (table, source, add_months(MONTH, -k), n)
        for k in range(20)
        for table, source, n in (("milk_tests", "hill", 2), ("milk_tests", "ford", 1), ("batches", "bulk", 9))
        if not (source == "hill" and k == 7)
    ]
    return {
        "record_months": pd.DataFrame(rows, columns=["table", "source", "month", "rows"]),
        "record_sources": pd.DataFrame(
            [("bulk", "bulk milk"), ("hill", "Hill flock, on the heights"), ("ford", "Ford flock")],
            columns=["source", "name"],
        ),
        "record_settings": pd.DataFrame([("target_ph", 4.6), ("label_ok", 0.95)], columns=["name", "value"]),
        "record_counts": pd.DataFrame(
            [("milk_tests", 58, 1, "2024-10-08", "2026-05-28")], columns=["table", "used", "set_aside", "first", "last"]
        ),
        "findings": pd.DataFrame(
            [("error", "factor-of-ten", "milk_tests.csv row 14", "Fat of 66 is out of range.")],
            columns=["severity", "code", "where", "text"],
        ),
    }


def _pot_tables(rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    rows = []
    for nutrient, level in (("fat", 6.8), ("protein", 5.6)):
        for day in pd.date_range("2024-10-20", "2026-05-20", freq="45D"):
            milk = level + rng.normal(0, 0.5)
            rows.append((day, nutrient, milk, milk - 0.3, milk + 0.3, 1.04 * milk, 1.04 * milk + rng.normal(0, 0.1)))
    columns = ["made_on", "nutrient", "milk", "milk_lo90", "milk_hi90", "pot_fitted", "pot_measured"]
    return {"pot_milk": pd.DataFrame(rows, columns=columns)}


def _setting_tables(rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    days = pd.date_range("2024-10-01", "2026-05-27", freq="5D")
    pace = np.cumsum(rng.normal(0, 2, len(days))) / 2
    ages = np.arange(1, 15)
    return {
        "culture": pd.DataFrame(
            {
                "made_on": days,
                "slower_pct": pace,
                "lo90": pace - 6,
                "hi90": pace + 6,
                "fresh": np.arange(len(days)) % 30 == 0,
            }
        ),
        "starter_age": pd.DataFrame(
            {
                "starter_age_d": ages,
                "failed_share": 0.01 + ages / 500,
                "vats": 20 - ages,
                "failed_seen": 0.01 + ages / 400,
            }
        ),
    }


def _label_tables() -> dict[str, pd.DataFrame]:
    months = [add_months(MONTH, k) for k in range(1, 13)]
    control, window, curve = [], [], []
    for nutrient, level, half in (("fat", 6.9, 1.5), ("protein", 5.5, 1.4)):
        for k, month in enumerate(months):
            mean = level + 0.5 * np.sin(k / 2)
            control.append(("eu", nutrient, "g", month, mean, *(mean + d for d in (-0.8, -0.3, 0.0, 0.3, 0.8))))
            curve += [
                ("eu", nutrient, "g", round(value, 1), month, float(np.exp(-(((value - mean) / 1.2) ** 8))))
                for value in np.arange(level - 2, level + 2, 0.1)
            ]
        window.append(("eu", nutrient, "g", "100 g", level, level - 0.2, level + 0.2, level, level + 0.1, level - 0.9,
                       level - 0.6, level + 0.6, level - half, level + half, 0.95))  # fmt: skip
    claims = [
        ("eu", claim, month, 0.99 if k != worst else 0.8)
        for claim, worst in (("high protein", 99), ("source of protein", 3))
        for k, month in enumerate(months)
    ]
    quantiles = ["q05", "q25", "q50", "q75", "q95"]
    return {
        "label_control_distribution": pd.DataFrame(
            control, columns=["rules", "nutrient", "unit", "month", "mean", *quantiles]
        ),
        "label_window": pd.DataFrame(
            window,
            columns=["rules", "nutrient", "unit", "basis", "average", "lo90", "hi90", "declared", "cautious",
                     "on_pot_now", "ok_from", "ok_to", "limits_low", "limits_high", "wanted"],
        ),
        "label_curve": pd.DataFrame(curve, columns=["rules", "nutrient", "unit", "value", "month", "ok"]),
        "claims_by_month": pd.DataFrame(claims, columns=["rules", "claim", "month", "ok"]),
    }  # fmt: skip


def store(
    folder: Path, out: Path, decisions: dict[str, Any] | None = None, tables: dict[str, pd.DataFrame] | None = None
) -> None:
    """Store an outcome for a season folder, with a manifest whose key fits."""
    (out / "tables").mkdir(parents=True, exist_ok=True)
    (out / "decisions.json").write_text(json.dumps(decisions or invented_decisions()), encoding="utf-8")
    for name, table in (invented_tables() if tables is None else tables).items():
        (out / "tables" / f"{name}.csv").write_text(table_text(table), encoding="utf-8")
    manifest = inputs.manifest_of(folder, MONTH, "2026-06-01T00:00:00+00:00")
    (out / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")


def _forecast(month: str, mean: float, spread: float, one: float) -> dict[str, Any]:
    return {
        "month": month,
        "mean": round(mean, 3),
        "mean_lo90": round(mean - spread, 3),
        "mean_hi90": round(mean + spread, 3),
        "one_lo90": round(mean - one, 3),
        "one_hi90": round(mean + one, 3),
    }


def _label(
    rules: str, nutrient: str, declared: float, low: float, high: float, now: float | None, now_ok: float | None,
    expected: float, ok: float, cautious: float, worst: str,
) -> dict[str, Any]:  # fmt: skip
    return {
        "rules": rules, "nutrient": nutrient, "unit": "g", "basis": "100 g", "declared": declared, "ok_from": low,
        "ok_to": high, "on_pot_now": now, "on_pot_now_ok_worst_month": now_ok, "expected": expected, "ok_year": 0.99,
        "ok_worst_month": ok, "worst_month": worst, "meets_risk": True, "evidence": "pot tests", "n_tests": 31,
        "cautious": cautious,
    }  # fmt: skip
