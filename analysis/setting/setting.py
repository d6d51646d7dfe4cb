"""Fit everything about setting for one season, and answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.records.findings import Answer, Finding, note, warning
from analysis.records.months import last_day, month_words
from analysis.setting.acidity import PH_WHEN_SET, Acidity, ph_at, read_acidity
from analysis.setting.coming_month import (
    ComingMonth,
    advise,
    coming_month,
    settings_grid,
    what_changes_are_worth,
)
from analysis.setting.failed_pots import (
    CHOSEN_SHARE,
    FailedPots,
    fit_failed_pots,
    longest_age,
    starter_curve,
    starter_rows,
)
from analysis.setting.set_time import SetTime, fit_set_time, prior_set_time
from analysis.setting.troubles import PLAN, cautions, vats_gone_wrong
from analysis.setting.vats import Vats, read_vats

_SEED = 4104  # this room's own constant; the season's month is the other half of the seed


@dataclass(frozen=True)
class SettingFit:
    """What was learnt about setting in one season; ask it for the `answer`.

    Attributes
    ----------
    season
        The Season.
    vats, acidity
        What was seen.
    set_time, failed
        Posteriors.
    coming, coming_prior
        One vat next month, from the posterior and from the prior alone.
    """

    season: Any
    vats: Vats
    acidity: Acidity
    set_time: SetTime
    failed: FailedPots
    coming: ComingMonth
    coming_prior: ComingMonth

    def answer(self) -> Answer:
        """Return decisions (``set_time``, ``starter``, ``outcomes``), tables and flags."""
        season, coming = self.season, self.coming
        readings = season.tables["ph_readings"]
        advice = advise(coming, self.failed)
        curve = starter_curve(self.failed)
        worth = what_changes_are_worth(coming, self.coming_prior if len(self.set_time.rows) else None)
        failed_effects = self.failed.effects()
        wrong = vats_gone_wrong(self.vats, self.set_time, self.failed, readings, float(season.dairy.limits.target_ph))
        columns = ["driver", "effect", "lo90", "hi90", "unit", "from_records"]
        outcomes = [
            {"outcome": outcome, **dict(zip(columns, values, strict=True))}
            for outcome, table in (("set_min", worth), ("pots_failed", failed_effects))
            for values in table[columns].itertuples(index=False, name=None)
        ]
        tables = {
            "set_time_advice": pd.DataFrame(advice),
            "set_time_settings": settings_grid(coming, self.failed),
            "set_time_effects": worth,
            "failed_pots_effects": failed_effects,
            "starter_age": curve.assign(within_chosen_share=curve["failed_share"] <= CHOSEN_SHARE),
            "culture": culture_table(self.set_time),
            "set_time_by_batch": batch_table(self.set_time),
            "ph_curves": self._ph_curves(),
            "ph_at_set": self._ph_at_set(),
            "batches_gone_wrong": wrong,
        }
        flags = [*self.vats.flags, *cautions(season, self.vats, wrong), *self._flags(advice, curve)]
        return Answer({"set_time": advice, "starter": starter_rows(curve), "outcomes": outcomes}, tables, tuple(flags))

    def window(self, vats: pd.DataFrame, day: pd.Timestamp, rng: np.random.Generator) -> pd.DataFrame:
        """Return the 10, 50 and 95 % points of the set time of vats of known settings made on a day.

        Parameters
        ----------
        vats
            Columns ``incubator_c, starter_g_kg, starter_age_d, milk_age_h, protein, heat_c, hold_min``.
        day
            Day of making.
        rng
            Seeded generator.

        Returns
        -------
        DataFrame
            ``first_check_min, expected_min, latest_min``, one row a vat.
        """
        mean = self.set_time.log_mean(vats, self.set_time.culture_at(day, rng))
        points = self.set_time.window(mean)
        return pd.DataFrame(points.T, columns=["first_check_min", "expected_min", "latest_min"], index=vats.index)

    def _ph_curves(self) -> pd.DataFrame:
        """Return the readings, and the curve of a usual vat next month (``kind`` reading or usual)."""
        readings = self.season.tables["ph_readings"]
        seen: pd.DataFrame = readings[["batch_id", "minutes", "ph"]].dropna().assign(kind="reading")
        if not self.acidity.any:
            return seen
        expected = float(self.coming.window(np.array([self.coming.usual_c]), np.array([self.coming.usual_g_kg]))[1, 0])
        minutes = np.arange(10.0, 2.2 * expected, 5.0)
        curve = ph_at(minutes, expected, float(np.median(self.set_time.hyper.ph_set)), self.acidity.steep)
        usual = pd.DataFrame({"batch_id": "usual vat next month", "minutes": minutes, "ph": curve, "kind": "usual"})
        joined: pd.DataFrame = pd.concat([seen, usual], ignore_index=True)
        return joined

    def _ph_at_set(self) -> pd.DataFrame:
        drawn = self.set_time.hyper.ph_set
        mean, sd = PH_WHEN_SET
        own = 1.0 - float(drawn.var()) / sd**2 if self.acidity.any else 0.0
        return pd.DataFrame(
            {
                "ph_when_set": [float(drawn.mean())],
                "lo90": [float(np.quantile(drawn, 0.05))],
                "hi90": [float(np.quantile(drawn, 0.95))],
                "before_records": [mean],
                "from_records": [float(np.clip(own, 0.0, 1.0))],
                "batches_read": [len(self.acidity.by_batch)],
            }
        )

    def _culture_flags(self) -> list[Finding]:
        """Return what is worth saying about the culture's state."""
        out: list[Finding] = []
        if self.set_time.last_day is None:
            return out
        since = (pd.Timestamp(last_day(self.season.month)) - self.set_time.last_day).days
        if since > 45:
            text = f"the newest look at a vat is {since} days old; the culture may have moved since"
            out.append(note("set-time-old-looks", text))
        slower = float(np.mean(self.set_time.slower_now() > np.log(1.08)))
        if slower > 0.7:
            out.append(
                note(
                    "culture-has-slowed",
                    f"the culture is probably ({100 * slower:.0f} %) more than 8 % slower than its own usual",
                    advice="renew the starter from a clean source, as the hygiene plan says",
                )
            )
        return out

    def _flags(self, advice: list[dict[str, Any]], curve: pd.DataFrame) -> list[Finding]:
        coming, out = self.coming, []
        month = month_words(coming.month)
        latest = advice[0]["latest_min"]
        out.append(
            note(
                "set-is-not-acid-enough",
                "set is not acid enough: check the pH before cooling, as the hygiene plan says. A vat that has "
                "not set by "
                f"{latest:.0f} min at the usual settings, or is above the target pH when moved out, is {PLAN}",
            )
        )
        told = len(self.set_time.rows)
        if told == 0:
            out.append(
                warning(
                    "set-time-from-prior",
                    "no vat of this dairy tells when it set, so the set time rests on published knowledge alone "
                    "and its window is wide",
                    file="set_checks.csv",
                    advice="note two or three looks at every vat: the minutes, and whether it was liquid or set",
                )
            )
        elif told < 10:
            out.append(
                note(
                    "set-time-few-vats",
                    f"only {told} vats tell when they set; the set time still rests mostly on published knowledge",
                )
            )
        if not coming.has_milk:
            out.append(
                note(
                    "no-milk-next-month",
                    f"no milk is expected in {month}; the set time is for a vat of the milk last seen",
                )
            )
        if coming.range_c[0] > coming.range_c[1] or coming.range_g_kg[0] > coming.range_g_kg[1]:
            text = "the maker's limits and the safe bounds (40-48 C, 10-50 g/kg) have nothing in common"
            out.append(note("limits-leave-no-room", text, file="dairy.toml", advice="no other settings are advised"))
        if coming.to_target is None:
            out.append(
                note(
                    "target-ph-time-unknown",
                    "when the target pH is reached cannot be said: no pH reading of a vat in the making could be used"
                    if not self.acidity.any
                    else "when the target pH is reached cannot be said: the target is off the known part of the curve",
                    advice="read the pH of a vat two or three times while it sets and before it cools",
                )
            )
        past = coming.past_best()
        if past > 0.5:
            out.append(
                note(
                    "past-best-warmth",
                    f"at {coming.usual_c:g} C the culture is probably ({100 * past:.0f} %) past the warmth at "
                    f"which it sets soonest: "
                    "hotter would not be quicker, and a degree less costs little or nothing and gives a finer gel",
                    advice="make a trial vat a degree cooler before changing anything",
                )
            )
        out.extend(self._culture_flags())
        out.append(_starter_flag(curve))
        if any(row["trial_vat_first"] for row in advice):
            out.append(
                note(
                    "trial-vat-first",
                    "some settings lie more than one step beyond what this dairy has tried: make a trial vat first",
                )
            )
        return out


