"""Checks of laboratory results: raw milk and finished pots."""

from collections.abc import Sequence

import pandas as pd

from analysis.records.dairy import Dairy
from analysis.records.findings import Finding, did_you_mean, nearest, note
from analysis.records.sieve import Sieve, outside

# Total solids less fat, protein and lactose: minerals and the rest. Judgement from published compositions: 1.14 (Pavic
# et al. 2002, Czech J Anim Sci 47:80) and 1.07 (Petrova & Nedelchev 2000, Bulg J Agric Sci 6:583), g/100 g.
REST_ODD, REST_IMPOSSIBLE = (0.6, 1.6), (0.0, 3.0)
# The same of a pot, less fat, protein and carbohydrate: minerals, and the lactic acid where carbohydrate leaves it out;
# volatile acids are partly lost in drying. Judgement.
POT_REST_ODD, POT_REST_IMPOSSIBLE = (0.3, 2.8), (-0.7, 4.5)
# Usual bulk ewes' milk, mean and spread, for telling swapped columns where the dairy has few results of its own:
# judgement from published flock means, g/100 g.
_USUAL_FAT, _USUAL_PROTEIN = (6.7, 0.7), (5.5, 0.4)
_FEW = 8
# Raw unstandardised cows' milk: fat 3.6-5.2, protein 3.2-3.9 (McGee 2004, breed figures); a little slack below.
_COW_FAT, _COW_PROTEIN = (3.0, 5.2), (2.9, 3.9)
_LATE_REPORT = pd.Timedelta(120, "D")
_OLD_POT = pd.Timedelta(60, "D")
_ROUNDING = 0.051


def check_milk(milk: Sieve, dairy: Dairy) -> None:
    """Check results on raw milk: source, days, swapped columns, species, ranges, sums."""
    known_source(milk, "source", dairy)
    _days_of_result(milk)
    _swapped(milk)
    _like_cows(milk)
    milk.ranges()
    _rest(milk, ["fat_g_100g", "protein_g_100g", "lactose_g_100g"], REST_ODD, REST_IMPOSSIBLE)
    _entered_twice(milk)
    _without_id(milk)
    milk.spelt_differently("lab")
    milk.stray_days("sampled_on")


def check_pots(pots: Sieve, made: pd.Series, set_aside: set[str]) -> None:
    """Check results on pots: days, batch, parts greater than their whole, ranges, sums.

    Parameters
    ----------
    pots
        The table.
    made
        Day of making by batch_id, of usable batches.
    set_aside
        The batch_ids that were set aside.
    """
    late = pots["made_on"] > pots["sampled_on"]
    pots.set_aside(
        late,
        "days-out-of-order",
        lambda row: f"the pots were sampled on {row['sampled_on'].date()}, before they were made; the row is set aside",
        "made_on",
        advice="correct one of the two days",
    )
    _days_of_result(pots)
    _batch_of_pots(pots, made, set_aside)
    pots.ranges()
    _part_and_whole(pots, "saturates_g_100g", "fat_g_100g", "saturates are part of the fat")
    _part_and_whole(pots, "sugars_g_100g", "carbohydrate_g_100g", "sugars are part of the carbohydrate")
    carbohydrate = "carbohydrate_g_100g" if pots["carbohydrate_g_100g"].notna().any() else "sugars_g_100g"
    _rest(pots, ["fat_g_100g", "protein_g_100g", carbohydrate], POT_REST_ODD, POT_REST_IMPOSSIBLE)
    old = pots["sampled_on"] - pots["made_on"] > _OLD_POT
    pots.warn(
        old,
        "old-pot",
        lambda row: f"the pot was {(row['sampled_on'] - row['made_on']).days} days old when sampled",
        "sampled_on",
        advice="check both days",
    )
    _entered_twice(pots)
    _without_id(pots)
    pots.spelt_differently("lab")
    pots.stray_days("sampled_on")


def factor_assumed(milk: Sieve, pots: Sieve) -> list[Finding]:
    """Return one note on all protein results that do not say their nitrogen factor."""
    counts = {}
    for sieve in (milk, pots):
        silent = sieve["protein_g_100g"].notna() & sieve["protein_factor"].isna()
        if silent.any():
            counts[sieve.table.file] = f"{int(silent.sum())} of {int(sieve['protein_g_100g'].notna().sum())}"
    if not counts:
        return []
    said = " and ".join(f"{number} protein results in {file}" for file, number in counts.items())
    return [
        note(
            "protein-factor-assumed",
            f"{said} do not say what nitrogen was multiplied by; 6.38 is assumed",
            file=next(iter(counts)),
            column="protein_factor",
            advice="ask the laboratory and fill in protein_factor",
        )
    ]


