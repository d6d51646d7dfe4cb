"""The milk room on seasons of every shape: nothing crashes, nothing is infinite, the flags say what is missing."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from analysis.milk import fit_milk, model
from analysis.milk.model import LOWEST_G_100G
from tests.units.milk_seasons import DAIRY, diary, milk_season, results, weather

SPRING = {"hill": ("2024-01-20", "2025-01-22", "2026-01-18"), "brook": ("2024-02-10", "2025-02-08", "2026-02-12")}
ONE_FLOCK = DAIRY.replace('[[flocks]]\nid = "brook"\nname = "Brook flock"\n', "")
SOUTH = DAIRY.replace("latitude = 51.0", "latitude = -38.0")
NO_LATITUDE = DAIRY.replace("latitude = 51.0\n", "")


@pytest.fixture(autouse=True, scope="module")
def few_draws():
    """A quarter of the draws is enough to see what is asked here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(model, "N_DRAWS", 240)
        yield


def answer_of(season):
    """Fit with few points, hold what must always be true, and return fit and answer."""
    fit = fit_milk(season, n_points=6)
    answer = fit.answer()
    milk, kg = fit.draws["milk"].to_numpy(), fit.draws["kg"].to_numpy()
    assert fit.draws.sizes["draw"] == model.N_DRAWS
    assert fit.draws.sizes["day"] in (365, 366)
    assert list(fit.draws["source"].values)[-1] == "bulk"
    with_milk = kg > 0
    assert np.isfinite(milk[with_milk]).all()
    assert np.isnan(milk[~with_milk]).all()
    assert milk[with_milk].min() >= LOWEST_G_100G
    assert milk[with_milk].max() < 25
    np.testing.assert_allclose(kg[..., :-1].sum(-1), kg[..., -1], rtol=1e-9)
    for row in answer.decisions["milk_forecast"]:
        assert row["mean_lo90"] < row["mean"] < row["mean_hi90"]
        assert row["one_lo90"] < row["mean_lo90"] + 0.2 * (row["mean_hi90"] - row["mean_lo90"])
        assert all(np.isfinite(v) for v in row.values() if isinstance(v, float))
    shares = pd.DataFrame(answer.decisions["swing"])
    if len(shares):
        assert np.isfinite(shares[["share", "lo90", "hi90"]].to_numpy()).all()
        np.testing.assert_allclose(shares.groupby("component")["share"].sum(), 1.0, atol=1e-9)
    return fit, answer


def codes(answer):
    return {flag.code for flag in answer.flags}


def months_of(answer, source="bulk", component="fat_g_100g"):
    rows = answer.decisions["milk_forecast"]
    return {r["month"]: r for r in rows if r["source"] == source and r["component"] == component}


@pytest.fixture(scope="module")
def ordinary(tmp_path_factory):
    tests = results("2024-02-15", "2026-04-25", lambed=SPRING)
    kept = diary(SPRING, until="2026-04-30")
    sky = weather("2024-01-01", "2026-04-30")
    season = milk_season(tmp_path_factory.mktemp("ordinary"), "2026-04", tests=tests, kept=kept, sky=sky)
    return (*answer_of(season), season, tests, kept, sky)


def test_an_ordinary_spring_flock_has_no_forecast_for_the_dry_months(ordinary):
    _, answer, *_ = ordinary
    months = months_of(answer)
    # Lambed about 1 February, milked for 200 days from day 30: milk to July or August, dry from October to January.
    assert {"2026-05", "2026-06", "2026-07", "2027-04"} <= set(months)
    assert not {"2026-10", "2026-11", "2026-12", "2027-01"} & set(months)
    assert not codes(answer) & {"no-lambing-dates", "no-weather", "never-tested", "few-milk-tests", "no-milk-tests"}
    # The ewes' fat rises through lactation.
    assert months["2026-07"]["mean"] > months["2026-05"]["mean"]


def test_the_bulk_forecast_lies_between_the_flocks(ordinary):
    fit, *_ = ordinary
    milk = fit.draws["milk"].sel(component="fat_g_100g")
    both = (fit.draws["kg"].to_numpy()[..., :2] > 0).all(-1)
    mean = [np.nanmean(np.where(both, milk.sel(source=s).to_numpy(), np.nan)) for s in ("hill", "brook", "bulk")]
    assert min(mean[:2]) - 0.12 < mean[2] < max(mean[:2]) + 0.12