def _starter_flag(curve: pd.DataFrame) -> Finding:
    """Return what the starter's age went together with."""
    if curve.empty:
        text = "no vat has its starter age and its failed pots noted, so nothing is said about starter age"
        return note("starter-age-unknown", text)
    age = longest_age(curve)
    words = (
        f"up to {age} days, the expected share of failed pots stays at or below {100 * CHOSEN_SHARE:g} %"
        if age is not None
        else f"no age tried so far keeps the expected share of failed pots at or below {100 * CHOSEN_SHARE:g} %"
    )
    return note(
        "starter-age",
        f"of the ages this dairy has tried: {words}. This is what went together in these records, not proof: "
        "the maker chose age and warmth for reasons",
    )


def culture_table(set_time: SetTime) -> pd.DataFrame:
    """Return what the culture has been doing: ``made_on, slower_pct, lo90, hi90, fresh``; above 0 is slower."""
    table = set_time.culture
    out = table[["made_on"]].copy()
    for name, column in (("slower_pct", "culture"), ("lo90", "lo90"), ("hi90", "hi90")):
        out[name] = 100.0 * np.expm1(table[column].to_numpy(dtype=np.float64))
    return out.assign(fresh=table["fresh"].to_numpy())


def batch_table(set_time: SetTime) -> pd.DataFrame:
    """Return what was seen of each vat beside the model's window for it; limits that were not seen are NaN."""
    rows = set_time.rows
    columns = [
        "batch_id",
        "made_on",
        "seen",
        "lower_min",
        "upper_min",
        "first_min",
        "expected_min",
        "latest_min",
        "slip_chance",
    ]
    if rows.empty:
        return pd.DataFrame(columns=columns)
    fitted, sd = rows["fitted"], rows["fitted_sd"]
    out = rows[["batch_id", "made_on", "seen"]].copy()
    out["lower_min"] = rows["lower_min"].where(rows["lower_min"] > 0)
    out["upper_min"] = rows["upper_min"].where(np.isfinite(rows["upper_min"]))
    out["first_min"], out["expected_min"] = np.exp(fitted - 1.2816 * sd), np.exp(fitted)
    out["latest_min"], out["slip_chance"] = np.exp(fitted + 1.6449 * sd), rows["slip_chance"]
    return out[columns].reset_index(drop=True)


def fit_setting(season: Any, milk: Any) -> SettingFit:
    """Fit set time and failed pots for a season.

    Parameters
    ----------
    season
        A Season; tables ``batches``, ``set_checks``, ``ph_readings``.
    milk
        A MilkFit: ``draws`` (milk by draw, day, source, component) and ``on_days``.

    Returns
    -------
    SettingFit
        Works from no vat at all (the prior's answer, and a flag that says so) to thousands.
    """
    year, month = (int(part) for part in season.month.split("-"))
    rng = np.random.default_rng([_SEED, year, month])
    vats = read_vats(season, milk)
    acidity = read_acidity(season.tables["ph_readings"])
    draws = int(milk.draws["milk"].sizes["draw"])
    set_time = fit_set_time(vats, acidity, draws, rng)
    failed = fit_failed_pots(vats)
    coming = coming_month(season, milk, vats, set_time, rng)
    coming_prior = coming_month(season, milk, vats, prior_set_time(draws, rng), rng)
    return SettingFit(season, vats, acidity, set_time, failed, coming, coming_prior)
