"""Partial pooling: against a double integral by quadrature, and a part's own word against lifelines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from scipy.integrate import simpson
from scipy.stats import multivariate_normal, norm

from analytics.models.joint import fit_joint, joint_model
from analytics.models.lifedata import life_data
from analytics.models.pooling import Said, SaidOfDriving, lent, lent_driving, said_by, said_of_driving
from analytics.models.priors import NO_PRIORS, DrivingPrior, Priors

USUAL = (float(np.log(2.5)), 0.9)


def by_quadrature(usual, siblings):
    """Mean and sd of the part's parameter: over the share between parts, and for each over the mean of the component."""
    mean, sd = usual

    mu = np.linspace(mean - 8 * sd, mean + 8 * sd, 20_001)

    def moments(share):
        tau = share * sd
        chance = norm.pdf(mu, mean, np.sqrt(sd**2 - tau**2))
        for said in siblings:
            chance = chance * norm.pdf(said.middle, mu, np.sqrt(tau**2 + 1 / said.precision))
        return [simpson(y, x=mu) for y in (chance, mu * chance, (mu**2 + tau**2) * chance)]

    shares = (np.arange(400) + 0.5) / 400
    total, first, second = np.array([moments(s) for s in shares]).sum(0)
    return first / total, np.sqrt(second / total - (first / total) ** 2)


def test_a_part_alone_keeps_the_usual_prior():
    assert lent(USUAL, []) == pytest.approx(USUAL)


@pytest.mark.parametrize(
    "siblings",
    [
        [Said(np.log(4.0), 0.2**-2)],
        [Said(np.log(4.0), 0.2**-2), Said(np.log(4.2), 0.3**-2)],
        [Said(np.log(8.0), 0.15**-2), Said(np.log(0.9), 0.3**-2), Said(np.log(3.0), 2.0**-2)],
    ],
)
def test_what_is_lent_is_what_a_double_integral_gives(siblings):
    assert lent(USUAL, siblings) == pytest.approx(by_quadrature(USUAL, siblings), abs=2e-3)


def test_siblings_that_agree_lend_more_than_siblings_that_differ():
    alike, apart = ([Said(2.0 + d, 100.0), Said(2.0 - d, 100.0)] for d in (0.05, 0.6))
    assert lent((1.0, 0.9), alike)[1] < lent((1.0, 0.9), apart)[1] < 0.9


def _lives(n=3000):
    rng = np.random.default_rng(4)
    power, weight = rng.normal(6.3, 0.3, n), rng.normal(8.9, 0.2, n)
    miles = np.exp(11 - 3.0 * (power - 6.3) - 1.5 * (weight - 8.9) + np.log(rng.weibull(2.2, n)))
    return power, weight, np.round(miles, 1)


def test_what_a_part_says_is_its_own_fit_without_priors():
    """Middle and spread of each parameter against lifelines; the priors put in were taken out again."""
    power, weight, miles = _lives()
    data = life_data(miles, miles, np.exp(power), np.exp(weight))
    priors = replace(NO_PRIORS, shape=(0.2, 0.3), power=(0.2, 0.3), weight=(0.5, 0.5))
    said = said_by(*fit_joint(joint_model(data, 50_000, "weibull", priors)))
    frame = pd.DataFrame({"miles": miles / 50_000, "power": power - 6.3, "weight": weight - 8.9})
    theirs = WeibullAFTFitter().fit(frame, "miles")
    value, spread = theirs.params_, theirs.standard_errors_
    slope = value["lambda_"]["power"]
    for name, middle, sd in (
        ("shape", value["rho_"]["Intercept"], spread["rho_"]["Intercept"]),
        ("power", np.log(-slope), spread["lambda_"]["power"] / -slope),
        ("weight", value["lambda_"]["weight"], spread["lambda_"]["weight"]),
    ):
        assert said[name].middle == pytest.approx(middle, abs=0.15 * sd), name
        assert said[name].precision ** -0.5 == pytest.approx(sd, rel=0.05), name


def test_a_parameter_without_a_prior_is_not_lent():
    power, weight, miles = _lives(300)
    data = life_data(miles, miles, np.exp(power), np.exp(weight))
    said = said_by(*fit_joint(joint_model(data, 50_000, "weibull", NO_PRIORS)))
    assert said == {}


# ---- driving, who gets read, what is reported
_NAMES = ("use street", "use towing", "spread", "slope")


def _says(seed, names, middle):
    half = np.random.default_rng(seed).normal(size=(len(names), len(names) + 2)) * 0.15
    return SaidOfDriving(names, np.array(middle), half @ half.T)