def test_the_forecast_is_near_what_the_invented_ewes_give(ordinary):
    from tests.units.milk_seasons import expected

    _, answer, *_ = ordinary
    for source, lambed in (("hill", "2026-01-18"), ("brook", "2026-02-12")):
        for component, near in (("fat_g_100g", 0.45), ("protein_g_100g", 0.30), ("lactose_g_100g", 0.15)):
            day = pd.Timestamp("2026-05-15")
            true = expected(component, (day - pd.Timestamp(lambed)).days, day)
            assert months_of(answer, source, component)["2026-05"]["mean"] == pytest.approx(true, abs=near)


def test_the_past_is_read_from_the_results(ordinary):
    fit, *_ = ordinary
    rows = fit.rows[fit.rows["source"] == "hill"]
    drawn = fit.on_days(pd.DatetimeIndex(rows["sampled_on"]), list(rows["source"]))
    assert drawn.shape == (model.N_DRAWS, len(rows), 3)
    left = drawn.mean("draw").to_numpy()[:, 0] - rows["fat_g_100g"].to_numpy()
    assert np.abs(left).mean() < 0.2
    # Unknown sources are the bulk, days outside are taken at the nearer end.
    outside = fit.on_days(pd.DatetimeIndex(["1990-01-01", "2040-01-01"]), ["nobody", ""])
    assert np.isfinite(outside.to_numpy()).all()


def test_the_same_season_gives_the_same_draws(ordinary):
    fit, _, season, *_ = ordinary
    again = fit_milk(season, n_points=6)
    np.testing.assert_array_equal(fit.draws["milk"].to_numpy(), again.draws["milk"].to_numpy())


def test_the_order_of_rows_is_irrelevant(ordinary, tmp_path):
    fit, _, season, tests, kept, sky = ordinary
    order = np.random.default_rng(3).permutation(len(tests))
    mixed = milk_season(tmp_path, "2026-04", tests=[tests[i] for i in order], kept=kept[::-1], sky=sky)
    found = fit_milk(mixed, n_points=6)
    a, b = np.nanmean(fit.draws["milk"], axis=(0, 1)), np.nanmean(found.draws["milk"], axis=(0, 1))
    np.testing.assert_allclose(a, b, atol=2e-3)
    assert season.month == mixed.month


def test_what_another_lab_reads_too_high_goes_to_the_lab(tmp_path):
    """Metamorphic: an offset on all results of the lab that is not the reference moves its effect and hardly the
    forecast.
    """
    dairy = DAIRY + '\n[labs]\nreference_lab = "valley lab"\n'
    kept = diary(SPRING, until="2026-04-30")
    a = results("2024-02-15", "2026-04-25", lambed=SPRING)
    b = results("2024-02-20", "2026-04-18", lambed=SPRING, seed=2, lab="coast lab")
    for row in b:
        row["sample_id"] += "c"
    plain = fit_milk(milk_season(tmp_path, "2026-04", tests=a + b, kept=kept, dairy=dairy), n_points=6)
    moved = [row | {"fat_g_100g": f"{float(row['fat_g_100g']) + 0.15:.2f}"} for row in b]
    high = fit_milk(
        milk_season(tmp_path, "2026-04", tests=a + moved, kept=kept, dairy=dairy, folder="moved"), n_points=6
    )
    lab = plain.features.columns("lab")[0]
    assert plain.features.labs == (("coast lab", "infrared"),)
    change = high.sample.coefficients[:, lab, 0].mean() - plain.sample.coefficients[:, lab, 0].mean()
    assert change == pytest.approx(0.15, abs=0.05)
    shift = float(np.nanmean(high.draws["milk"][..., 0]) - np.nanmean(plain.draws["milk"][..., 0]))
    assert abs(shift) < 0.04


