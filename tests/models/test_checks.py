"""Model checks: against R's curvature test, and on fleets where the truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest

from analytics.errors import NotEnoughData
from analytics.models.checks import (
    common_shape_test,
    curvature_test,
    fitted_survival,
    influence,
    spread_curve,
    spread_lives,
)
from analytics.models.joint import fit_joint, joint_model
from analytics.models.lifedata import life_data
from analytics.models.priors import NO_PRIORS
from analytics.reasons import Assumption
from studies.coverage import CELLS, Cell, _log_life_centre, constant_of, draw_fleet


def test_curvature_equals_r(reference, reference_data):
    """D08: twice the gain in log-likelihood from the square of log stress is 7.546."""
    d = reference_data("superalloy")
    data = life_data(d["kcycles"], np.where(d["failed"] == 1, d["kcycles"], np.inf), d["stress"], np.ones(len(d)))
    got = curvature_test(data, 20.0, priors=NO_PRIORS)
    assert got.statistic == pytest.approx(reference("D08", "lr_chisq_square_term")["value"].item(), abs=2e-4)
    assert got.p_value < 0.01
    assert got.found.code is Assumption.POWER_LAW_BENDS
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
    spread = spread_lives(model, top)
    assert spread.failed.all()
    assert len(spread.row) == 600
    assert kstest(spread.hazard, "expon").pvalue > 0.01
    expected, survival, at_risk = spread_curve(spread, 20.0, "hazard")
    assert at_risk.min() >= 20
    assert -np.log(survival) == pytest.approx(expected, abs=0.25)
    miles = np.array([20_000.0, 50_000.0, 90_000.0])
    curve = fitted_survival(model, top, miles)
    seen = (life[:, None] > miles).mean(0)
    assert curve == pytest.approx(seen, abs=0.05)
    strong = power > 700
    assert np.all(fitted_survival(model, top, miles, strong) < curve)


def test_the_curve_of_known_miles_is_kaplan_meiers(reference_data):
    """Against lifelines, with late entry: the retirement home (Channing House) data, ages in months."""
    from lifelines import KaplanMeierFitter

    d = reference_data("channing")
    d = d[d["exit"] > d["entry"]]
    end, entry, failed = d["exit"].to_numpy(float), d["entry"].to_numpy(float), d["cens"].to_numpy() == 1
    data = life_data(end, np.where(failed, end, np.inf), np.full(len(d), 700.0), np.full(len(d), 7000.0), entry=entry)
    spread = spread_lives(*fit_joint(joint_model(data, 1000.0)))
    at, survival, at_risk = spread_curve(spread, 1.0)
    km = KaplanMeierFitter().fit(end, failed, entry=entry)
    assert survival == pytest.approx(km.survival_function_at_times(at).to_numpy(), rel=1e-9)
    assert at_risk[40] == ((entry < at[40]) & (end >= at[40])).sum()


@pytest.mark.parametrize("miles", [20_000.0, 40_000.0, 60_000.0])
def test_the_curve_with_unknown_odometers_is_the_truths(miles):
    """Four in five survivors unread. Spread over the miles they may have run, the curve lies at the true survival of the
    fleet; drawn from the known ones alone it lies far below. Truth by the cell's own formula; ten fleets of 2,000."""
    cell = Cell("spread", 2000, 200.0)
    seen, known, truth = [], [], []
    for seed in range(10):
        data = draw_fleet(cell, np.random.default_rng(seed))
        z = cell.shape * (np.log(miles) - constant_of(cell) - _log_life_centre(cell, data.log_power, data.log_weight))
        truth.append(np.exp(-np.exp(z)).mean())
        for rows, found in ((data, seen), (data.take(~data.unknown), known)):
            at, survival, _ = spread_curve(spread_lives(*fit_joint(joint_model(rows, 50_000.0))))
            found.append(survival[np.searchsorted(at, miles, side="right") - 1])
    assert np.mean(seen) == pytest.approx(np.mean(truth), abs=0.015)
    assert np.mean(known) < np.mean(truth) - 0.03


def test_the_unit_that_moves_the_rating_most():
    data = draw_fleet(CELLS["150 units, 20 failures, at 10,000 lb"], np.random.default_rng(6))
    failed = np.flatnonzero(data.failed)
    # a failure at low power, early: leaving it out must raise the rating more than any other does
    data.log_power[failed[0]] = np.log(350.0)

    def fit(lives):
        return fit_joint(joint_model(lives, 50_000.0))

    got = influence(*fit(data), fit, 7500.0)
    assert got[0].row == failed[0]
    assert got[0].ratio > 1
    assert sum(q.failed for q in got) == len(failed)
    assert sum(not q.failed for q in got) == 10
    assert all(q.ratio < 1.0005 for q in got if not q.failed)
