"""Failures that may have another cause than the part's strength: a condition on record breaks a rule.

They are marked beside what the shop wrote down; no cause is ever changed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.driveline.load import Loads
from analytics.lifetimes.failures import counts_as_failure
from analytics.records.limits import limit_for

RULES = ("converter pressure", "power", "clutch margin")


@dataclass(frozen=True, slots=True, repr=False)
class Suspects:
    """``broken``, ``unknown``: one row per row of the loads' table, a column per rule, bool: the rule was broken for sure;
    it cannot be told. ``table``: the failures that are suspects: serial, component, part, failed_on, finding, cause (as
    the shop wrote it), at (row of loads), and what broke a rule, NaN where it is kept: converter_psi, power_hp with published_hp,
    clutch_margin (at most). ``counts``: per part and rule, lives that failed and lives that did not: told, and broken. ``p_values``: per row
    of counts, of the rule being broken by those that failed no more often than by the others (Fisher's exact test, one-sided; NaN: not told).
    """

    broken: pd.DataFrame
    unknown: pd.DataFrame
    table: pd.DataFrame
    counts: pd.DataFrame
    p_values: np.ndarray

    def __repr__(self) -> str:
        return f"Suspects({len(self.table)} failures)"

    @property
    def any(self) -> np.ndarray:
        """(n,) bool: some rule was broken."""
        return self.broken.to_numpy().any(axis=1)


def find_suspects(loads: Loads) -> Suspects:
    """Hold every life against the rules: converter apply pressure above its limit (180 psi by default, common practice, no
    source), power above the limit published when the unit was built, clutch margin under 1 (by default) even at the high
    end of what is assumed. A rule about pressure speaks of converters, one about clutches of clutch packs and converters.
    """
    table, a, limits = loads.table, loads.assumptions, loads.records.limits
    kind = table["component"].map(loads.kinds).to_numpy()
    at = limit_for(limits, table.assign(day=table["begun_on"]))
    edge = np.full(len(table), np.nan)
    edge[at >= 0] = limits["power_limit_hp"].to_numpy()[at[at >= 0]]
    power = table["power_hp"].to_numpy()
    clutched = np.isin(kind, ("clutch pack", "converter"))
    pressure, low, high = (table[c].to_numpy() for c in ("pressure_margin", "clutch_margin_low", "clutch_margin_high"))
    broken = pd.DataFrame(
        {"converter pressure": pressure < 1, "power": power > edge, "clutch margin": high < a.clutch_margin_min}
    )
    told = {
        "converter pressure": np.isfinite(pressure),
        "power": np.isfinite(power) & np.isfinite(edge),
        "clutch margin": (high < a.clutch_margin_min) | (low >= a.clutch_margin_min),
    }
    asked = {"converter pressure": kind == "converter", "power": np.isfinite(edge), "clutch margin": clutched}
    unknown = pd.DataFrame({rule: asked[rule] & ~told[rule] for rule in RULES})
    failed = table["ended"].eq("failed").to_numpy()
    # a failure by install is taken off the part already
    mine = counts_as_failure(table) & broken.to_numpy().any(axis=1)
    psi = a.converter_pressure_max / pressure
    found = table.loc[mine, ["serial", "component", "part", "ended_on", "finding", "cause"]].rename(
        columns={"ended_on": "failed_on"}
    )
    for name, rule, value in (
        ("converter_psi", "converter pressure", psi),
        ("power_hp", "power", power),
        ("published_hp", "power", edge),
        ("clutch_margin", "clutch margin", high),
    ):
        found[name] = np.where(broken[rule], value, np.nan)[mine]
    found["at"] = table.index[mine]
    found = found.sort_values(["component", "part", "failed_on", "serial"], kind="stable").reset_index(drop=True)
    counts = _counts(table, broken, told, asked, failed)
    return Suspects(
        broken=broken,
        unknown=unknown,
        table=found,
        counts=counts,
        p_values=np.array([more_often(*row) for row in counts[_COMPARED].itertuples(index=False)]),
    )


_COMPARED = ["broken_failed", "told_failed", "broken_others", "told_others"]


def more_often(hit: int, of: int, others: int, of_others: int) -> float:
    """p of ``hit`` of ``of`` being no more often than ``others`` of ``of_others`` (Fisher's exact test, one-sided; NaN where one group is empty)."""
    from scipy.stats import fisher_exact

    if of == 0 or of_others == 0:
        return np.nan
    return float(fisher_exact([[hit, of - hit], [others, of_others - others]], alternative="greater").pvalue)


def _counts(table: pd.DataFrame, broken: pd.DataFrame, told: dict, asked: dict, failed: np.ndarray) -> pd.DataFrame:
    """Lives told and broken, of those that failed and those that did not: a rule broken as often by both explains nothing."""
    last = ~table.duplicated(["unit", "component", "spell", "part"], keep="last").to_numpy()
    count = table["count"].to_numpy()
    rows = []
    for (component, part), own in table.groupby(["component", "part"], sort=True):
        mine = np.zeros(len(table), bool)
        mine[table.index.get_indexer(own.index)] = True
        for rule in RULES:
            if not (asked[rule] & mine).any():
                continue
            numbers = []
            for group in (failed & mine, ~failed & mine & last):
                group = group & asked[rule]
                numbers += [int(count[group & m].sum()) for m in (np.ones(len(group), bool), told[rule], broken[rule])]
            rows.append([component, part, rule, *numbers])
    names = [f"{what}_{who}" for who in ("failed", "others") for what in ("lives", "told", "broken")]
    return pd.DataFrame(rows, columns=["component", "part", "rule", *names])
