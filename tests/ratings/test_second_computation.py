"""The rating by another route: the likelihood written out plainly, climbed and profiled with scipy, on random fleets.

Nothing of the package's likelihood, quadrature, Newton steps or root finding is used here; only the data and the numbers of
the priors are shared. Life: log T = b0 - k (log power) + c (log weight) + e/beta; miles a day: log-normal(mu, tau).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq, minimize

from analytics.models.lifedata import life_data
from analytics.models.priors import Priors
from analytics.ratings.bound import rate_part
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN

LIFE, R, C = 50_000.0, 0.9, 0.9
SETTINGS = replace(PLAIN, replicates=0, draws=0, explain=False)
DISTRIBUTIONS = {"weibull": stats.gumbel_l, "lognormal": stats.norm}
#: nodes for the unknown miles a day: plain Gauss-Hermite, many
X, W = np.polynomial.hermite_e.hermegauss(120)
W = W / W.sum()


def random_fleet(seed: int, unread: float) -> dict:
    """Trucks with power, weight, days out and a driver; some failed at known miles, a share of the rest never read."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(120, 320))
    power = np.exp(rng.normal(np.log(650), 0.28, n))
    weight = rng.uniform(5500, 11_000, n)
    days = rng.uniform(200, 2200, n)
    rate = np.exp(rng.normal(np.log(32), 0.5, n))
    beta, k, c = rng.uniform(1.4, 3), rng.uniform(2.5, 5), rng.uniform(-2.5, -0.5)
    middle = np.log(rng.uniform(90_000, 140_000))
    life = np.exp(middle - k * np.log(power / 650) + c * np.log(weight / 8000) + np.log(rng.exponential(size=n)) / beta)
    miles = rate * days
    failed = life < miles
    return {
        "power": power,
        "weight": weight,
        "days": np.where(failed, life / rate, days),
        "miles": np.where(failed, life, miles),
        "failed": failed,
        "read": failed | (rng.random(n) >= unread),
        "count": rng.integers(1, 3, n).astype(float),
    }


def as_life_data(f: dict):
    known = f["read"]
    return life_data(
        np.where(known, f["miles"], np.nan),
        np.where(f["failed"], f["miles"], np.inf),
        f["power"],
        f["weight"],
        lower_days=f["days"],
        upper_days=np.where(f["failed"], f["days"], np.inf),
        rate_miles=np.where(known, f["miles"], np.nan),
        rate_days=np.where(known, f["days"], np.nan),
        weight=f["count"],
    )


class Plain:
    """The penalised log-likelihood, each line as one would write it on paper."""

    def __init__(self, fleet: dict, distribution: str, share: float, all_read: bool):
        self.f, self.e, self.share, self.all_read, self.distribution = (
            fleet,
            DISTRIBUTIONS[distribution],
            share,
            all_read,
            distribution,
        )

    def __call__(self, beta, b0, k, c, mu, tau, level) -> float:
        f, e, q = self.f, self.e, self.share
        middle = b0 - k * np.log(f["power"]) + c * np.log(f["weight"])
        z = beta * (np.log(f["miles"]) - middle)
        broke = e.logpdf(z) + np.log(beta) - np.log(f["miles"]) + np.log(q)
        seen_alive = e.logsf(z)
        one = np.where(f["failed"], broke, seen_alive)
        if not self.all_read:
            # somebody read the odometer of a truck alive, at a chance that matters only where failures go untold
            read = stats.norm.cdf(level) if q < 1 else 0.5
            speeds = mu + tau * X + np.log(f["days"])[:, None]
            lived = e.sf(beta * (speeds - middle[:, None]))
            unread = np.log((W * (lived * (1 - read) + (1 - lived) * (1 - q))).sum(1))
            one = np.where(f["read"], one + np.where(f["failed"], 0, np.log(read)), unread)
            pace = np.log(f["miles"] / f["days"])
            one = one + np.where(f["read"], stats.norm.logpdf(pace, mu, tau), 0)
        return float((f["count"] * one).sum()) + self.priors(beta, k, c, mu, tau, level)

    def priors(self, beta, k, c, mu, tau, level) -> float:
        p = Priors()
        shift = np.log(np.pi / np.sqrt(6)) if self.distribution == "lognormal" else 0.0
        terms = [(np.log(beta), p.shape[0] - shift, p.shape[1]), (np.log(k), *p.power), (c, *p.weight)]
        if not self.all_read:
            terms += [(mu, *p.rate), (np.log(tau), *p.spread)]
        if self.share < 1 and not self.all_read:
            terms.append((level, *p.level))
        return sum(-0.5 * ((value - mean) / sd) ** 2 for value, mean, sd in terms)


