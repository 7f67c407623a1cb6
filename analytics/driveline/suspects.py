"""Failures that may have another cause than the part's strength: a condition on record breaks a rule.

They are marked beside what the shop wrote down; no cause is ever changed. What was sold above the published limit is no other cause, and
stands apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.driveline.assumptions import Assumptions
from analytics.driveline.load import SHAFTS, Loads
from analytics.lifetimes.failures import counts_as_failure
from analytics.records.limits import limit_for


@dataclass(frozen=True, slots=True)
class Rule:
    """A figure of a life that must not be under (or over) a limit. kinds: of part it speaks of. always: asked of every such part, not only
    where the figure is known."""

    column: str
    limit: str
    over: bool
    kinds: tuple[str, ...]
    always: bool = False


#: each with what is not on record at its middle
RULES = {
    "converter pressure": Rule("pressure_margin", "", False, ("converter",), always=True),
    "clutch margin": Rule("clutch_margin", "clutch_margin_min", False, ("clutch pack", "converter"), always=True),
    "hub": Rule("hub_stress_ksi", "hub_stress_max", True, SHAFTS),
    "shift heat": Rule("shift_heat_jmm2", "shift_heat_max", True, ("clutch pack",)),
    "release passage": Rule("release_share", "release_share_min", False, ("converter",)),
    "grade": Rule("grade_margin", "grade_margin_min", False, ("converter",)),
}
#: a rule broken more often by the failures than chance would have it in this share of looks is told so
SAID_AT = 0.05


@dataclass(frozen=True, slots=True, repr=False)
class Suspects:
    """``broken``: one row per row of the loads' table, a column per rule, bool. ``table``: a row per failure and rule it broke: serial,
    component, part, failed_on, finding, cause (as the shop wrote it), at (row of loads), rule, value, limit. ``counts``: per part and rule,
    lives that failed and lives that did not: told, and broken. ``p_values``: per row of counts, of the rule being broken by those that failed
    no more often than by others of like power (see more_often; NaN: not told). ``over_limit``: per part, failures and other lives: with a
    published limit when built, and above it.
    """

    broken: pd.DataFrame
    table: pd.DataFrame
    counts: pd.DataFrame
    p_values: np.ndarray
    over_limit: pd.DataFrame

    def __repr__(self) -> str:
        return f"Suspects({self.failures} failures)"

    @property
    def any(self) -> np.ndarray:
        """(n,) bool: some rule was broken."""
        return self.broken.to_numpy().any(axis=1)

    @property
    def failures(self) -> int:
        """How many failures broke a rule."""
        return int(self.table["at"].nunique())

    @property
    def standing_out(self) -> int:
        """How many broke one that failures of the part break more often than chance would have it."""
        keys = ["component", "part", "rule"]
        said = self.counts.loc[np.nan_to_num(self.p_values, nan=1.0) < SAID_AT, keys]
        return int(self.table.merge(said, on=keys)["at"].nunique())


def find_suspects(loads: Loads) -> Suspects:
    """Hold every life of ``loads`` against RULES, and count those sold above the limit published when the unit was built."""
    table, a = loads.table, loads.assumptions
    kind = table["component"].map(loads.kinds).to_numpy()
    values = {rule: table[r.column].to_numpy(float) for rule, r in RULES.items()}
    limits = {rule: limit_of(rule, a) for rule in RULES}
    told = {rule: np.isfinite(value) & np.isin(kind, RULES[rule].kinds) for rule, value in values.items()}
    broken = {rule: told[rule] & breaks(RULES[rule], value, limits[rule]) for rule, value in values.items()}
    asked = {rule: np.isin(kind, r.kinds) if r.always else told[rule] for rule, r in RULES.items()}
    failed = counts_as_failure(table)
    names = ["serial", "component", "part", "ended_on", "finding", "cause"]
    found = []
    for rule in RULES:
        mine = failed & broken[rule]
        own = table.loc[mine, names].rename(columns={"ended_on": "failed_on"})
        found.append(own.assign(at=table.index[mine], rule=rule, value=values[rule][mine], limit=limits[rule]))
    by = ["component", "part", "failed_on", "serial"]
    counts, p_values = _counts(table, broken, told, asked)
    return Suspects(
        broken=pd.DataFrame(broken, index=table.index),
        table=pd.concat(found).sort_values(by, kind="stable").reset_index(drop=True),
        counts=counts,
        p_values=p_values,
        over_limit=_over_limit(loads),
    )


def limit_of(rule: str, a: Assumptions) -> float:
    """What the figure of a ``rule`` is held against, under the assumptions (``a``)."""
    return float(getattr(a.rules, RULES[rule].limit)) if RULES[rule].limit else 1.0


def breaks(rule: Rule, value: ArrayLike, limit: float) -> np.ndarray:
    """Whether figures break a ``rule``: value beyond its limit; never where it is NaN."""
    return np.greater(value, limit) if rule.over else np.less(value, limit)


def more_often(hit: np.ndarray, of: np.ndarray, others: np.ndarray, of_others: np.ndarray) -> float:
    """p of ``hit`` of ``of`` being no more often than ``others`` of ``of_others``, in each of some strata (k,), one-sided: the exact
    conditional test of a common odds ratio of 1 (Mantel and Haenszel's question; with one stratum Fisher's test). NaN where no stratum has both."""
    from scipy.stats import hypergeom

    strata = [s for s in zip(hit, of, others, of_others, strict=True) if s[1] and s[3]]
    if not strata:
        return np.nan
    masses = [hypergeom.pmf(np.arange(n + 1), n + m, h + o, n) for h, n, o, m in strata]
    return float(min(reduce(np.convolve, masses)[sum(s[0] for s in strata) :].sum(), 1.0))


#: lives are compared within parts of their power, since a strong truck breaks rules and parts alike: no more than so many of each, and no
#: thinner than so many failures
_STRATA, _THIN = 20, 3


def _counts(table: pd.DataFrame, broken: dict, told: dict, asked: dict) -> tuple[pd.DataFrame, np.ndarray]:
    """Lives told and broken, of those that failed and those that did not: a rule broken as often by both explains nothing."""
    last = ~table.duplicated(["unit", "component", "spell", "part"], keep="last").to_numpy()
    failed, count = counts_as_failure(table), table["count"].to_numpy(int)
    rows, p_values = [], []
    for (component, part), own in table.groupby(["component", "part"], sort=True):
        mine = np.zeros(len(table), bool)
        mine[table.index.get_indexer(own.index)] = True
        stratum = _by_power(table["power_hp"].to_numpy(float), mine & failed)
        for rule in RULES:
            if not (asked[rule] & mine).any():
                continue
            groups = [g & mine & asked[rule] for g in (failed, ~failed & last)]
            numbers = [int(count[g & m].sum()) for g in groups for m in (g, told[rule], broken[rule])]
            rows.append([component, part, rule, *numbers])
            cells = [
                np.array([int(count[g & m & (stratum == i)].sum()) for i in range(_STRATA)])
                for g in groups
                for m in (broken[rule], told[rule])
            ]
            p_values.append(more_often(*cells))
    names = [f"{what}_{who}" for who in ("failed", "others") for what in ("lives", "told", "broken")]
    return pd.DataFrame(rows, columns=["component", "part", "rule", *names]), np.array(p_values, float)


def _by_power(power_hp: np.ndarray, failures: np.ndarray) -> np.ndarray:
    """Which part of the power (n,) each life lies in: as many failures in each as can be."""
    known = power_hp[failures & np.isfinite(power_hp)]
    many = min(_STRATA, max(len(known) // _THIN, 1))
    edges = np.quantile(known, np.arange(1, many) / many) if len(known) else []
    return np.searchsorted(edges, np.nan_to_num(power_hp))


def _over_limit(loads: Loads) -> pd.DataFrame:
    """Per part: failures and other lives with a limit in force when the unit was built, and those above it."""
    table, limits = loads.table, loads.records.limits
    at = limit_for(limits, table.assign(day=table["begun_on"]))
    edge = np.full(len(table), np.nan)
    edge[at >= 0] = limits["power_limit_hp"].to_numpy()[at[at >= 0]]
    failed = counts_as_failure(table)
    last = ~table.duplicated(["unit", "component", "spell", "part"], keep="last").to_numpy()
    told, count = np.isfinite(edge) & table["power_hp"].notna().to_numpy(), table["count"].to_numpy(int)
    over = told & (table["power_hp"].to_numpy(float) > edge)
    names = ("failed", "failed_over", "others", "others_over")
    groups = (told & failed, over & failed, told & ~failed & last, over & ~failed & last)
    out = table[["component", "part"]].assign(**{n: g * count for n, g in zip(names, groups, strict=True)})
    summed = out.groupby(["component", "part"], as_index=False)[list(names)].sum()
    return summed[summed[["failed_over", "others_over"]].sum(axis=1) > 0].reset_index(drop=True)
