"""Model checks: against R's curvature test, and on fleets where the truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest

from analytics.errors import NotEnoughData
from analytics.evidence.coverage import CELLS, Cell, draw_fleet
from analytics.models.checks import (
    common_shape_test,
    cumulative_hazard_residuals,
    curvature_test,
    fitted_survival,
    influence,
)
from analytics.models.joint import fit_joint, joint_model
from analytics.models.lifedata import life_data
from analytics.models.regression import NO_PRIORS


def test_curvature_equals_r(reference, reference_data):
    """D08: twice the gain in log-likelihood from the square of log stress is 7.546."""
    d = reference_data("superalloy")
    data = life_data(d["kcycles"], np.where(d["failed"] == 1, d["kcycles"], np.inf), d["stress"], np.ones(len(d)))
    got = curvature_test(data, 20.0, priors=NO_PRIORS)
    assert got.statistic == pytest.approx(reference("D08", "lr_chisq_square_term")["value"].item(), abs=2e-4)
    assert got.p_value < 0.01
    assert "the power law bends" in got.words
    with pytest.raises(NotEnoughData, match="needs at least 5"):
        curvature_test(data.take(~data.failed), 20.0)


def test_curvature_on_a_straight_and_a_bent_law():
    straight = draw_fleet(Cell("straight", 2000, 500.0, b1=-2.0), np.random.default_rng(1))
    bent = draw_fleet(Cell("bent", 2000, 500.0, b1=-0.5, bend=-5.0), np.random.default_rng(1))
    assert curvature_test(straight, 50_000.0).p_value > 0.01
    assert curvature_test(bent, 50_000.0).p_value < 0.01


def test_shape_common_to_parts():
    one = draw_fleet(Cell("one", 600, 60.0), np.random.default_rng(2))
    two = draw_fleet(Cell("two", 600, 60.0), np.random.default_rng(3))
    odd = draw_fleet(Cell("odd", 600, 60.0, shape=0.9), np.random.default_rng(4))
    same = common_shape_test({"A": one, "B": two}, 50_000.0)
    assert same.df == 1
    assert same.p_value > 0.01
    assert common_shape_test({"A": one, "B": odd}, 50_000.0).p_value < 0.01
    with pytest.raises(NotEnoughData, match="needs two to compare"):
        common_shape_test({"A": one}, 50_000.0)


def test_residuals_and_fitted_curve():
    rng = np.random.default_rng(5)
    power = np.exp(rng.normal(6.5, 0.3, 600))
    life = np.exp(11 - 4 * (np.log(power) - 6.5) + 0.5 * np.log(rng.exponential(size=600)))
    data = life_data(life, life, power, np.full(600, 7000.0))
    model, top = fit_joint(joint_model(data, 50_000.0))
    residual, failed, rows = cumulative_hazard_residuals(model, top)
    assert failed.all()
    assert len(rows) == 600
    assert kstest(residual, "expon").pvalue > 0.01
    miles = np.array([20_000.0, 50_000.0, 90_000.0])
    curve = fitted_survival(model, top, miles)
    seen = (life[:, None] > miles).mean(0)
    assert curve == pytest.approx(seen, abs=0.05)
    strong = power > 700
    assert np.all(fitted_survival(model, top, miles, strong) < curve)


def test_the_unit_that_moves_the_rating_most():
    data = draw_fleet(CELLS["150 units, 20 failures, at 10,000 lb"], np.random.default_rng(6))
    failed = np.flatnonzero(data.failed)
    # a failure at low power, early: leaving it out must raise the rating more than any other does
    data.log_power[failed[0]] = np.log(350.0)
    got = influence(data, 50_000.0, 7500.0)
    assert got[0].row == failed[0]
    assert got[0].ratio > 1
    assert sum(q.failed for q in got) == len(failed)
    assert sum(not q.failed for q in got) == 10
    assert all(q.ratio < 1.0005 for q in got if not q.failed)
