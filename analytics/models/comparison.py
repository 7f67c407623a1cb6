"""Do groups differ in life? The log-rank test, stratified or not, with late entry and counts.

Sources: Mantel, Cancer Chemother. Rep. 50 (1966) 163-170; Peto and Peto, J. R. Stat. Soc. A 135 (1972)
185-207.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from analytics.errors import NotEnoughData
from analytics.models.nonparametric import (
    Floats,
    Ints,
    cell_codes,
    check_column,
    check_count,
    check_entry,
    check_failed,
    units_at_risk,
)
from analytics.reasons import Assumption, Reason, reason


@dataclass(frozen=True, slots=True)
class LogRank:
    """A log-rank test. groups, units, observed and expected have one entry per group compared, in the same
    order.

    strata: how many strata carried information; notes: what weakens the p-value.
    """

    statistic: float
    df: int
    p_value: float
    groups: tuple[Hashable, ...]
    units: tuple[int, ...]
    observed: tuple[int, ...]
    expected: tuple[float, ...]
    strata: int
    notes: tuple[Reason, ...]


def _stratum(
    time: Floats, failed: NDArray[np.bool_], entry: Floats, count: Ints, group: Ints, groups: int
) -> tuple[Ints, Floats, Floats, Ints]:
    """Observed, expected (groups,), covariance (groups, groups) and exposure (groups,) of one stratum."""
    times = np.unique(time[failed])
    n = np.zeros((groups, len(times)))
    d = np.zeros((groups, len(times)))
    for g in range(groups):
        own = group == g
        n[g] = units_at_risk(times, time[own], entry[own], count[own])
        own &= failed
        d[g] = np.bincount(np.searchsorted(times, time[own]), weights=count[own], minlength=len(times))
    total, deaths = n.sum(axis=0), d.sum(axis=0)
    share = n / total
    # A lone unit at risk compares nothing and has no variance.
    factor = np.where(total > 1, deaths * (total - deaths) / np.maximum(total - 1, 1), 0.0)
    covariance = np.diag((factor * share).sum(axis=1)) - (factor * share) @ share.T
    return (d.sum(axis=1).astype(np.int64), (deaths * share).sum(axis=1), covariance, n.sum(axis=1).astype(np.int64))


def _collect(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    entry: ArrayLike | None,
    count: ArrayLike | None,
    strata: ArrayLike | None,
) -> tuple[list[Hashable], Ints, Ints, Floats, Floats, int]:
    times = check_column("time", time)
    fails = check_failed(failed, len(times))
    entries = check_entry(entry, times, fails)
    counts = check_count(count, len(times))
    groups, labels = cell_codes(group, len(times))
    stratum, _ = cell_codes(strata, len(times)) if strata is not None else (np.zeros(len(times), dtype=np.int64), [0])
    keep = (counts > 0) & ((entries < times) | (entries == 0))
    times, fails, entries, counts, groups, stratum = (a[keep] for a in (times, fails, entries, counts, groups, stratum))
    if not fails.any():
        raise NotEnoughData("no unit failed: there is nothing to compare the groups by.")
    k = len(labels)
    observed, exposed = np.zeros(k, dtype=np.int64), np.zeros(k, dtype=np.int64)
    expected, covariance, used = np.zeros(k), np.zeros((k, k)), 0
    for s in np.unique(stratum):
        own = stratum == s
        if not fails[own].any():
            continue
        o, e, v, n = _stratum(times[own], fails[own], entries[own], counts[own], groups[own], k)
        observed, expected, covariance, exposed = observed + o, expected + e, covariance + v, exposed + n
        used += bool(v.any())
    seen = exposed > 0
    if seen.sum() < 2:
        only = f" (only {labels[int(np.flatnonzero(seen)[0])]!r})" if seen.any() else ""
        raise NotEnoughData(
            f"fewer than two groups had units at risk when a unit failed{only}: there is nothing to compare."
        )
    if not used:
        raise NotEnoughData(
            "no two groups were ever at risk at the same time when a unit failed: they cannot be compared."
        )
    units = np.bincount(groups, weights=counts, minlength=k).astype(np.int64)
    kept = [labels[i] for i in np.flatnonzero(seen)]
    return kept, units[seen], observed[seen], expected[seen], covariance[np.ix_(seen, seen)], used


def _notes(labels: list[Hashable], expected: Floats) -> tuple[Reason, ...]:
    thin = {label: float(e) for label, e in zip(labels, expected, strict=True) if e < 5}
    return (reason(Assumption.FEW_EXPECTED, expected=thin),) if thin else ()


def log_rank(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    strata: ArrayLike | None = None,
) -> LogRank:
    """Log-rank test that all groups fail alike, within strata if given; all arguments of shape (n,).

    time, failed, entry and count as for `kaplan_meier`; group, strata: one label per row. The variance is
    hypergeometric, ties included. A group never at risk when a unit failed is left out.
    Raises NotEnoughData where nothing failed or fewer than two groups can be compared.
    """
    labels, units, observed, expected, covariance, used = _collect(time, failed, group, entry, count, strata)
    # Groups that never meet make blocks, so the rank, not the number of groups, gives the degrees of freedom.
    values, vectors = np.linalg.eigh(covariance)
    good = values > values[-1] * 1e-10
    gap = vectors[:, good].T @ (observed - expected)
    statistic, df = float((gap**2 / values[good]).sum()), int(good.sum())
    return LogRank(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)),
        groups=tuple(labels),
        units=tuple(units.tolist()),
        observed=tuple(observed.tolist()),
        expected=tuple(expected.tolist()),
        strata=used,
        notes=_notes(labels, expected),
    )