@pytest.mark.parametrize(
    ("dairy", "lambed", "month", "wet", "dry"),
    [
        # Southern spring is half a year away.
        (
            SOUTH,
            {"hill": ("2024-08-01", "2025-08-03"), "brook": ("2024-08-20", "2025-08-18")},
            "2025-12",
            {"2026-01", "2026-11"},
            {"2026-05", "2026-06"},
        ),
        # Autumn lambing in the north: milk through the winter.
        (
            DAIRY,
            {"hill": ("2023-10-10", "2024-10-08"), "brook": ("2023-10-20", "2024-10-25")},
            "2025-02",
            {"2025-03", "2025-12", "2026-01"},
            {"2025-07", "2025-08"},
        ),
    ],
)
def test_milk_follows_lambing_in_other_regimes(tmp_path, dairy, lambed, month, wet, dry):
    last = str(pd.Period(month).end_time.date())
    tests = results(min(min(d) for d in lambed.values()), last, lambed=lambed, every=21)
    season = milk_season(tmp_path, month, tests=tests, kept=diary(lambed, until=last), dairy=dairy)
    _, answer = answer_of(season)
    months = set(months_of(answer))
    assert wet <= months
    assert not dry & months
    assert "no-weather" in codes(answer)


def test_the_prior_season_is_turned_round_in_the_south(tmp_path):
    north = fit_milk(milk_season(tmp_path, "2026-04"), n_points=2)
    south = fit_milk(milk_season(tmp_path, "2026-04", dairy=SOUTH, folder="south"), n_points=2)
    at = north.features.names.index("season cos 1")
    assert north.features.mean[at, 0] > 0 > south.features.mean[at, 0]


def test_two_lambings_a_year_of_one_flock(tmp_path):
    lambed = {"hill": ("2024-02-01", "2024-09-20", "2025-02-03", "2025-09-22", "2026-02-01")}
    tests = results("2024-03-05", "2026-03-28", lambed=lambed, sources=("hill",), milked=150)
    season = milk_season(
        tmp_path, "2026-03", tests=tests, kept=diary(lambed, milked=150, until="2026-03-31"), dairy=ONE_FLOCK
    )
    _, answer = answer_of(season)
    months = set(months_of(answer, "hill"))
    assert {"2026-05", "2026-11", "2026-12"} <= months


def test_a_flock_that_joined_last_month_and_one_that_left(tmp_path):
    lambed = {"hill": ("2024-01-20", "2025-01-22"), "brook": ("2026-02-12",)}
    tests = results("2024-03-01", "2026-04-25", lambed=lambed)
    season = milk_season(tmp_path, "2026-04", tests=tests, kept=diary(lambed, until="2026-04-30"))
    _, answer = answer_of(season)
    assert "2026-05" in months_of(answer, "brook")
    # The flock that did not lamb this year is not milked next month.
    assert "2026-05" not in months_of(answer, "hill")


def test_a_flock_without_results_is_named(tmp_path):
    tests = results("2025-03-01", "2026-04-25", lambed=SPRING, sources=("hill", "bulk"))
    season = milk_season(tmp_path, "2026-04", tests=tests, kept=diary(SPRING, until="2026-04-30"))
    _, answer = answer_of(season)
    flags = [f for f in answer.flags if f.code == "flock-never-tested"]
    assert len(flags) == 1
    assert "brook" in flags[0].sentence()
    assert "2026-05" in months_of(answer, "brook")


def test_only_bulk_samples(tmp_path):
    tests = results("2024-03-01", "2026-04-25", lambed=SPRING, sources=("bulk",))
    season = milk_season(tmp_path, "2026-04", tests=tests, kept=diary(SPRING, until="2026-04-30"))
    fit, answer = answer_of(season)
    assert [f.code for f in answer.flags].count("flock-never-tested") == 2
    bulk, hill = months_of(answer)["2026-05"], months_of(answer, "hill")["2026-05"]
    assert hill["mean_hi90"] - hill["mean_lo90"] > bulk["mean_hi90"] - bulk["mean_lo90"]
    assert fit.features.columns("flock").size == 2


def test_no_diary_at_all(tmp_path):
    tests = results("2024-03-01", "2026-04-25", lambed=SPRING)
    _, answer = answer_of(milk_season(tmp_path, "2026-04", tests=tests))
    assert "no-lambing-dates" in codes(answer)
    assert "2026-05" in months_of(answer)
    assert "2026-12" not in months_of(answer)


def test_a_diary_with_gaps_and_no_end_dates(tmp_path):
    kept = [dict(row) for row in diary(SPRING, until="2026-04-30")]
    for row in kept[::2]:
        row.pop("to_date", None)
        row.pop("ewes_milked", None)
        row.pop("forage", None)
    tests = results("2024-03-01", "2026-04-25", lambed=SPRING)
    _, answer = answer_of(milk_season(tmp_path, "2026-04", tests=tests, kept=kept[:1] + kept[3:]))
    assert "2026-05" in months_of(answer)


