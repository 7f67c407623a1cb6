"""What a limit would bring, at once: the fits are made when first asked for, and every answer after that is read off them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from analytics.ratings.predict import PartFit, fit_lives
from analytics.ratings.sheet import PartRating, Ratings
from analytics.ratings.whatif import LEVEL, BuildMix, build_mix, failing_by, reported

#: points of a curve, and draws behind its band
_POINTS, _DRAWS = 48, 256


@dataclass(frozen=True, slots=True)
class Risk:
    """Share of new trucks that come back by ``miles``, reported ones alone: the middle of its draws, with limits. power_hp, share, lower, upper: (n,); seen_hp: the lowest and the
    highest power on record."""

    power_hp: np.ndarray
    share: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    miles: float
    seen_hp: tuple[float, float]

    def at(self, power_hp: float) -> tuple[float, float, float]:
        """The share at one power, with its limits."""
        return tuple(float(np.interp(power_hp, self.power_hp, y)) for y in (self.share, self.lower, self.upper))  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class AtOnce:
    """What is asked of the fits behind ``ratings``. kept: the fit of each part, once it was asked for."""

    ratings: Ratings
    kept: dict[tuple[str, str], PartFit] = field(default_factory=dict)

    def fit(self, part: PartRating) -> PartFit:
        """The fit of a ``part``, made once."""
        key = part.component, part.part
        if key not in self.kept:
            o = self.ratings.options
            fit = fit_lives(part.data, o.promise.life, o.settings.of(part.component, part.part), _DRAWS, o.seed)
            if fit.model is not None:  # draws that count alike
                pick = np.random.default_rng(o.seed).choice(len(fit.theta), _DRAWS, p=fit.weight)
                fit = replace(fit, theta=fit.theta[pick], weight=np.full(_DRAWS, 1 / _DRAWS))
            self.kept[key] = fit
        return self.kept[key]

    def risk(self, part: PartRating, weight_lb: float, use: str, miles: float) -> Risk | None:
        """The share of a ``part`` that comes back by ``miles``, against power, in trucks of a weight and a use; None without a fit."""
        fit = self.fit(part)
        if fit.model is None:
            return None
        power = np.exp(part.data.log_power)
        low, high = float(power.min()), float(power.max())
        grid = np.linspace(0.7 * low, 1.15 * high, _POINTS)
        back = failing_by(fit, grid, np.full(_POINTS, weight_lb), [use] * _POINTS, miles) * reported(fit)[:, None]
        tail = (1 - LEVEL) / 2
        lower, middle, upper = np.quantile(back, [tail, 0.5, 1 - tail], axis=0)
        return Risk(grid, middle, lower, upper, miles, (low, high))

    def published(self, part: PartRating, weight_lb: float) -> tuple[float, float, float]:
        """What is published, proposed and supported for a ``part`` at a weight, any use, in hp; NaN for none."""
        table = self.ratings.table
        own = table[(table["component"] == part.component) & (table["part"] == part.part) & (table["use"] == "")]
        own = own[own["weight_up_to"] >= weight_lb] if (own["weight_up_to"] >= weight_lb).any() else own.tail(1)
        if own.empty:
            return math.nan, math.nan, math.nan
        published, proposed, supported = (float(own[c].iat[0]) for c in ("published_hp", "proposed_hp", "supported_hp"))
        return published, proposed if own["verdict"].iat[0] in ("lower", "raise") else math.nan, supported

    def between(self, part: PartRating, from_hp: float, to_hp: float, weight_lb: float) -> BuildMix:
        """The builds between two powers, in trucks up to a weight, whichever part of the component they got."""
        low, high = sorted((from_hp, to_hp))
        return build_mix(self.ratings.lifetimes, part.component, low, high, 0.0, weight_lb)

    def more_back(self, part: PartRating, mix: BuildMix, use: str, miles: float) -> tuple[float, float, float]:
        """Comebacks a year of this ``part`` in the trucks of a ``mix`` by ``miles``, with limits; each at its own power and weight."""
        frame = mix.frame
        if frame.empty or self.fit(part).model is None:
            return 0.0, 0.0, 0.0
        fit = self.fit(part)
        uses = frame["use"].where(frame["use"] != "", use).tolist()
        chance = failing_by(fit, frame["power_hp"].to_numpy(float), frame["weight_lb"].to_numpy(float), uses, miles)
        a_year = chance @ frame["count"].to_numpy(float) * reported(fit) * mix.scale / mix.years
        tail = (1 - LEVEL) / 2
        lower, middle, upper = (float(v) for v in np.quantile(a_year, [tail, 0.5, 1 - tail]))
        return middle, lower, upper


def uses_of(part: PartRating) -> list[str]:
    """Uses on record of a ``part``, the most frequent first."""
    counts = pd.Series(np.bincount(part.data.use, part.data.weight, len(part.data.use_names)), part.data.use_names)
    return [use for use in counts.sort_values(ascending=False, kind="stable").index if use]
