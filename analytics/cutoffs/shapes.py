"""How the hazard goes with power: not at all, a straight slope on logs, a bend, a jump, or a jump on top of a slope.

All of them see the same risk sets, so each log-likelihood is a sum linear in its coefficients less a term that no redrawing
of the failed changes. That term is tabled once over a fine grid of coefficients; every fit, of the records or of any number
of redrawn fleets, is then a search through the table. Coefficients are of the log hazard; more power never helps (all >= 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.cutoffs.risk import RiskSets, failures_above, redraw
from analytics.errors import NotEnoughData

STEPS = np.linspace(0.0, 4.6, 32)  # log hazard ratios of a jump: 1 to 100
GRID = 33
SHAPES = ("none", "slope", "stick", "step", "both")
#: free parameters of each, its place counted as one
PARAMETERS = {"none": 0, "slope": 1, "stick": 3, "step": 2, "both": 3}


@dataclass(frozen=True, slots=True)
class Fitted:
    """Best fit of each shape to R fleets, arrays (R,) by shape: loglik above that of "none"; slope, second slope (above the
    knee) and step; place: index of the cut-point (-1 where there is none). profile: (R, C) of "both" over its place, -inf where
    it may not be."""

    loglik: dict[str, np.ndarray]
    slope: dict[str, np.ndarray]
    beyond: np.ndarray
    step: dict[str, np.ndarray]
    place: dict[str, np.ndarray]
    profile: np.ndarray


class ShapeTable:
    """The terms of the log-likelihoods that do not depend on who failed."""

    def __init__(self, sets: RiskSets, steepest: float = 0.0):
        if not sets.may.any():
            raise NotEnoughData("no cut-point leaves enough units on either side")
        self.sets = sets
        self.middle = float(np.average(sets.centre, weights=sets.units))
        self.z = sets.centre - self.middle
        spread = float(np.sqrt(np.average(self.z**2, weights=sets.units)))
        slope, error = self._straight()
        # out to where a slope could be by chance, for any redrawing under a fit
        top = max(slope + 6 * error, 2.5 / max(spread, 1e-9), steepest)
        self.slopes = np.linspace(0.0, top, GRID)
        self.allowed = np.flatnonzero(sets.may)
        a = sets.at_risk
        log_total = np.log(a.sum(1)).sum()
        pull = a[None] * np.exp(self.slopes[:, None, None] * self.z)  # (b, K, J)
        below = np.cumsum(pull, axis=2)[:, :, self.allowed]  # (b, K, c)
        whole = pull.sum(2)
        self.slope_term = np.log(whole).sum(1) - log_total  # (b,)
        # (b, d, c): one jump at a time, to keep memory small
        self.both_term = (
            np.stack([np.log(below + np.exp(d) * (whole[:, :, None] - below)).sum(1) for d in STEPS], axis=1)
            - log_total
        )
        self.knees = self.allowed[:: max(1, len(self.allowed) // 12)]
        self.stick_term = np.empty((len(self.slopes), len(self.slopes), len(self.knees)))
        for j, knee in enumerate(self.knees):
            first, second = self._legs(knee)
            one = np.exp(self.slopes[:, None] * first)  # (b, J)
            two = np.exp(self.slopes[:, None] * second)
            # sum over bins of a x one x two
            for g in range(len(self.slopes)):
                self.stick_term[:, g, j] = np.log((one * two[g]) @ a.T).sum(1) - log_total

    def _straight(self) -> tuple[float, float]:
        """The slope that fits best, free of sign, and its standard error: Newton's rule in one unknown."""
        a, z, b, info = self.sets.at_risk, self.z, 0.0, 1.0
        seen = z[self.sets.bin].sum()
        for _ in range(50):
            w = a * np.exp(np.clip(b * z, -300, 300))
            w /= w.sum(1, keepdims=True)
            mean = w @ z
            info = float((w @ z**2 - mean**2).sum())
            step = float(np.clip((seen - mean.sum()) / max(info, 1e-9), -5, 5))
            b += step
            if abs(step) < 1e-8:
                break
        return b, 1 / np.sqrt(max(info, 1e-9))

    def _legs(self, knee: int) -> tuple[np.ndarray, np.ndarray]:
        at = self.sets.cuts[knee] - self.middle
        return np.minimum(self.z, at), np.maximum(self.z - at, 0.0)

    def hazard(self, shape: str, fit: Fitted, row: int = 0) -> np.ndarray:
        """Log hazard ratio (J,) of each bin under the fit of one fleet."""
        above = np.zeros(len(self.z))
        place = int(fit.place[shape][row]) if shape in fit.place else -1
        if shape in ("step", "both"):
            above[place + 1 :] = fit.step[shape][row]
        if shape == "step" or shape == "none":
            return above
        if shape == "stick":
            first, second = self._legs(place)
            return fit.slope["stick"][row] * first + fit.beyond[row] * second
        return above + fit.slope[shape][row] * self.z

    def fit(self, bins: np.ndarray) -> Fitted:
        """Fit all shapes to R fleets, bins (R, K) of the failed."""
        bins = np.atleast_2d(bins)
        total = self.z[bins].sum(1)
        above = failures_above(self.sets, bins)[:, self.allowed]
        b = self.slopes
        loglik = {"none": np.zeros(len(bins))}
        slope: dict[str, np.ndarray] = {}
        step: dict[str, np.ndarray] = {}
        place: dict[str, np.ndarray] = {}
        one = total[:, None] * b - self.slope_term
        at = one.argmax(1)
        loglik["slope"], slope["slope"] = one.max(1), b[at]
        profile = np.full((len(bins), len(self.sets.cuts)), -np.inf)
        flat = np.empty((len(bins), len(self.allowed)))
        jump, jump_flat, steep = (np.empty((len(bins), len(self.allowed))) for _ in range(3))
        rows = np.arange(len(bins))
        for i, c in enumerate(self.allowed):
            value = total[:, None, None] * b[:, None] + above[:, i, None, None] * STEPS - self.both_term[:, :, i]
            best = value.reshape(len(bins), -1).argmax(1)
            profile[:, c] = value.reshape(len(bins), -1)[rows, best]
            steep[:, i], jump[:, i] = b[best // len(STEPS)], STEPS[best % len(STEPS)]
            lone = value[:, 0]  # no slope
            k = lone.argmax(1)
            flat[:, i], jump_flat[:, i] = lone[rows, k], STEPS[k]
        at = profile[:, self.allowed].argmax(1)
        loglik["both"], place["both"] = profile[rows, self.allowed[at]], self.allowed[at]
        slope["both"], step["both"] = steep[rows, at], jump[rows, at]
        at = flat.argmax(1)
        loglik["step"], place["step"], step["step"] = flat[rows, at], self.allowed[at], jump_flat[rows, at]
        best = np.full(len(bins), -np.inf)
        slope["stick"], beyond = np.zeros(len(bins)), np.zeros(len(bins))
        place["stick"] = np.full(len(bins), self.knees[0])
        for j, knee in enumerate(self.knees):
            first, second = self._legs(knee)
            s1, s2 = first[bins].sum(1), second[bins].sum(1)
            value = s1[:, None, None] * b[:, None] + s2[:, None, None] * b - self.stick_term[:, :, j]
            value = value.reshape(len(bins), -1)
            k = value.argmax(1)
            better = value[rows, k] > best
            best = np.where(better, value[rows, k], best)
            slope["stick"] = np.where(better, b[k // len(b)], slope["stick"])
            beyond = np.where(better, b[k % len(b)], beyond)
            place["stick"] = np.where(better, knee, place["stick"])
        loglik["stick"] = best
        return Fitted(loglik=loglik, slope=slope, beyond=beyond, step=step, place=place, profile=profile)

    def drawn(self, pull: np.ndarray, draws: int, rng: np.random.Generator) -> Fitted:
        """All shapes fitted to ``draws`` fleets whose failed are redrawn by ``pull`` (K, J)."""
        return self.fit(redraw(self.sets, pull, draws, rng))
