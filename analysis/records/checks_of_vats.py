"""Checks of what was done and seen in the dairy: batches, looks, pH readings."""

import pandas as pd

from analysis.records.checks_of_results import batch_advice, day_made, known_source
from analysis.records.dairy import Dairy
from analysis.records.sieve import Sieve, outside

# Starter of one pot instead of one kg: tell it where the dose is below any sensible one and fits once it is turned.
_LEAST_STARTER = 10.0
_FITS = (0.6, 1.6)
_QUICKEST_SET_MIN = 30.0
_PH_RISE = 0.3
_STARTER_AGE_SLACK_D = 2
# Starter adds weight; scales and spilling take some.
_MORE_IN_POTS = 1.15
_MORE_FILLED = 1.03


def check_batches(batches: Sieve, dairy: Dairy) -> None:
    """Check batches: repeated names, starter, pots, weights, ranges."""
    batches.same_row_twice(
        "batch_id",
        "two different batches have this batch_id, so all of them are set aside",
        "give each batch its own batch_id, here and where it is looked at",
    )
    known_source(batches, "source", dairy)
    _starter_per_pot(batches, dairy)
    batches.ranges()
    _failed_pots(batches)
    _weights(batches, dairy)
    _starter_from(batches)
    batches.stray_days("made_on")


def _starter_per_pot(batches: Sieve, dairy: Dairy) -> None:
    dose = batches["starter_g_kg"]
    turned = dose * 1000 / dairy.pot_g
    per_pot = (dose < _LEAST_STARTER) & ~outside(turned / dairy.usual.starter_g_kg, *_FITS)
    batches.empty(
        per_pot,
        "starter-per-pot",
        "the starter seems to be for one pot instead of one kg of milk, so the cell counts as empty",
        "starter_g_kg",
        expected=f"g for each kg of milk, usually {dairy.usual.starter_g_kg:g}",
        advice=lambda row: f"write {row['starter_g_kg'] * 1000 / dairy.pot_g:.3g} if that is what was meant",
    )


def _failed_pots(batches: Sieve) -> None:
    more = batches["pots_failed"] > batches["pots_filled"]
    batches.empty(
        more,
        "more-failed-than-filled",
        lambda row: f"more pots failed than were filled ({row['pots_filled']:g}); both cells count as empty",
        "pots_failed",
        expected="at most pots_filled",
        advice="count again, or swap them if they are swapped",
    )
    batches.clear(more, "pots_filled")
    alone = batches["pots_failed"].notna() & batches["pots_filled"].isna() & ~more
    batches.warn(
        alone,
        "failed-of-unknown",
        "it is not said of how many pots",
        "pots_failed",
        advice="fill in pots_filled",
    )


def _weights(batches: Sieve, dairy: Dairy) -> None:
    heavy = batches["pots_filled"] * dairy.pot_g / 1000 > batches["milk_kg"] * _MORE_IN_POTS
    batches.warn(
        heavy,
        "more-in-pots",
        lambda row: (
            f"{row['pots_filled']:g} pots of {dairy.pot_g:g} g weigh {row['pots_filled'] * dairy.pot_g / 1000:.0f} kg, "
            f"more than the {row['milk_kg']:g} kg of milk in the vat"
        ),
        "pots_filled",
        advice="check both, and pot_g in dairy.toml",
    )
    more = batches["filled_kg"] > batches["milk_kg"] * _MORE_FILLED
    batches.empty(
        more,
        "more-filled-than-milk",
        lambda row: f"more was filled than the vat held ({row['milk_kg']:g} kg), so the cell counts as empty",
        "filled_kg",
        expected="at most milk_kg",
        advice="check both weights",
    )


