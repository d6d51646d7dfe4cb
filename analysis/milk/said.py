"""What the milk room says: decisions, tables and flags."""

import numpy as np
import pandas as pd

from analysis.milk import priors
from analysis.milk.forecast import forecast_rows, months_table, results_table
from analysis.milk.model import MilkFit
from analysis.milk.swing import not_told_apart, swing_rows, swing_shares
from analysis.records.findings import Answer, Finding, note, warning

ODD_PROBABILITY = 0.5
FEW_RESULTS = 12
WORDS = {"fat_g_100g": "fat", "protein_g_100g": "protein", "lactose_g_100g": "lactose"}


def milk_answer(fit: MilkFit) -> Answer:
    """Return forecast, swing, tables and flags of a fitted milk season."""
    forecast = forecast_rows(fit)
    shares = swing_shares(fit)
    swing = swing_rows(fit, shares)
    results = results_table(fit)
    tables = {
        "milk_results": results,
        "milk_months": months_table(fit, forecast),
        "milk_swing": pd.DataFrame(swing, columns=["component", "part", "share", "lo90", "hi90"]),
        "milk_effects": effects_table(fit),
        "milk_rests_on": rests_on(fit),
    }
    flags = [*_odd_results(results), *_thin_records(fit), *_confounded(fit, shares)]
    return Answer(decisions={"milk_forecast": forecast, "swing": swing}, tables=tables, flags=tuple(flags))


def effects_table(fit: MilkFit) -> pd.DataFrame:
    """Return what each forage, the weather and each laboratory add, with how much of that comes from the records."""
    rows = []
    coef = fit.sample.coefficients
    for part in ("forage", "weather", "year", "lab", "flock"):
        for q in fit.features.columns(part):
            for c, component in enumerate(priors.COMPONENTS):
                x = coef[:, q, c]
                prior_sd = fit.features.sd[q, c]
                lo, hi = np.quantile(x, [0.05, 0.95])
                rows.append(
                    {
                        "part": part,
                        "name": fit.features.names[q],
                        "component": component,
                        "effect": x.mean(),
                        "lo90": lo,
                        "hi90": hi,
                        "from_records": float(np.clip(1.0 - x.var() / prior_sd**2, 0.0, 1.0)),
                    }
                )
    columns = ["part", "name", "component", "effect", "lo90", "hi90", "from_records"]
    return pd.DataFrame(rows, columns=columns)


def rests_on(fit: MilkFit) -> pd.DataFrame:
    """Return what the answer rests on: results by source and component, first and last day, days of diary and weather."""
    rows = []
    for source in fit.sources:
        of_source = fit.rows[fit.rows["source"] == source]
        for component in priors.COMPONENTS:
            days = of_source.loc[of_source[component].notna(), "sampled_on"]
            rows.append(
                {
                    "source": source,
                    "component": component,
                    "results": len(days),
                    "first": days.min(),
                    "last": days.max(),
                    "diary": source == "bulk" or fit.calendar.known_diary[fit.calendar.flocks.index(source)],
                    "weather": fit.features.weather.known,
                }
            )
    return pd.DataFrame(rows)


def _odd_results(results: pd.DataFrame) -> list[Finding]:
    """Name each result that looks like an unmixed, creamed or swapped sample."""
    found = []
    odd = results[results["outlier_probability"] > ODD_PROBABILITY].copy()
    odd["off"] = odd["value"] - odd["fitted"]
    odd["times"] = odd["off"].abs() / (odd["hi90"] - odd["lo90"])
    for _, group in odd.groupby("file_row", sort=True):
        worst = group.sort_values("times").iloc[-1]
        component = str(worst["component"])
        found.append(
            warning(
                "odd-result",
                f"{WORDS[component]} {worst['value']:.2f} g/100 g where {worst['fitted']:.2f} was expected "
                f"({worst['lo90']:.2f} to {worst['hi90']:.2f}): it looks like an unmixed or swapped sample and counts for little",
                file="milk_tests.csv",
                row=int(worst["file_row"]),
                column=component,
                value=f"{worst['value']:.2f}",
                advice="ask how the sample was taken, and have the next one mixed well",
            )
        )
    return found


