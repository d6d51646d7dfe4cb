"""Water lost: prior, weighed vats, and the normal variable behind it."""

import numpy as np
import pytest

from analysis.pot.balance import line_of, soft_loss, with_starter
from analysis.pot.loss import fit_loss, line_moments
from tests.units.pot_fakes import Truth, empty_tables, made


def test_without_weighing_the_prior_stands() -> None:
    fit = fit_loss(empty_tables()["batches"])
    drawn = soft_loss(fit.line_mean + fit.line_sd * np.random.default_rng(1).standard_normal(200_000))
    assert drawn.mean() == pytest.approx(0.04, abs=0.0005)
    assert drawn.std() == pytest.approx(0.03, abs=0.0005)
    assert drawn.min() >= 0


@pytest.mark.parametrize("loss", [0.02, 0.06, 0.11])
def test_weighed_vats_tell_the_loss(loss: float) -> None:
    fit = fit_loss(made(40, Truth(loss=loss), weighed=True)["batches"])
    assert fit.relation.mean[0] == pytest.approx(loss, abs=0.004)
    assert np.sqrt(fit.relation.cov[0, 0]) < 0.003


def test_a_longer_hold_loses_more_and_a_fuller_vat_less() -> None:
    batches = made(80, Truth(lot_loss_sd=0.0), weighed=True)["batches"]
    rng = np.random.default_rng(4)
    hold, kg = rng.uniform(30, 90, 80), rng.uniform(60, 240, 80)
    loss = 0.05 + 0.04 * (hold - 60) / 60 - 0.02 * np.log(kg / np.median(kg)) + 0.004 * rng.standard_normal(80)
    fit = fit_loss(batches.assign(hold_min=hold, milk_kg=kg, filled_kg=kg * (1 - loss)))
    np.testing.assert_allclose(fit.relation.mean, [0.05, 0.04, -0.02], atol=0.004)
    shift, left = fit.shift(np.asarray([120.0, np.nan]), np.asarray([np.nan, np.nan]), np.asarray([np.nan, np.nan]))
    assert shift[0] > 0.03
    assert shift[1] == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_array_equal(left, 1.0)


def test_a_spilt_vat_is_odd_and_moves_little() -> None:
    batches = made(30, Truth(loss=0.05), weighed=True)["batches"]
    spilt = batches.copy()
    spilt.loc[7, "filled_kg"] = 0.65 * spilt.loc[7, "milk_kg"]
    fit = fit_loss(spilt)
    assert abs(fit.weighed["distance"].iloc[7]) > 10
    assert fit.relation.mean[0] == pytest.approx(fit_loss(batches).relation.mean[0], abs=0.002)
    shift, _ = fit.shift(np.asarray([60.0]), np.asarray([120.0]), np.asarray([0.65 * 120.0]))
    assert abs(shift[0]) < 0.005


@pytest.mark.parametrize(("mean", "sd"), [(0.04, 0.03), (0.01, 0.005), (0.08, 0.01), (0.05, 0.001)])
def test_line_moments_are_met(mean: float, sd: float) -> None:
    m, s = line_moments(mean, sd)
    drawn = soft_loss(m + s * np.random.default_rng(2).standard_normal(200_000))
    assert drawn.mean() == pytest.approx(mean, rel=0.02)
    assert drawn.std() == pytest.approx(sd, rel=0.04)


def test_soft_loss_and_its_line() -> None:
    for loss in (0.002, 0.02, 0.1):
        assert float(soft_loss(line_of(loss))) == pytest.approx(loss)
    assert float(soft_loss(5.0)) == 0.6


def test_starter_of_the_same_yogurt_changes_nothing_and_of_another_a_little() -> None:
    same = with_starter(np.asarray(6.7), np.asarray(6.7), 25.0)
    richer = with_starter(np.asarray(6.7), np.asarray(7.7), 25.0)
    assert float(same) == pytest.approx(6.7)
    assert float(richer - same) == pytest.approx(25 / 1025)