def _starter_from(batches: Sieve) -> None:
    made = batches.frame.assign(batch_id=batches["batch_id"]).dropna(subset="batch_id").set_index("batch_id")["made_on"]
    taken = batches["starter_from"]
    from_batch = taken.notna() & (taken.str.casefold() != "new")
    batches.warn(
        from_batch & ~taken.isin(made.index),
        "unknown-starter",
        "batches.csv has no such batch",
        "starter_from",
        expected="a batch_id or new",
        advice=lambda row: batch_advice(str(row["starter_from"]), made),
    )
    source_day = day_made(taken.where(from_batch), made)
    later = source_day > batches["made_on"]
    batches.empty(
        later,
        "starter-before-made",
        lambda row: f"that batch was made later, on {made[row['starter_from']].date()}; the cell counts as empty",
        "starter_from",
        advice="correct it",
    )
    age = (batches["made_on"] - source_day).dt.days
    batches.warn(
        ~later & ((age - batches["starter_age_d"]).abs() > _STARTER_AGE_SLACK_D),
        "starter-age",
        lambda row: (
            f"the batch that the starter came from was {(row['made_on'] - made[row['starter_from']]).days} days old"
        ),
        "starter_age_d",
        advice="correct one of the two",
    )


def check_looks(looks: Sieve, made: pd.Series, set_aside: set[str]) -> None:
    """Check looks at pots: batch, minutes, contradictions."""
    of_known_batch(looks, made, set_aside)
    before = (looks["minutes"] <= 0) & (looks["state"] == "set")
    looks.set_aside(
        before,
        "set-before-start",
        "a pot cannot be set before it was inoculated; the row is set aside",
        "minutes",
        expected="minutes from inoculation, above 0",
        advice="correct the minutes",
    )
    looks.ranges()
    _contradictions(looks)
    first_set = looks["minutes"].where(looks["state"] == "set")
    looks.warn(
        first_set < _QUICKEST_SET_MIN,
        "quick-set",
        "hardly any milk sets so soon; kept",
        "minutes",
        expected=f"at least {_QUICKEST_SET_MIN:g} minutes; are these hours?",
        advice="check the minutes",
    )


def _contradictions(looks: Sieve) -> None:
    """Set aside looks that contradict one another; those that still bracket the setting stay."""
    minutes, liquid, is_set = looks["minutes"], looks["state"] == "liquid", looks["state"] == "set"
    batch = looks["batch_id"]
    first_set = minutes.where(is_set).groupby(batch).transform("min")
    last_liquid = minutes.where(liquid).groupby(batch).transform("max")
    against = (liquid & (minutes >= first_set)) | (is_set & (minutes <= last_liquid))

    def said(row: pd.Series) -> str:
        seen = "liquid" if row["state"] == "liquid" else "set"
        other = "set before" if seen == "liquid" else "still liquid later"
        return f"batch {row['batch_id']} was seen {seen} at {row['minutes']:g} min but {other}; the row is set aside"

    looks.set_aside(
        against,
        "contradictory-looks",
        said,
        "state",
        expected="liquid, then set, and never back",
        advice="correct the minutes or the state",
    )


def check_readings(readings: Sieve, made: pd.Series, set_aside: set[str]) -> None:
    """Check pH readings: batch, ranges, pH that rises again."""
    of_known_batch(readings, made, set_aside)
    readings.ranges()
    order = readings.frame.assign(ph=readings["ph"], batch_id=readings["batch_id"]).sort_values(["batch_id", "minutes"])
    lowest = order.groupby("batch_id")["ph"].cummin().groupby(order["batch_id"]).shift()
    rises = (order["ph"] - lowest > _PH_RISE).reindex(readings.frame.index)
    readings.warn(
        rises,
        "ph-rises",
        "the pH is well above an earlier reading of the same batch; kept",
        "ph",
        advice="check the reading, the minutes and the meter",
    )


def of_known_batch(sieve: Sieve, made: pd.Series, set_aside: set[str]) -> None:
    """Take out rows of a batch that is not known, or that was itself set aside."""
    aside = sieve["batch_id"].isin(set_aside)
    sieve.drop(aside, "batch-set-aside", "its batch was set aside")
    unknown = sieve["batch_id"].notna() & ~sieve["batch_id"].isin(made.index)
    sieve.set_aside(
        unknown,
        "unknown-batch",
        "batches.csv has no such batch; the row is set aside",
        "batch_id",
        advice=lambda row: batch_advice(str(row["batch_id"]), made),
    )
