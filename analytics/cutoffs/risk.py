"""Who was at risk when each failure came, sorted by power: all that a comparison by hazard ratios needs.

Given who was at risk when, and that one of them failed, a model of the hazard says with what chance it was each of them
(Cox, J. R. Stat. Soc. B 34 (1972) 187-220). Drawing the failed one anew from those chances gives fleets as the model would
have them, with the same ages, late entries and departures: nothing has to be assumed about when trucks come and go.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.reasons import brief

MOST_BINS = 80


@dataclass(frozen=True, slots=True, repr=False)
class RiskSets:
    """Risk sets by bins of x, K failures that had somebody to be compared with, J bins, C = J - 1 cut-points.

    at_risk: (K, J) units at risk in the failure's stratum. bin: (K,) of the
    failed. centre: (J,) mean x of the bins. cuts: (C,) the largest x below each cut-point. next: (C,) the smallest x above.
    may: (C,) bool, cut-points with enough units on either side. units: (J,) of each bin.
    day, stratum: (K,) of the failures. row_*: (n,) bin, entry, time, stratum and count of the lives.
    """

    at_risk: np.ndarray
    bin: np.ndarray
    centre: np.ndarray
    cuts: np.ndarray
    next: np.ndarray
    may: np.ndarray
    units: np.ndarray
    day: np.ndarray
    stratum: np.ndarray
    row_bin: np.ndarray
    row_entry: np.ndarray
    row_time: np.ndarray
    row_stratum: np.ndarray
    row_count: np.ndarray

    def __repr__(self) -> str:
        return brief(self, "failures", lives=self.units.sum(), bins=len(self.centre))

    @property
    def failures(self) -> int:
        return len(self.bin)


def _edges(x: np.ndarray, count: np.ndarray, values: np.ndarray, bins: int) -> np.ndarray:
    """Upper edges of the bins but the last: every one of the ``values`` of x, or where they are too many those at even shares of the
    units, so that a bin holds about as many as any other."""
    if len(values) <= bins:
        return values[:-1]
    order = np.argsort(x, kind="stable")
    cumulative = np.cumsum(count[order]) / count.sum()
    edges = np.unique(x[order][np.searchsorted(cumulative, np.arange(1, bins) / bins)])
    return edges[edges < values[-1]]


def _at_each_failure(
    watched: tuple[np.ndarray, np.ndarray],
    failed: np.ndarray,
    place: np.ndarray,
    count: np.ndarray,
    codes: np.ndarray,
    size: int,
) -> Iterator[tuple[np.ndarray, int, float, int]]:
    """Per failure that had another bin at risk beside it: how many were at risk in each bin, its own bin, when, and the stratum."""
    for s in np.unique(codes[failed]):
        own = codes == s
        ee, te, pe, we = watched[0][own], watched[1][own], place[own], count[own]
        dead = np.flatnonzero(failed[own])
        for i in dead[np.lexsort((pe[dead], te[dead]))]:
            inside = (ee < te[i]) & (te >= te[i])
            line = np.bincount(pe[inside], weights=we[inside], minlength=size)
            # a failure nobody was at risk with says nothing
            times = int(we[i]) if (line > 0).sum() > 1 else 0
            yield from [(line, pe[i], te[i], s)] * times


def risk_sets(
    x: ArrayLike,
    time: ArrayLike,
    failed: ArrayLike,
    entry: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    count: ArrayLike | None = None,
    smallest: float = 0.1,
    bins: int = MOST_BINS,
) -> RiskSets:
    """Risk sets from lives (n,): at risk after ``entry`` up to ``time``, where they ``failed`` or were last seen; strata compared only within themselves.

    x: what the tiers are cut by, on the scale on which a smooth effect is straight (log power). count: identical units of
    each row. With more distinct x than ``bins``, neighbours share a bin. A cut-point must leave
    ``smallest`` of the lives on either side. Raises NotEnoughData where nothing can be compared.
    """
    x, t = np.asarray(x, float), np.asarray(time, float)
    n = len(x)
    f = np.asarray(failed, bool)
    e = np.zeros(n) if entry is None else np.asarray(entry, float)
    w = np.ones(n, int) if count is None else np.asarray(count).astype(int)
    for name, values in (("x", x), ("time", t), ("entry", e)):
        bad = np.flatnonzero(~np.isfinite(values))
        if len(bad):
            raise AnalyticsError(f"{name} of row {bad[0]} is {values[bad[0]]}: give a number, or leave the row out")
    if not f.any():
        raise NotEnoughData("nothing failed: there is nothing to compare")
    codes = (
        np.zeros(n, int)
        if strata is None
        else np.unique(np.asarray(strata, dtype=object).astype(str), return_inverse=True)[1].reshape(-1)
    )
    values = np.unique(x)
    edges = _edges(x, w, values, bins)
    if not len(edges):
        raise NotEnoughData("all units have the same value: there is no place for a cut")
    place = np.searchsorted(edges, x, side="left")
    size = len(edges) + 1
    lives = np.bincount(place, weights=w, minlength=size)
    centre = np.bincount(place, weights=w * x, minlength=size) / lives
    above = np.array([values[np.searchsorted(values, c, side="right")] for c in edges])
    share = np.cumsum(lives)[:-1] / lives.sum()
    found = list(_at_each_failure((e, t), f, place, w, codes, size))
    rows, bin_of, day, group = (list(told) for told in zip(*found, strict=True)) if found else ([], [], [], [])
    if not rows:
        raise NotEnoughData("no failure had another unit of a different value at risk beside it: nothing to compare")
    return RiskSets(
        at_risk=np.array(rows),
        bin=np.array(bin_of),
        centre=centre,
        cuts=edges,
        next=above,
        may=(share >= smallest) & (share <= 1 - smallest),
        units=lives,
        day=np.array(day),
        stratum=np.array(group),
        row_bin=place,
        row_entry=e,
        row_time=t,
        row_stratum=codes,
        row_count=w,
    )


def pull_by_bin(sets: RiskSets, pull: Callable[[float, np.ndarray], np.ndarray]) -> np.ndarray:
    """(K, J) sum of ``pull(day, rows)`` over the lives at risk in each bin of ``sets``: how likely the failed one is to be in it."""
    out = np.empty_like(sets.at_risk, dtype=float)
    for k, (day, stratum) in enumerate(zip(sets.day, sets.stratum, strict=True)):
        rows = np.flatnonzero((sets.row_stratum == stratum) & (sets.row_entry < day) & (sets.row_time >= day))
        out[k] = np.bincount(
            sets.row_bin[rows], weights=sets.row_count[rows] * pull(float(day), rows), minlength=len(sets.centre)
        )
    return out


def redraw(sets: RiskSets, pull: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Bins (draws, K) of the failed of ``sets``, drawn anew by ``rng`` with chances in proportion to ``pull`` (K, J)."""
    cumulative = np.cumsum(pull, axis=1)
    cumulative /= cumulative[:, -1:]
    out = np.empty((draws, sets.failures), dtype=np.int64)
    u = rng.random((draws, sets.failures))
    for k in range(sets.failures):
        out[:, k] = np.searchsorted(cumulative[k], u[:, k], side="right")
    return np.minimum(out, len(sets.centre) - 1)


def cut_z(sets: RiskSets, bins: np.ndarray) -> np.ndarray:
    """Log-rank z (B, C) of above against below each cut-point, positive where those above fail more; NaN where ``may`` is
    not. sets: of the lives; bins: (B, K) of the failed of B fleets. Equal to the log-rank test where no two failures of a stratum share a day."""
    share = np.cumsum(sets.at_risk, axis=1)[:, :-1]
    share = 1 - share / sets.at_risk.sum(1, keepdims=True)
    variance = (share * (1 - share)).sum(0)
    above = failures_above(sets, bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        z = (above - share.sum(0)) / np.sqrt(variance)
    return np.where(sets.may & (variance > 0), z, np.nan)


def failures_above(sets: RiskSets, bins: np.ndarray) -> np.ndarray:
    """How many of the failed, bins (B, K) of ``sets``, lie above each cut-point: (B, C)."""
    bins = np.atleast_2d(bins)
    size = len(sets.centre)
    tally = np.zeros((len(bins), size))
    for b, row in enumerate(bins):
        tally[b] = np.bincount(row, minlength=size)
    return bins.shape[1] - np.cumsum(tally, axis=1)[:, :-1]