def _thin_records(fit: MilkFit) -> list[Finding]:
    found = []
    n = len(fit.rows)
    if n == 0:
        found.append(
            warning(
                "no-milk-tests",
                "there is no usable milk test: the milk forecast is published knowledge of ewes' milk, not this dairy's",
                file="milk_tests.csv",
                advice="bring in lab results",
            )
        )
    elif n < FEW_RESULTS:
        found.append(
            note(
                "few-milk-tests",
                f"only {n} milk test{'s' if n > 1 else ''}: the forecast leans on published knowledge of ewes' milk",
                file="milk_tests.csv",
                advice="two tests a month would narrow it most",
            )
        )
    for component in priors.COMPONENTS:
        if n and not fit.rows[component].notna().any():
            found.append(
                note(
                    "never-tested",
                    f"{WORDS[component]} was never tested in milk: what is said of it is published knowledge and what goes with "
                    "the other components",
                    file="milk_tests.csv",
                    column=component,
                )
            )
    if not any(fit.calendar.known_diary):
        found.append(
            note(
                "no-lambing-dates",
                "no lambing dates: stage of lactation and time of year cannot be told apart, and days with milk are guessed "
                "from the days on which samples were taken",
                file="flock_diary.csv",
                column="lambed_on",
                advice="write the mean lambing date of each flock into the diary",
            )
        )
    for flock, known in zip(fit.calendar.flocks, fit.calendar.known_diary, strict=True):
        if any(fit.calendar.known_diary) and not known and flock != "bulk":
            found.append(
                note(
                    "no-lambing-dates",
                    f"flock {flock} has no lambing date: its stage of lactation is not known",
                    file="flock_diary.csv",
                    column="lambed_on",
                    advice="write the flock's mean lambing date into the diary",
                )
            )
        if n and flock != "bulk" and not (fit.rows["source"] == flock).any():
            found.append(
                note(
                    "flock-never-tested",
                    f"flock {flock} was never sampled by itself: its own level is read from the bulk milk and published spread",
                    file="milk_tests.csv",
                    column="source",
                )
            )
    if not fit.features.weather.known:
        found.append(
            note("no-weather", "no weather records: what the weather does counts as unexplained", file="weather.csv")
        )
    for lab, method in fit.features.labs:
        q = fit.features.columns("lab")[fit.features.labs.index((lab, method))]
        for c, component in enumerate(priors.COMPONENTS):
            x = fit.sample.coefficients[:, q, c]
            lo, hi = np.quantile(x, [0.05, 0.95])
            if lo > 0 or hi < 0:
                found.append(
                    note(
                        "labs-differ",
                        f"{lab or 'a lab without a name'} ({method or 'method not said'}) reads {WORDS[component]} "
                        f"{abs(x.mean()):.2f} g/100 g {'higher' if x.mean() > 0 else 'lower'} than the reference "
                        f"(90 %: {lo:+.2f} to {hi:+.2f}); forecasts are on the reference's scale",
                        file="milk_tests.csv",
                        column="lab",
                        advice="send both labs the same milk once",
                    )
                )
    return found


def _confounded(fit: MilkFit, shares: np.ndarray | None) -> list[Finding]:
    found = []
    pairs: dict[tuple[str, str], list[str]] = {}
    for component, first, second in not_told_apart(fit, shares):
        pairs.setdefault((first, second), []).append(WORDS[component])
    for (first, second), components in pairs.items():
        found.append(
            note(
                "not-told-apart",
                f"{first} and {second} cannot be told apart in these records for {' and '.join(components)}: what one gains "
                "the other loses, and only their sum is sure",
                advice="a second year, or flocks that lamb at different times, would separate them",
            )
        )
    return found
