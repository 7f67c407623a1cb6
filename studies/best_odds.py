"""The most that records can be worth: an owner of the invented shops of `studies.worth` who knows how such shops are drawn, reads every odometer
and writes everything down, and each quarter sets every limit where the cost he expects is least.

Nobody can know so much; what he still loses against the one who knows the truth is what no rule can win from the records in time. He weighs
draws of how a part may live by what has come back (Bayes by importance sampling), looks one quarter ahead and tries nothing out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analytics.models.distributions import standard_quantile
from studies.worth import (
    CLASS_LB,
    EDGES_LB,
    FIRST_LOOK,
    LIFE_MILES,
    PARTS,
    QUARTER_DAYS,
    QUARTERS,
    RELIABILITY,
    TOLD,
    InventedShop,
    Owner,
)

_DRAWS = 3000
#: what he holds of a published limit: standard deviation of its log about the truth, that of limits at .7, 1.0 and 1.35 of it
_LOG_SD = 0.3
#: comebacks that one truck refused is worth
_PRICE = 10.0
#: limits he chooses among, hp, and the middle truck of each class, lb
_GRID = np.exp(np.arange(np.log(200.0), np.log(1300.0), 0.02))
_MIDDLE_LB = np.array([6650.0, 8150.0, 9750.0])
_TOWING = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class Odds:
    """How a part may live, drawn as `studies.worth.drawn_truth` draws it, (draws,) each. star: log of the rating in the lightest class and the
    harsher use. normal: whether the log of life is normal. low: its standard quantile at the promise."""

    star: np.ndarray
    shape: np.ndarray
    by_power: np.ndarray
    by_weight: np.ndarray
    harsher: np.ndarray
    normal: np.ndarray
    low: np.ndarray

    def rated(self, weight_lb: float) -> np.ndarray:
        """Log of the rating at a weight, (draws,), in the harsher use."""
        return self.star - self.by_weight * np.log(weight_lb / EDGES_LB[0]) / self.by_power

    def standard(self, miles: np.ndarray, power_hp: np.ndarray, weight_lb: np.ndarray, use: np.ndarray) -> np.ndarray:
        """Standardised log of the lives ``miles`` (n,) of trucks so strong, heavy and used: (draws, n)."""
        load = self.by_power[:, None] * (np.log(power_hp) - self.star[:, None])
        load += self.by_weight[:, None] * np.log(weight_lb / EDGES_LB[0]) + self.harsher[:, None] * (use - 1)
        return self.shape[:, None] * (np.log(miles / LIFE_MILES) - load) + self.low[:, None]

    def last(self, z: np.ndarray) -> np.ndarray:
        """Share that lasts at a standardised log life (draws, n)."""
        return np.where(self.normal[:, None], ndtr(-z), np.exp(-np.exp(np.clip(z, -50, 50))))

    def weights(self, miles, failed, power_hp, weight_lb, use) -> np.ndarray:
        """Chance of each draw, (draws,), given lives (n,) that ``failed`` or still run at their ``miles``."""
        z = self.standard(miles, power_hp, weight_lb, use)
        held = np.clip(z, -50, 50)
        density = np.where(self.normal[:, None], -0.5 * z**2 - 0.919, held - np.exp(held)) + np.log(self.shape)[:, None]
        running = np.log(np.maximum(TOLD * self.last(z) + 1 - TOLD, 1e-30))
        log_chance = np.where(failed, density, running).sum(1)
        chance = np.exp(log_chance - log_chance.max())
        return chance / chance.sum()


def drawn_odds(published_hp: float, rng: np.random.Generator) -> Odds:
    """What may be held of a part with this limit in the lightest class before anything has run."""
    normal = rng.random(_DRAWS) < 1 / 3
    low = {distribution: standard_quantile(RELIABILITY, distribution) for distribution in ("lognormal", "weibull")}
    return Odds(
        star=np.log(published_hp) + _LOG_SD * rng.standard_normal(_DRAWS),
        shape=rng.uniform(1.4, 2.6, _DRAWS),
        by_power=-np.exp(rng.uniform(np.log(0.8), np.log(4.5), _DRAWS)),
        by_weight=-rng.uniform(0.5, 2.5, _DRAWS),
        harsher=-rng.uniform(0.0, 0.4, _DRAWS),
        normal=normal,
        low=np.where(normal, low["lognormal"], low["weibull"]),
    )


def cheapest(odds: Odds, chance: np.ndarray, at: int, middle_hp: float) -> float:
    """The limit of class ``at`` whose cost is least in the mean over the odds: comebacks of what is fitted and good trucks refused, the powers of
    trucks log-normal about middle_hp."""
    full = np.full(len(_GRID), 1.0)
    lost = [
        1 - odds.last(odds.standard(LIFE_MILES * full, _GRID, _MIDDLE_LB[at] * full, use * full)) for use in (0.0, 1.0)
    ]
    fails = chance @ ((1 - _TOWING) * lost[0] + _TOWING * lost[1])
    good = chance @ (np.log(_GRID) <= odds.rated(CLASS_LB[at])[:, None])
    come = np.exp(-0.5 * (np.log(_GRID / middle_hp) / 0.33) ** 2)
    cost = np.cumsum(_PRICE * fails * come) + (good * come).sum() - np.cumsum(good * come)
    return float(_GRID[cost.argmin()])


def best_odds(shop: InventedShop, start: float, seed: int) -> tuple[Owner, int, int]:
    """The owner at work from a ``start``; how many looks he took at a limit, and how many raised one above the truth. seed: of his draws."""
    owner, rng = Owner(shop, start), np.random.default_rng([seed, 7])
    odds = [drawn_odds(owner.first[part, 0], rng) for part in range(len(PARTS))]
    looks = raised_above = 0
    for quarter in range(QUARTERS):
        owner.build(quarter)
        if quarter < FIRST_LOOK:
            continue
        day = (quarter + 1) * QUARTER_DAYS
        for part, own in enumerate(odds):
            at, back = owner.failed(part, day)
            if not len(at):
                continue
            run = shop.miles_a_day[at] * (day - shop.day[at])
            miles = np.where(back, shop.life_miles[part, at], run)
            chance = own.weights(miles, back, shop.power_hp[at], shop.weight_lb[at], shop.use[at])
            for c in range(len(CLASS_LB)):
                limit = cheapest(own, chance, c, 1.05 * float(shop.truth.star[0]))
                looks += 1
                raised_above += limit > max(owner.limits[part, c], shop.truth_hp[part, c]) * 1.001
                owner.limits[part, c] = limit
    return owner, looks, raised_above