def test_no_latitude_is_borne(tmp_path):
    tests = results("2025-03-01", "2026-04-25", lambed=SPRING, every=28)
    season = milk_season(tmp_path, "2026-04", tests=tests, kept=diary(SPRING, until="2026-04-30"), dairy=NO_LATITUDE)
    answer_of(season)


def test_no_tests_rest_on_published_knowledge(tmp_path):
    _, answer = answer_of(milk_season(tmp_path, "2026-04", kept=diary(SPRING, until="2026-04-30")))
    assert "no-milk-tests" in codes(answer)
    may = months_of(answer)["2026-05"]
    assert may["mean_hi90"] - may["mean_lo90"] > 1.0
    assert may["mean_lo90"] < 6.5 < may["mean_hi90"]
    assert answer.decisions["swing"] == []


def test_nothing_but_a_name(tmp_path):
    _, answer = answer_of(milk_season(tmp_path, "2026-04"))
    assert {"no-milk-tests", "no-lambing-dates", "no-weather"} <= codes(answer)


def test_one_test_narrows_a_little(tmp_path):
    kept = diary(SPRING, until="2026-04-30")
    none = milk_season(tmp_path, "2026-04", kept=kept, folder="none")
    one = milk_season(
        tmp_path, "2026-04", tests=results("2026-04-20", "2026-04-20", lambed=SPRING, sources=("bulk",)), kept=kept
    )
    _, before = answer_of(none)
    _, after = answer_of(one)
    assert "few-milk-tests" in codes(after)
    width = [r["mean_hi90"] - r["mean_lo90"] for r in (months_of(before)["2026-05"], months_of(after)["2026-05"])]
    assert width[1] < 0.95 * width[0]


def test_all_results_on_one_day(tmp_path):
    one = results("2026-04-20", "2026-04-20", lambed=SPRING)
    tests = [row | {"sample_id": f"{row['sample_id']}-{i}"} for i in range(6) for row in one]
    answer_of(milk_season(tmp_path, "2026-04", tests=tests, kept=diary(SPRING, until="2026-04-30")))


def test_constant_columns(tmp_path):
    tests = [
        row | {"fat_g_100g": "6.50", "protein_g_100g": "5.40", "lactose_g_100g": "4.80"}
        for row in results("2025-03-01", "2026-04-25", lambed=SPRING)
    ]
    _, answer = answer_of(milk_season(tmp_path, "2026-04", tests=tests, kept=diary(SPRING, until="2026-04-30")))
    assert months_of(answer)["2026-05"]["mean"] == pytest.approx(6.5, abs=0.4)


def test_a_component_never_measured(tmp_path):
    tests = results("2025-03-01", "2026-04-25", lambed=SPRING, components=("fat_g_100g",))
    fit, answer = answer_of(milk_season(tmp_path, "2026-04", tests=tests, kept=diary(SPRING, until="2026-04-30")))
    named = {f.column for f in answer.flags if f.code == "never-tested"}
    assert named == {"protein_g_100g", "lactose_g_100g"}
    assert {r["component"] for r in answer.decisions["swing"]} == {"fat_g_100g"}
    assert np.isfinite(np.nanmean(fit.draws["milk"].sel(component="lactose_g_100g")))


def test_a_gap_of_ten_years(tmp_path):
    lambed = {"hill": ("2015-01-20", "2025-01-22", "2026-01-18")}
    tests = results("2015-02-20", "2026-04-25", lambed=lambed, sources=("hill",), every=20)
    assert {row["sampled_on"][:4] for row in tests} == {"2015", "2025", "2026"}
    season = milk_season(tmp_path, "2026-04", tests=tests, kept=diary(lambed, until="2026-04-30"), dairy=ONE_FLOCK)
    _, answer = answer_of(season)
    assert "2026-05" in months_of(answer, "hill")


def test_ten_years_of_records(tmp_path):
    lambed = {"hill": tuple(f"{year}-01-20" for year in range(2016, 2027))}
    tests = results("2016-02-20", "2026-04-25", lambed=lambed, sources=("hill",), every=24)
    season = milk_season(tmp_path, "2026-04", tests=tests, kept=diary(lambed, until="2026-04-30"), dairy=ONE_FLOCK)
    fit, _ = answer_of(season)
    assert fit.calendar.n_past > 10 * 365