def known_source(sieve: Sieve, column: str, dairy: Dairy) -> None:
    """Take out rows (empty cells, where the row can do without) of a flock that dairy.toml does not name."""
    words = dairy.sources if column == "source" else dairy.sources[:-1]
    unknown = sieve[column].notna() & ~sieve[column].isin(words)
    needed = sieve.table.column(column).required
    done = "the row is set aside" if needed else "the cell counts as empty"
    sieve.empty(
        unknown,
        "unknown-flock",
        f"dairy.toml names no such flock, so {done}",
        column,
        expected=" or ".join(words) if words else "a flock of dairy.toml",
        advice=lambda row: _flock_advice(str(row[column]), words),
    )


def _flock_advice(word: str, words: Sequence[str]) -> str:
    close = nearest(word, words)
    return did_you_mean(word, [close]) if close else "correct it, or add the flock to dairy.toml"


def _days_of_result(sieve: Sieve) -> None:
    early = sieve["reported_on"] < sieve["sampled_on"]
    sieve.set_aside(
        early,
        "days-out-of-order",
        lambda row: f"it was reported before it was sampled ({row['sampled_on'].date()}); the row is set aside",
        "reported_on",
        expected="a day on or after sampled_on",
        advice="correct one of the two days",
    )
    late = sieve["reported_on"] - sieve["sampled_on"] > _LATE_REPORT
    sieve.warn(
        late,
        "late-report",
        lambda row: f"it was reported {(row['reported_on'] - row['sampled_on']).days} days after sampling",
        "reported_on",
        advice="check both days, unless it is a late correction",
    )


def _swapped(milk: Sieve) -> None:
    """Set aside rows whose fat and protein fit far better the other way round."""
    fat, protein = milk["fat_g_100g"], milk["protein_g_100g"]
    (mid_fat, fat_sd), (mid_protein, protein_sd) = _USUAL_FAT, _USUAL_PROTEIN
    sound = (fat > protein) & ~outside(fat, 4.5, 10.0) & ~outside(protein, 4.2, 7.8)
    if sound.sum() >= _FEW:
        mid_fat, mid_protein = float(fat[sound].median()), float(protein[sound].median())
    as_is = (fat - mid_fat).abs() / fat_sd + (protein - mid_protein).abs() / protein_sd
    other = (protein - mid_fat).abs() / fat_sd + (fat - mid_protein).abs() / protein_sd
    milk.set_aside(
        (fat < protein) & (as_is > 3) & (other < 0.4 * as_is),
        "columns-swapped",
        lambda row: f"fat and protein ({row['protein_g_100g']:g}) seem to be swapped; the row is set aside",
        "fat_g_100g",
        expected="more fat than protein",
        advice="look at the report and swap them back",
    )


def _like_cows(milk: Sieve) -> None:
    """Warn of cows' figures, and of a laboratory that measured with settings for cows."""
    fat, protein = milk["fat_g_100g"], milk["protein_g_100g"]
    cow_protein = ~outside(protein, *_COW_PROTEIN) & protein.notna()
    cow = cow_protein & ~outside(fat, *_COW_FAT) & fat.notna()
    milk.warn(
        cow,
        "like-cows-milk",
        lambda row: f"fat and protein ({row['protein_g_100g']:g}) are those of cows' milk; kept",
        "fat_g_100g",
        explains=("fat_g_100g", "protein_g_100g"),
        expected="ewes' milk, fat 4.5 to 10 and protein 4.2 to 7.8 g/100 g",
        advice="ask the laboratory which milk this was",
    )
    milk.warn(
        cow_protein & (fat > 5.5),
        "cow-settings",
        lambda row: f"protein like cows' milk beside {row['fat_g_100g']:g} fat; kept",
        "protein_g_100g",
        explains=("protein_g_100g",),
        expected="4.2 to 7.8 g/100 g",
        advice="ask whether the instrument was set for ewes' milk",
    )


