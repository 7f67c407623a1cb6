"""Partial pooling: against a double integral by quadrature, and a part's own word against lifelines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from scipy.integrate import simpson
from scipy.stats import norm

from analytics.models.joint import fit_joint, joint_model
from analytics.models.lifedata import life_data
from analytics.models.pooling import Said, lent, said_by
from analytics.models.priors import NO_PRIORS

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
