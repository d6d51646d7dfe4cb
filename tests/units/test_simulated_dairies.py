"""Simulated dairies against published composition of ewes' milk, and against themselves."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.simulation.dairies import (
    COMPONENTS,
    KINDS,
    SimulatedDairy,
    control_samples,
    simulate,
    single_results,
    true_months,
)
from tests.simulation.oracle import oracle_months
from tests.simulation.tables import COLUMNS

SCHEMAS = Path(__file__).resolve().parents[2] / "data_schema"


@pytest.fixture(scope="module")
def region() -> list[SimulatedDairy]:
    """Twelve ordinary dairies, a year each: a region such as national recording sees."""
    return [simulate("ordinary", seed, years=1) for seed in range(12)]


@pytest.fixture(scope="module")
def flock_months(region: list[SimulatedDairy]) -> pd.DataFrame:
    """Flock-month means with the months since lambing."""
    rows = []
    for dairy in region:
        world, months = dairy.world, true_months(dairy)
        wide = months[months["source"] != "bulk"].pivot_table(
            index=["month", "source"], columns="component", values="mean"
        )
        names = [one.id for one in world.plan.flocks]
        for (month, source), row in wide.iterrows():
            lambed = world.calendar.event_day[0, world.calendar.event_flock == names.index(source)]
            day = world.number(f"{month}-15")
            stage = int((day - lambed[lambed <= day].max()) // 30)
            rows.append((dairy.seed, source, stage, *(row[c] for c in COMPONENTS)))
    return pd.DataFrame(rows, columns=["dairy", "source", "stage", *COMPONENTS])


@pytest.fixture(scope="module")
def one_of_each() -> dict[str, SimulatedDairy]:
    return {kind: simulate(kind, 3, years=1.5) for kind in KINDS}


def test_levels_lie_among_published_means(flock_months: pd.DataFrame) -> None:
    # FAO 2013 table 3.1: fat 5.8-7.0, protein 5.4-6.0, lactose 4.5-5.4; Oravcova et al. 2007 (Czech J Anim Sci 52:189):
    # fat 6.97-7.77, protein 5.62-5.94; Petrova & Nedelchev 2000: lactose 4.37. A region's mean lies between the ends.
    mean = flock_months[list(COMPONENTS)].mean()
    assert 5.8 < mean["fat_g_100g"] < 7.77
    assert 5.15 < mean["protein_g_100g"] < 6.0
    assert 4.37 < mean["lactose_g_100g"] < 5.4


def test_spread_between_flock_months_is_that_of_national_recording(flock_months: pd.DataFrame) -> None:
    # Komprej et al. 2011 and Oravcova 2016 (AAJAS 29:170): flock x test-month holds 0.26-0.45 (fat) and 0.24-0.49
    # (protein) of the variance of one ewe's result, stage of lactation fitted; times sd 1.5 and 0.65 of one result
    # (Oravcova et al. 2007) gives 0.77-1.0 and 0.32-0.46 g/100 g. Twelve dairies: allow a sixth either side.
    stage = flock_months.groupby("stage")[list(COMPONENTS)].transform("mean")
    spread = (flock_months[list(COMPONENTS)] - stage).std()
    assert 0.77 * 0.83 < spread["fat_g_100g"] < 1.0 * 1.17
    assert 0.32 * 0.83 < spread["protein_g_100g"] < 0.46 * 1.17


def test_fat_and_protein_rise_and_lactose_falls_through_lactation(flock_months: pd.DataFrame) -> None:
    # Fuertes et al. 1998 (J Dairy Sci 81) and Othmane et al. 2002 (J Dairy Res 69:53): fat and protein are lowest in
    # the first month and rise to the end; lactose the other way. Size by the end: Sarda, Churra and others reach fat
    # 8-9.5 and protein 6.5-7.2 (from memory), so a rise of more than 0.5 and 0.4 g from month 2 to 6.
    by = flock_months.groupby("stage")[list(COMPONENTS)].mean()
    assert by["fat_g_100g"].loc[1:6].is_monotonic_increasing
    assert by["protein_g_100g"].loc[1:6].is_monotonic_increasing
    assert by["lactose_g_100g"].loc[1:6].is_monotonic_decreasing
    assert 0.5 < by.loc[6, "fat_g_100g"] - by.loc[2, "fat_g_100g"] < 2.5
    assert 0.4 < by.loc[6, "protein_g_100g"] - by.loc[2, "protein_g_100g"] < 1.5


def test_fat_goes_with_protein_and_against_lactose(region: list[SimulatedDairy]) -> None:
    # Bulk results over a season: fat-protein 0.6-0.8 (from memory); Muir & Tamime 1993 (Milchwissenschaft 48:509):
    # "highly correlated"; Scano et al. 2019: lactose falls as fat and protein rise.
    pairs = []
    for dairy in region:
        tests = dairy.tables["milk_tests"]
        for _, rows in tests.groupby("source"):
            if len(rows) >= 10:
                table = rows[["fat_g_100g", "protein_g_100g", "lactose_g_100g"]].corr()
                pairs.append((table.iloc[0, 1], table.iloc[0, 2]))
    fat_protein, fat_lactose = np.nanmedian(np.array(pairs), axis=0)
    assert 0.5 < fat_protein < 0.92
    assert -0.9 < fat_lactose < -0.3


def test_freezing_point_of_a_sound_year(region: list[SimulatedDairy]) -> None:
    # Scatassa et al. 2017: -0.560 +- 0.013 C over 1996 bulk samples; Pavic -0.566; Petrova & Nedelchev -0.578.
    value = pd.concat([d.tables["milk_tests"]["freezing_point_c"] for d in region])
    assert -0.580 < value.mean() < -0.550
    assert value.between(-0.600, -0.535).all()


def test_solids_that_are_neither_fat_protein_nor_lactose(region: list[SimulatedDairy]) -> None:
    # Pavic et al. 2002: 19.11 - 7.52 - 5.90 - 4.55 = 1.14; Petrova & Nedelchev 2000: 17.41 - 6.41 - 5.56 - 4.37 = 1.07.
    tests = pd.concat([d.tables["milk_tests"] for d in region]).dropna(subset=["lactose_g_100g"])
    rest = tests["total_solids_g_100g"] - tests[["fat_g_100g", "protein_g_100g", "lactose_g_100g"]].sum(axis=1)
    assert abs(rest.mean() - 1.1) < 0.1
    assert rest.between(0.6, 1.6).all()


def test_pots_against_analysed_sheep_yogurt(region: list[SimulatedDairy]) -> None:
    # O'Brien 1999 (J Hum Nutr Diet): lactose 2.21 + galactose 1.24 = 3.45 g sugars in plain sheep yogurt, within 0.8;
    # Al-Bedrani et al. 2023: fat 7.45, protein 5.55; saturates 0.63-0.66 of fat (McCance & Widdowson; USDA, memory).
    pot = np.concatenate([d.truth_pot.dropna("day").to_numpy() for d in region])
    mean = dict(zip(region[0].truth_pot["nutrient"].to_numpy(), pot.mean(axis=0), strict=True))
    assert abs(mean["sugars"] - 3.45) < 0.8
    assert abs(mean["fat"] - 7.45) < 0.8
    assert abs(mean["protein"] - 5.55) < 0.6
    assert 0.61 < mean["saturates"] / mean["fat"] < 0.69
    assert 0.7 < mean["lactic_acid"] < 1.4
    assert 160 < mean["calcium"] < 240
    assert 0.08 < mean["salt"] < 0.19
    assert (pot[:, 3] <= pot[:, 2]).all()
    assert (pot[:, 1] < pot[:, 0]).all()


@pytest.mark.parametrize("kind", KINDS)
def test_truth_covers_the_records_and_the_year_after(one_of_each: dict[str, SimulatedDairy], kind: str) -> None:
    dairy = one_of_each[kind]
    truth = dairy.truth_milk
    after = (np.datetime64(dairy.month, "M") + 13).astype("datetime64[D]") - 1
    assert truth["day"].to_numpy()[-1] >= after
    assert tuple(truth["component"].to_numpy()) == COMPONENTS
    assert truth["source"].to_numpy()[-1] == "bulk"
    dry = (truth["kg"] == 0).to_numpy()
    assert (np.isnan(truth["milk"].to_numpy()) == dry[..., None]).all()
    tests = dairy.tables["milk_tests"]
    if kind != "sparse":
        assert pd.to_datetime(tests["sampled_on"]).min() >= pd.Timestamp(truth["day"].to_numpy()[0])
    assert (tests["sampled_on"] <= str(np.datetime64(dairy.month, "M") + 1)).all()
    assert (truth["day"].dt.strftime("%Y-%m") == dairy.month).any()


@pytest.mark.parametrize("kind", KINDS)
def test_lab_results_follow_the_truth(one_of_each: dict[str, SimulatedDairy], kind: str) -> None:
    dairy = one_of_each[kind]
    tests = dairy.tables["milk_tests"]
    truth = dairy.truth_milk["milk"]
    error = [
        row.fat_g_100g - float(truth.sel(day=row.sampled_on, source=row.source, component="fat_g_100g"))
        for row in tests.itertuples()
        if np.datetime64(row.sampled_on) >= truth["day"].to_numpy()[0]
    ]
    assert np.median(np.abs(error)) < 0.35
    # A result is never the truth itself.
    assert np.std(error) > 0.03


def test_bulk_is_the_mixture_of_the_flocks(one_of_each: dict[str, SimulatedDairy]) -> None:
    truth = one_of_each["ordinary"].truth_milk
    flocks = truth.sel(source=[s for s in truth["source"].to_numpy() if s != "bulk"])
    mixed = (flocks["milk"] * flocks["kg"]).sum("source") / flocks["kg"].sum("source").where(lambda kg: kg > 0)
    gap = (mixed - truth["milk"].sel(source="bulk")).dropna("day")
    assert float(abs(gap).max()) < 0.3
    np.testing.assert_allclose(flocks["kg"].sum("source"), truth["kg"].sel(source="bulk"))


def test_kinds_are_what_they_say(one_of_each: dict[str, SimulatedDairy]) -> None:
    each = one_of_each
    assert set(each["bulk_only"].tables["milk_tests"]["source"]) == {"bulk"}
    assert each["no_diary"].tables["flock_diary"].empty
    assert not each["ordinary"].tables["flock_diary"].empty
    assert 8 <= len(each["sparse"].tables["milk_tests"]) <= 12
    assert each["lab_change"].tables["milk_tests"]["lab"].nunique() == 2
    assert each["southern"].settings["latitude"] < 0

    def milk_in(kind: str, months: list[int]) -> float:
        kg = each[kind].truth_milk["kg"].sel(source="bulk")
        return float(kg.where(kg["day"].dt.month.isin(months)).sum() / kg.sum())

    # Northern hill flocks give their milk from spring on, autumn-lambing ones in winter, southern ones the other way.
    assert milk_in("ordinary", [4, 5, 6, 7]) > 0.4
    assert milk_in("southern", [10, 11, 12, 1]) > 0.4
    assert milk_in("autumn_lambing", [12, 1, 2, 3]) > 0.4
    drought = each["drought"].world
    summer = (drought.days.astype("datetime64[M]").astype(int) % 12 >= 5) & (
        drought.days.astype("datetime64[M]").astype(int) % 12 <= 7
    )
    years = pd.Series(drought.weather.rain[0, summer]).groupby(drought.days[summer].astype("datetime64[Y]")).sum()
    assert years.min() < 0.5 * years.max()


def test_same_seed_same_tables_and_other_seed_others() -> None:
    first, again, other = (simulate("ordinary", seed, years=1) for seed in (5, 5, 6))
    for name, table in first.tables.items():
        pd.testing.assert_frame_equal(table, again.tables[name])
    assert first.dairy_toml == again.dairy_toml
    assert not first.tables["milk_tests"].equals(other.tables["milk_tests"])
    levels = {
        float(simulate("ordinary", seed, years=0.5).truth_milk["milk"].mean().round(3)) for seed in (11, 12, 13, 14)
    }
    assert len(levels) == 4


def test_columns_are_those_of_the_schemas(one_of_each: dict[str, SimulatedDairy], tmp_path: Path) -> None:
    dairy = one_of_each["ordinary"]
    dairy.write(tmp_path)
    for name, columns in COLUMNS.items():
        schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
        known = {field["name"] for field in schema["fields"]}
        assert set(columns) <= known, name
        assert tuple(pd.read_csv(tmp_path / f"{name}.csv", nrows=1).columns) == columns


def test_oracle_beats_the_same_month_of_last_year() -> None:
    ours, naive, inside, single = [], [], [], []
    for kind, seed in (("ordinary", 1), ("southern", 2), ("no_diary", 3), ("bulk_only", 4), ("two_lambings", 5)):
        dairy = simulate(kind, seed, years=2)
        forecast = oracle_months(dairy, dairy.month, n=100)
        truth = true_months(dairy)
        before = truth.assign(month=[str(np.datetime64(m, "M") + 12) for m in truth["month"]])
        key = ["month", "source", "component"]
        both = forecast.merge(truth, on=key, suffixes=("", "_true"))
        both = both.merge(before[[*key, "mean"]].rename(columns={"mean": "last_year"}), on=key)
        scale = both["component"].map(dict(zip(COMPONENTS, (0.4, 0.2, 0.08), strict=True)))
        ours.append(((both["mean"] - both["mean_true"]).abs() / scale).mean())
        naive.append(((both["last_year"] - both["mean_true"]).abs() / scale).mean())
        inside.append(((both["mean_true"] >= both["lo90"]) & (both["mean_true"] <= both["hi90"])).mean())
        month = forecast["month"].iloc[0]
        new = single_results(dairy, month, n=40).assign(month=month).merge(forecast, on=key)
        single.append(((new["value"] >= new["one_lo90"]) & (new["value"] <= new["one_hi90"])).mean())
    assert np.mean(ours) < 0.85 * np.mean(naive)
    assert np.sum(np.array(ours) < np.array(naive)) >= 4
    assert 0.75 < np.mean(inside) < 0.99
    assert 0.7 < np.mean(single) < 1.0


def test_control_samples_scatter_around_the_true_pots(one_of_each: dict[str, SimulatedDairy]) -> None:
    dairy = one_of_each["ordinary"]
    month = str(true_months(dairy).query("source == 'bulk'")["month"].iloc[3])
    six, one = (control_samples(dairy, month, n=800, number_of_pots=k) for k in (6, 1))
    true = dairy.truth_pot.where(dairy.truth_pot["day"].dt.strftime("%Y-%m") == month).mean("day")
    assert abs(six["fat"].mean() - float(true.sel(nutrient="fat"))) < 0.05
    assert abs(six["protein"].mean() - float(true.sel(nutrient="protein"))) < 0.03
    assert one["fat"].var() > six["fat"].var()


def test_what_cannot_be_is_named() -> None:
    with pytest.raises(ValueError, match="unknown kind of dairy 'goats'"):
        simulate("goats", 1)
    with pytest.raises(ValueError, match="records of 40 years"):
        simulate("ordinary", 1, years=40)
    dairy = simulate("ordinary", 1, years=0.5)
    with pytest.raises(ValueError, match="outside the records"):
        oracle_months(dairy, "1999-01")