def _rest(sieve: Sieve, parts: list[str], odd: tuple[float, float], impossible: tuple[float, float]) -> None:
    """Check that total solids are fat, protein, carbohydrate and a little more."""
    total = "total_solids_g_100g"
    rest = sieve[total] - sum(sieve[part] for part in parts)
    words = ", ".join(part.removesuffix("_g_100g") for part in parts)
    expected = f"{odd[0]:g} to {odd[1]:g} g/100 g more than {words} together"

    def said(row: pd.Series) -> str:
        return f"total solids are {row[total] - sum(row[part] for part in parts):.2f} more than {words} together"

    wrong = outside(rest, *impossible)
    sieve.set_aside(
        wrong,
        "solids-do-not-add-up",
        lambda row: f"{said(row)}, so one of them is wrong and the row is set aside",
        total,
        expected=expected,
        advice="look at the report",
    )
    sieve.warn(
        outside(rest, *odd),
        "solids-hardly-add-up",
        lambda row: f"{said(row)}; kept",
        total,
        expected=expected,
        advice="look at the report",
    )


def _part_and_whole(pots: Sieve, part: str, whole: str, why: str) -> None:
    wrong = pots[part] > pots[whole] + _ROUNDING
    pots.empty(
        wrong,
        "part-above-whole",
        lambda row: f"{why}, yet more than that ({row[whole]:g}); both cells count as empty",
        part,
        expected=f"at most {whole}",
        advice="look at the report",
    )
    pots.clear(wrong, whole)


def _batch_of_pots(pots: Sieve, made: pd.Series, set_aside: set[str]) -> None:
    named = pots["batch_id"]
    aside = named.isin(set_aside)
    pots.note(aside, "batch-set-aside", "the batch of these pots was set aside; the result stands alone", "batch_id")
    pots.clear(aside, "batch_id")
    unknown = named.notna() & ~aside & ~named.isin(made.index)
    pots.empty(
        unknown,
        "unknown-batch",
        "batches.csv has no such batch, so the cell counts as empty",
        "batch_id",
        advice=lambda row: batch_advice(str(row["batch_id"]), made),
    )
    day = day_made(pots["batch_id"], made)
    differ = day.notna() & pots["made_on"].notna() & (day != pots["made_on"])
    pots.warn(
        differ,
        "days-differ",
        lambda row: f"batches.csv says that batch {row['batch_id']} was made on {made[row['batch_id']].date()}",
        "made_on",
        advice="correct the day or the batch",
    )
    pots.note(
        pots["sampled_on"].notna() & pots["made_on"].isna() & day.isna(),
        "making-unknown",
        "neither made_on nor a known batch says when the pots were made",
        "made_on",
        value="",
        advice="fill in one of them",
    )


def day_made(batches: pd.Series, made: pd.Series) -> pd.Series:
    """Return the day of making of each batch_id, missing where it is not known."""
    # Series.map refuses an empty series of days, which is what a dairy without batches has.
    days = made.reindex(pd.Index(batches, dtype="str")).to_numpy(dtype="datetime64[us]")
    return pd.Series(days, index=batches.index)


def batch_advice(word: str, made: pd.Series) -> str:
    """Return advice on a batch_id that is not known."""
    close = nearest(word, [str(batch) for batch in made.index])
    return did_you_mean(word, [close]) if close else "correct it, or add the batch"


def _entered_twice(sieve: Sieve) -> None:
    """Warn where one result seems to have been typed in twice under two sample numbers."""
    values = [name for name in sieve.table.results if name not in ("ph", "firmness_g", "whey_g_100g")]
    same = [column for column in ("sampled_on", "source", "batch_id", "lab") if column in sieve.table.names] + values
    full = sieve["fat_g_100g"].notna() & sieve["protein_g_100g"].notna() & (sieve.frame[values].notna().sum(axis=1) > 2)
    again = full & sieve.frame.duplicated(same, keep="first")
    sieve.warn(
        again,
        "entered-twice",
        "an earlier row holds the very same values of the same day",
        "sample_id",
        advice="if it is one result, take one row out",
    )


def _without_id(sieve: Sieve) -> None:
    missing = sieve["sample_id"].isna() & sieve["sampled_on"].notna()
    if missing.any():
        sieve.of_file(
            "note",
            "no-sample-id",
            f"{int(missing.sum())} results have no sample_id, so a correction of them cannot be told from a new result",
            column="sample_id",
            advice="write the laboratory's number",
        )