def by_conditioning(siblings):
    """Mean and covariance of a part's driving given what siblings say: one joint normal of all of them for each share between parts, conditioned as the
    textbook has it (Eaton, *Multivariate Statistics*, 1983, prop. 3.13, from memory)."""
    priors = Priors()
    mean = np.array([np.log(30), np.log(30), np.log(0.6), 0.0])
    usual = np.diag([0.0, 0.0, 0.25, 0.25])
    usual[:2, :2] = 1.0 + 0.25 * np.array([[0.5, -0.5], [-0.5, 0.5]])
    assert priors.rate_between == priors.spread[1] == priors.slope[1] == 0.5
    at = [[_NAMES.index(n) for n in said.names] for said in siblings]
    told = np.concatenate([said.middle for said in siblings])
    chances, means, spreads = [], [], []
    for share in (np.arange(20) + 0.5) / 20:
        between = (share * 0.25) ** 2 * np.eye(4)  # half of .5
        common = usual - between
        beside = np.vstack([common[a] for a in at])
        rows = [np.hstack([common[np.ix_(a, b)] for b in at]) for a in at]
        own = np.vstack(rows)
        first = 0
        for a, said in zip(at, siblings, strict=True):
            own[first : first + len(a), first : first + len(a)] += between[np.ix_(a, a)] + said.covariance
            first += len(a)
        expected = np.concatenate([mean[a] for a in at])
        chances.append(multivariate_normal.pdf(told, expected, own))
        weigh = beside.T @ np.linalg.inv(own)
        means.append(mean + weigh @ (told - expected))
        spreads.append(usual - weigh @ beside)
    chance = np.array(chances) / np.sum(chances)
    middle = chance @ np.array(means)
    off = np.array(means) - middle
    return middle, sum(c * (s + np.outer(o, o)) for c, s, o in zip(chance, spreads, off, strict=True))


@pytest.mark.parametrize(
    "siblings",
    [
        [_says(1, _NAMES, [3.2, 2.9, -0.6, 0.2])],
        [_says(1, _NAMES, [3.2, 2.9, -0.6, 0.2]), _says(2, ("use towing", "spread"), [3.8, -0.9])],
        [
            _says(3, _NAMES, [3.2, 2.9, -0.6, 0.2]),
            _says(4, _NAMES, [2.2, 3.9, -0.1, -0.5]),
            _says(5, ("slope",), [0.3]),
        ],
    ],
)
def test_driving_that_is_lent_is_a_joint_normal_conditioned(siblings):
    lent_one = lent_driving(_NAMES, Priors(), siblings)
    middle, spread = by_conditioning(siblings)
    assert lent_one.names == _NAMES
    assert np.array(lent_one.mean) == pytest.approx(middle, rel=1e-9)
    assert np.array(lent_one.covariance) == pytest.approx(spread, rel=1e-8, abs=1e-12)


def test_driving_without_siblings_or_priors_is_not_lent():
    assert lent_driving(_NAMES, Priors(), []) is None
    assert lent_driving(_NAMES, replace(Priors(), slope=None), [_says(1, _NAMES, [3.2, 2.9, -0.6, 0.2])]) is None
    assert lent_driving(_NAMES, NO_PRIORS, [_says(1, _NAMES, [3.2, 2.9, -0.6, 0.2])]) is None


def test_a_name_that_no_sibling_knows_keeps_the_usual_prior():
    usual = DrivingPrior.usual((*_NAMES, "share"), Priors())
    known = DrivingPrior.of(("slope", "use street"), np.array([0.1, 3.0]), np.array([[0.04, 0.01], [0.01, 0.09]]))
    found = known.within(usual)
    assert found.of_one("slope") == pytest.approx((0.1, 0.2))
    assert found.of_one("use street") == pytest.approx((3.0, 0.3))
    assert found.covariance[0][3] == 0.01
    assert found.of_one("share") == usual.of_one("share") == pytest.approx((np.log(4), 0.6))
    assert found.of_one("use towing") == usual.of_one("use towing")
    assert found.covariance[0][1] == 0.0
    held = found.fixed("slope", -1.0, 0.02)
    assert held.of_one("slope") == pytest.approx((-1.0, 0.02))
    assert held.covariance[0][3] == 0.0
    assert held.of_one("use street") == found.of_one("use street")
    assert found.fixed("decline", 1.0, 1.0) == found
    assert found.of_one("decline") is None


@pytest.mark.parametrize(
    ("priors", "off", "of_spread"),
    [(Priors(), 0.002, 0.02), (Priors(rate=(4.0, 0.3), rate_between=0.2, spread=(-0.2, 0.1)), 0.006, 0.08)],
)
def test_what_a_part_says_of_driving_is_its_odometers_without_priors(priors, off, of_spread):
    """Read at one day, every truck, of two uses; far more trucks than failures: means and standard deviation of log miles a day. off: by a prior that lies far from the records,
    taken out of a likelihood that is not quite normal."""
    rng = np.random.default_rng(7)
    n = 400
    use = np.where(np.arange(n) < 300, "street", "towing")
    rate = np.exp(np.where(use == "street", 3.0, 3.6) + 0.5 * rng.normal(size=n))
    failed = np.arange(n) % 100 == 0
    data = life_data(
        rate * 500,
        np.where(failed, rate * 500, np.inf),
        np.exp(rng.normal(6.3, 0.2, n)),
        np.full(n, 7000.0),
        use=use,
        lower_days=np.full(n, 500.0),
        upper_days=np.where(failed, 500.0, np.inf),
        rate_miles=rate * 500,
        rate_days=np.full(n, 500.0),
    )
    said = said_of_driving(*fit_joint(joint_model(data, 50_000, "weibull", priors)))
    assert said.names == ("use street", "use towing", "spread")
    y = np.log(rate)
    means = [y[use == u].mean() for u in ("street", "towing")]
    tau = np.sqrt(np.mean((y - np.where(use == "street", *means)) ** 2))
    assert said.middle == pytest.approx([*means, np.log(tau)], abs=off)
    spread = np.sqrt(np.diag(said.covariance))
    assert spread == pytest.approx([tau / np.sqrt(300), tau / np.sqrt(100), 1 / np.sqrt(800)], rel=of_spread)
