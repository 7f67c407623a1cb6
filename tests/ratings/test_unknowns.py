"""Which unknowns tell most: Louis' identity against the likelihood's own Hessian, and the order one would expect."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from scipy.stats import norm

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import make_lifetimes
from analytics.models.lifedata import life_data
from analytics.models.likelihood import log_likelihood
from analytics.ratings.options import Options
from analytics.ratings.predict import fit_lives
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import SignedRoot
from analytics.ratings.unknowns import (
    _column_gains,
    _odometer_gains,
    _rating_direction,
    _row_terms,
    ask_first,
    unknowns_of_part,
)
from analytics.records.load import load_records
from analytics.words.ratings.page import ask_words
from studies.coverage import CELLS, draw_fleet
from tests.small_shop import build, rateable_shop, returned, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"
PLAIN = RatingSettings(both_laws=False, selection=False, decline=False, share=1.0, early=False)
OPTIONS = Options(Promise(50_000.0), settings=PLAIN)


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(CELLS["500 units, 20 failures"], np.random.default_rng(11))


@pytest.fixture(scope="module")
def fit(fleet):
    return fit_lives(fleet, 50_000.0, RatingSettings(both_laws=False), 16, 1)


def test_single_rows_add_up_to_the_likelihood(fleet, fit):
    """Everything but the driving rates, value, gradient and Hessian."""
    model, top = fit.fitted()
    value, grad, hess = _row_terms(model, fleet, model.x, top.theta[0])
    whole = log_likelihood(
        top.theta, replace(model.rows, rates=None, constant=np.zeros(1)), model.layout, model.distribution, model.nodes
    )
    assert value.sum() == pytest.approx(whole[0][0], rel=1e-10)
    assert grad.sum(0) == pytest.approx(whole[1][0], abs=1e-7)
    assert hess.sum(0) == pytest.approx(whole[2][0], rel=1e-7, abs=1e-6)


def test_the_variance_is_that_of_the_signed_root(fit):
    model, top = fit.fitted()
    _, variance = _rating_direction(model, top, 0.9, 8000.0, 0)
    assert np.sqrt(variance) == pytest.approx(SignedRoot(model, top, 0.9, np.log(8000.0), 0).spread(), rel=1e-9)


def test_what_an_unknown_odometer_hides_obeys_louis_identity(fleet):
    """Information of an unread row = mean information with the odometer known - variance of that score (Louis 1982).

    The first is the likelihood's own Hessian; the second is summed here over the miles the unit may have.
    """
    model, top = fit_lives(fleet, 50_000.0, PLAIN, 16, 1).fitted()
    lay, theta = model.layout, top.theta[0]
    v, _ = _rating_direction(model, top, 0.9, 7500.0, 0)
    which = np.flatnonzero(~fleet.failed & fleet.unknown)[:40]
    gain = _odometer_gains(model, top, which, v)
    _, _, hess = _row_terms(model, fleet.take(which), model.x[which], theta)
    unread = -np.einsum("i,nij,j->n", v, hess, v)
    s, weight = model.nodes
    beta, tau = np.exp(theta[0]), np.exp(theta[lay.tau])
    y = theta[lay.mu][0] + tau * s + np.log(fleet.days.lower[which][:, None] / 50_000.0)
    eta = (model.x[which] @ theta[lay.gamma])[:, None]
    z = beta * y - eta
    w = weight * np.exp(-np.exp(z))
    w /= w.sum(1, keepdims=True)
    # derivatives along v of -e^z + log normal(rate), rate held
    dz = v[0] * beta * y - (model.x[which] @ v[lay.gamma])[:, None]
    ddz = v[0] ** 2 * beta * y
    vm, vt = v[lay.mu][0], v[lay.tau]
    info = np.exp(z) * (dz**2 + ddz) + (vm / tau) ** 2 + 4 * s * (vm / tau) * vt + 2 * s**2 * vt**2
    assert (w * info).sum(1) - gain == pytest.approx(unread, rel=1e-4, abs=1e-9)
    assert (gain > 0).all()


def test_a_truck_that_may_have_failed_unsaid_before_it_could_be_read_tells_what_integration_says(fleet, fit):
    """Alive and unread, or failed unsaid: in the share ``f`` of its life before a reading surely unread, after that as the others. The variance of the score over
    both, by brute force over a fine grid of the rates; the model written out anew (Weibull, probit of being read, decline of the driving)."""
    model, top = fit.fitted()
    lay, theta = model.layout, top.theta[0]
    which = np.flatnonzero(~fleet.failed & fleet.unknown & (fleet.days.lower > 1200))[:6]
    f = np.array([0.0, 0.1, 0.3, 0.5, 0.8, 1.0])
    entry = np.where(np.arange(6) % 2, 400.0, 0.0)
    days = fleet.days.entry.copy()
    days[which] = entry
    late = replace(model, data=replace(fleet, days=replace(fleet.days, entry=days)))
    v, _ = _rating_direction(model, top, 0.9, 7500.0, 0)
    share_of_life = np.ones(len(fleet.lower))
    share_of_life[which] = f
    with mock.patch("analytics.ratings.unknowns.before_reading", return_value=share_of_life):
        gain = _odometer_gains(late, top, which, v)
    place = {name: lay.place(name) for name in ("decline", "level", "slope", "share")}
    assert None not in place.values()
    mu, tau = theta[lay.mu][0], np.exp(theta[lay.tau])
    rate = mu + tau * np.linspace(-9, 9, 40_001)

    def log_density(theta, i):
        """Of the log rate together with being alive, or having failed unsaid, and never read: (2, grid)."""
        t = (rate - theta[lay.mu][0]) / np.exp(theta[lay.tau])
        eta = model.x[which[i]] @ theta[lay.gamma]

        def survival(length):
            driven = min(length, model.change_days) + np.exp(theta[place["decline"]]) * max(
                length - model.change_days, 0
            )
            return np.exp(-np.exp(np.exp(theta[0]) * (rate + np.log(driven / model.life_miles)) - eta))

        unread = norm.sf(theta[place["level"]] + theta[place["slope"]] * t)
        now = survival(fleet.days.lower[which[i]])
        gone = (survival(entry[i]) if entry[i] else 1.0) - now
        unsaid = 1 - expit(theta[place["share"]])
        with np.errstate(divide="ignore"):
            either = np.log([now * unread, unsaid * gone * (f[i] + (1 - f[i]) * unread)])
        return either - 0.5 * t**2 - theta[lay.tau]

    step = 1e-5 / np.abs(v).max()
    brute = []
    for i in range(6):
        weight = np.exp(log_density(theta, i))
        with np.errstate(invalid="ignore"):
            score = (log_density(theta + step * v, i) - log_density(theta - step * v, i)) / (2 * step)
        score = np.where(weight > 0, np.nan_to_num(score, posinf=0.0, neginf=0.0), 0.0)
        mean = (weight * score).sum() / weight.sum()
        brute.append((weight * (score - mean) ** 2).sum() / weight.sum())
    assert gain == pytest.approx(brute, rel=1e-3)


def test_old_and_strong_trucks_tell_more(fleet):
    model, top = fit_lives(fleet, 50_000.0, PLAIN, 16, 1).fitted()
    v, variance = _rating_direction(model, top, 0.9, 7500.0, 0)
    which = np.flatnonzero(~fleet.failed & fleet.unknown)
    drop = _odometer_gains(model, top, which, v) / variance
    assert 0 < drop.sum() < 1
    young = fleet.days.lower[which] < 400
    strong = (fleet.log_power[which] > np.log(800)) & (fleet.days.lower[which] > 1200)
    assert drop[strong].mean() > 5 * drop[young].mean()


def test_a_failure_without_a_power_tells_more_than_a_young_survivor(fit):
    model, top = fit.fitted()
    v, _ = _rating_direction(model, top, 0.9, 7500.0, 0)
    missing = life_data(
        [20_000.0, 500.0],
        [20_000.0, np.inf],
        [700.0, 700.0],
        [7500.0, 7500.0],
        lower_days=[600.0, 15.0],
        upper_days=[600.0, np.inf],
        rate_miles=[20_000.0, 500.0],
        rate_days=[600.0, 15.0],
    )
    no, yes = np.zeros(2, bool), np.ones(2, bool)
    gain = _column_gains(model, top, missing, no, yes, v, 64, 1)
    assert gain[0] > 20 * gain[1] >= 0
    assert (_column_gains(model, top, missing, no, yes, v, 64, 1) == gain).all()
    # all known: just the row's own information
    x = np.ones((2, 3))
    x[:, 1:] = [model.covariates(a, b) for a, b in zip(missing.log_power, missing.log_weight, strict=True)]
    own = -np.einsum("i,nij,j->n", v, _row_terms(model, missing, x, top.theta[0])[2], v)
    assert _column_gains(model, top, missing, yes, yes, v, 8, 1) == pytest.approx(np.maximum(own, 0))


def test_several_together_never_promise_more_than_is_there(fleet):
    """With X the sum of ten drops the variance left is at least 1/(1 + X) of what it was, by Cauchy and Schwarz; their score covariances added
    to the information."""
    model, top = fit_lives(fleet, 50_000.0, PLAIN, 16, 1).fitted()
    v, variance = _rating_direction(model, top, 0.9, 7500.0, 0)
    which = np.flatnonzero(~fleet.failed & fleet.unknown)
    drop = _odometer_gains(model, top, which, v) / variance
    first = which[np.argsort(-drop)[:10]]
    # the quadratic form of the score covariance, polarised into a matrix
    p = len(v)
    basis = np.eye(p)

    def form(d):
        return float(_odometer_gains(model, top, first, d).sum())

    added = np.array(
        [
            [
                (form(basis[i] + basis[j]) - form(basis[i] - basis[j])) / 4 if i != j else form(basis[i])
                for j in range(p)
            ]
            for i in range(p)
        ]
    )
    info = -top.hess[0]
    g = info @ v
    after = g @ np.linalg.solve(info + added, g)
    total = np.sort(drop)[::-1][:10].sum()
    assert 0 < 1 - after / variance <= total / (1 + total) + 1e-9


@pytest.fixture(scope="module")
def demo():
    return make_lifetimes(load_records(DEMO))


def test_the_demo_is_ranked(demo):
    t = unknowns_of_part(demo, "input shaft", "IS-A", 7500.0)
    assert t["drop"].is_monotonic_decreasing
    assert (t["drop"] >= 0).all()
    own = demo.table[(demo.table["component"] == "input shaft") & (demo.table["part"] == "IS-A")].set_index("serial")
    for ask, column in (("power", "power_hp"), ("weight", "weight_lb")):
        bare = set(own.index[own[column].isna()])
        asked = set(t.loc[t["ask"].str.contains(ask), "serial"])
        assert asked <= bare
        assert len(asked) > 0.9 * len(bare)
    running = own[(own["ended"] == "running") & (own["ended_on"] == demo.as_of)]
    odometer = set(t.loc[t["ask"] == "odometer", "serial"])
    assert odometer <= set(running.index)
    assert running.loc[sorted(odometer), "read_miles"].isna().all()
    assert unknowns_of_part(demo, "input shaft", "IS-A", 7500.0).equals(t)


def test_one_list_for_all_parts(demo):
    found = ask_first(demo, parts=[("input shaft", "IS-A"), ("clutch pack", "CP-4")], options=OPTIONS)
    single = [
        unknowns_of_part(demo, c, p, 7500.0, options=OPTIONS).set_index(["serial", "ask"])["drop"]
        for c, p in (("input shaft", "IS-A"), ("clutch pack", "CP-4"))
    ]
    total = single[0].add(single[1], fill_value=0)
    frame, sample = found.table, found.sample
    got = frame.set_index(["serial", "ask"])["drop"]
    assert got.sort_index().to_numpy() == pytest.approx(total.sort_index().to_numpy())
    assert "CP-4, IS-A" in set(frame["parts"])
    units = demo.units.set_index("serial")
    assert units.loc[list(sample), "miles"].isna().all()
    assert len(sample) == 20
    assert ask_first(demo, parts=[("input shaft", "IS-A")], options=OPTIONS, seed=2).sample != sample
    assert "unknowns over 2 parts" in ask_words(found)[0]


def test_without_a_failure_there_is_nothing_to_rank_by(demo):
    assert unknowns_of_part(demo, "output shaft", "OS-B", 7500.0).empty
    with pytest.raises(NotEnoughData):
        ask_first(demo, parts=[("output shaft", "OS-B")])


def test_everything_known(tmp_path):
    rows = [build(f"S{i}", power=500 + 10 * i, weight=7000 + 40 * i) for i in range(30)]
    back = [returned(f"S{i}", f"2023-0{1 + i % 9}-15", odometer=20_000 + 1000 * i) for i in range(24, 30)]
    read = [{"serial": f"S{i}", "read_on": "2024-03-30", "odometer": 20_000 + 500 * i} for i in range(24)]
    lifetimes = make_lifetimes(load_records(write_shop(tmp_path, builds=rows, returns=back, readings=read)))
    assert unknowns_of_part(lifetimes, "input shaft", "A", 8000.0, options=OPTIONS).empty


def test_a_truck_is_asked_once_for_all_that_is_unknown_of_it_and_for_no_part_without_a_name(tmp_path):
    """T-050 never read and without a power, which others alike lend it; three converters that nobody named came back."""
    folder = rateable_shop(tmp_path)
    builds = pd.read_csv(folder / "builds.csv", dtype=str).set_index("serial")
    builds.loc["T-050XY", "power"] = ""
    builds.loc[["T-001XY", "T-002XY", "T-003XY"], "converter"] = ""
    builds.reset_index().to_csv(folder / "builds.csv", index=False)
    back = pd.read_csv(folder / "returns.csv", dtype=str)
    more = [returned(f"T-00{k}XY", "2023-05-01", "converter", miles_in_service=40_000) for k in (1, 2, 3)]
    pd.concat([back, pd.DataFrame(more)]).to_csv(folder / "returns.csv", index=False)
    found = ask_first(make_lifetimes(load_records(folder)), sample=0).table
    assert found.loc[found["serial"] == "T-050XY", "ask"].tolist() == ["power and odometer"]
    assert set(found["parts"]) == {"A"}


def test_a_part_without_a_known_power_does_not_take_away_the_list_of_the_others(tmp_path):
    """Three converters, of whose trucks none has a power on record, came back: nobody was named to ask for the shafts."""
    folder = rateable_shop(tmp_path)
    trucks = ["T-001XY", "T-002XY", "T-003XY"]
    builds = pd.read_csv(folder / "builds.csv", dtype=str).set_index("serial")
    builds.loc[trucks, ["power", "converter"]] = ["", "TC-9"]
    builds.reset_index().to_csv(folder / "builds.csv", index=False)
    back = pd.read_csv(folder / "returns.csv", dtype=str)
    more = [returned(serial, "2023-05-01", "converter", miles_in_service=40_000) for serial in trucks]
    pd.concat([back, pd.DataFrame(more)]).to_csv(folder / "returns.csv", index=False)
    lifetimes = make_lifetimes(load_records(folder))
    with pytest.raises(NotEnoughData, match="none of its 3 lives has power"):
        ask_first(lifetimes, [("converter", "TC-9")], sample=0)
    assert set(ask_first(lifetimes, sample=0).table["parts"]) == {"A"}