def test_a_result_of_nought_does_not_reach_the_model(tmp_path):
    tests = results("2025-03-01", "2026-04-25", lambed=SPRING)
    kept = diary(SPRING, until="2026-04-30")
    nought = [*tests, tests[-1] | {"sample_id": "nought", "fat_g_100g": "0", "protein_g_100g": "0"}]
    season = milk_season(tmp_path, "2026-04", tests=nought, kept=kept)
    fit, answer = answer_of(season)
    assert {f.column for f in season.findings if f.code == "impossible-value"} == {"fat_g_100g", "protein_g_100g"}
    row = fit.rows[fit.rows["sample_id"] == "nought"]
    assert row[["fat_g_100g", "protein_g_100g"]].isna().all(axis=None)
    _, plain = answer_of(milk_season(tmp_path, "2026-04", tests=tests, kept=kept, folder="plain"))
    assert months_of(answer)["2026-05"]["mean"] == pytest.approx(months_of(plain)["2026-05"]["mean"], abs=0.06)


def test_a_lambing_date_after_the_tests_or_missing(tmp_path):
    """Milk before any known lambing cannot be placed in a lactation, and is used all the same."""
    tests = results("2025-03-01", "2025-06-25", lambed=SPRING)
    late = [row | {"lambed_on": "2025-09-01"} for row in diary({"hill": ("2025-01-22",)}, until="2025-06-30")]
    season = milk_season(tmp_path, "2025-06", tests=tests, kept=late)
    fit, answer = answer_of(season)
    assert len(fit.rows) == len(tests)
    assert "2025-07" in months_of(answer) or "2025-07" in months_of(answer, "brook")


def test_forage_that_always_goes_with_the_season_is_said_not_to_be_told_apart(tmp_path):
    lambed = {"hill": ("2024-01-20", "2025-01-22", "2026-01-18")}
    tests = results("2024-02-20", "2026-07-25", lambed=lambed, sources=("hill",), every=10)
    season = milk_season(tmp_path, "2026-07", tests=tests, kept=diary(lambed, until="2026-07-31"), dairy=ONE_FLOCK)
    _, answer = answer_of(season)
    assert "not-told-apart" in codes(answer)


def test_a_swapped_sample_is_named_with_its_row(ordinary, tmp_path):
    _, _, _, tests, kept, sky = ordinary
    spoiled = [dict(row) for row in tests]
    spoiled[30]["fat_g_100g"] = f"{float(spoiled[30]['fat_g_100g']) + 2.5:.2f}"
    _, answer = answer_of(milk_season(tmp_path, "2026-04", tests=spoiled, kept=kept, sky=sky))
    odd = [flag for flag in answer.flags if flag.code == "odd-result"]
    assert [flag.row for flag in odd] == [32]
    assert odd[0].file == "milk_tests.csv"
    assert odd[0].column == "fat_g_100g"


def test_later_results_do_not_change_an_earlier_month(ordinary):
    _, _, season, *_ = ordinary
    earlier = season.as_of("2025-06")
    fit = fit_milk(earlier, n_points=6)
    assert fit.rows["sampled_on"].max() <= pd.Timestamp("2025-06-30")
    assert dataclasses.is_dataclass(fit)


def test_protein_on_another_nitrogen_factor_is_put_on_the_same_scale(tmp_path):
    """ISO 8968-1: milk protein is nitrogen x 6.38; a lab that multiplied by 6.25 reads a fiftieth less of the same milk."""
    plain = results("2025-03-01", "2026-04-25", lambed=SPRING, every=28)
    other = [
        row | {"protein_g_100g": f"{float(row['protein_g_100g']) * 6.25 / 6.38:.4f}", "protein_factor": "6.25"}
        for row in plain
    ]
    kept = diary(SPRING, until="2026-04-30")
    a = fit_milk(milk_season(tmp_path, "2026-04", tests=plain, kept=kept), n_points=2)
    b = fit_milk(milk_season(tmp_path, "2026-04", tests=other, kept=kept, folder="other"), n_points=2)
    np.testing.assert_allclose(a.rows["protein_g_100g"], b.rows["protein_g_100g"], atol=1e-3)