class Route:
    """Free and constrained maxima by a general optimiser; the rating and its bound at a weight."""

    def __init__(self, fleet: dict, distribution: str, share: float, weight: float):
        self.like = Plain(fleet, distribution, share, bool(fleet["read"].all()))
        self.z = float(DISTRIBUTIONS[distribution].isf(R))
        self.weight = weight
        self.size = 4 if self.like.all_read else 6 if share == 1 else 7
        start = np.array(
            [np.log(2), np.log(100_000) + 4 * np.log(650) + 2 * np.log(8000), np.log(4), -2.0, 3.4, -0.7, 0.0]
        )
        self.scale = np.array([0.3, 0.4, 0.3, 1.0, 0.2, 0.2, 0.5])[: self.size]
        # b0 is taken about a middle truck, so that the optimiser meets no long narrow valley
        self.centre = (np.log(650), np.log(8000))
        start[1] = np.log(120_000)
        self.best, self.value = self.climb(start[: self.size])

    def parts(self, u: np.ndarray) -> tuple[float, ...]:
        v = [*u, 0.0, 0.0, 0.0][:7]
        beta, k = np.exp(v[0]), np.exp(v[2])
        return beta, v[1] + k * self.centre[0] - v[3] * self.centre[1], k, v[3], v[4], np.exp(v[5]), v[6]

    def climb(self, start: np.ndarray, log_power: float | None = None) -> tuple[np.ndarray, float]:
        """The maximum from ``start``; with ``log_power`` under the constraint that just R survive the target life there."""

        def full(u: np.ndarray) -> np.ndarray:
            if log_power is None:
                return u
            beta, k, c = np.exp(u[0]), np.exp(u[1]), u[2]
            middle = np.log(LIFE) - self.z / beta
            about = middle + k * (log_power - self.centre[0]) - c * (np.log(self.weight) - self.centre[1])
            return np.insert(u, 1, about)

        scale = self.scale if log_power is None else np.delete(self.scale, 1)
        x0 = start if log_power is None else np.delete(start, 1)
        found = np.zeros(len(x0))
        for _ in range(3):  # started again from where it stopped, so that a stall is no end
            found = minimize(
                lambda t: -self.like(*self.parts(full(x0 + t * scale))), found, method="BFGS", options={"gtol": 1e-6}
            ).x
        value = self.like(*self.parts(full(x0 + found * scale)))
        return full(x0 + found * scale), value

    def estimate(self) -> float:
        beta, b0, k, c, *_ = self.parts(self.best)
        return (b0 + c * np.log(self.weight) + self.z / beta - np.log(LIFE)) / k

    def bound(self) -> float:
        """Log power below the estimate at which the likelihood has dropped by half the square of the normal quantile of C."""
        drop = stats.norm.ppf(C) ** 2 / 2
        middle = self.estimate()

        def gap(x: float) -> float:
            return self.value - self.climb(self.best, x)[1] - drop

        low = middle - 0.02
        while gap(low) < 0:
            low -= 0.04
        return brentq(gap, low, middle, xtol=2e-5)


def test_the_constraint_holds_in_the_plain_route():
    route = Route(random_fleet(3, 0.0), "weibull", 1.0, 7500.0)
    at, value = route.climb(route.best, np.log(500))
    beta, b0, k, c, *_ = route.parts(at)
    z = beta * (np.log(LIFE) - (b0 - k * np.log(500) + c * np.log(7500.0)))
    assert DISTRIBUTIONS["weibull"].sf(z) == pytest.approx(R, abs=1e-9)
    assert value < route.value


@pytest.mark.parametrize(
    ("seed", "distribution", "unread", "share"),
    [
        (1, "weibull", 0.0, 1.0),
        (2, "lognormal", 0.0, 1.0),
        (4, "weibull", 0.6, 1.0),
        (5, "weibull", 0.5, 0.7),
        (6, "lognormal", 0.4, 0.8),
    ],
)
def test_estimate_and_bound_by_another_route(seed, distribution, unread, share):
    fleet = random_fleet(seed, unread)
    assert fleet["failed"].sum() >= 5
    settings = replace(SETTINGS, share=share, both_laws=distribution == "lognormal")
    rated = rate_part(as_life_data(fleet), 7500.0, None, Promise(LIFE, R, C), settings)
    ours = next(r for r in rated.by_distribution if r.distribution == distribution)
    route = Route(fleet, distribution, share, 7500.0)
    assert ours.estimate == pytest.approx(route.estimate(), abs=2e-4)
    if (
        distribution == "weibull"
    ):  # with both distributions allowed, the bound of one also counts how far it lies behind the other
        assert ours.first_order == pytest.approx(route.bound(), abs=5e-4)
    assert np.exp(ours.theta[0]) == pytest.approx(np.exp(route.best[0]), rel=1e-3)
    exponent = ours.theta[ours.layout.gamma][1] / np.exp(ours.theta[0])
    assert -exponent == pytest.approx(np.exp(route.best[2]), rel=1e-3)
