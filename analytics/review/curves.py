"""The curves of a quarter that pictures show: share not come back by cell, share come back by finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import Clock, curve, observed
from analytics.models.competing import CumulativeIncidence, cumulative_incidence
from analytics.models.nonparametric import SurvivalCurve
from analytics.records.load import NOT_RECORDED
from analytics.records.own_units import band_named

_MOST_PARTS = 6
#: a curve that ends above this is flat to the eye, and said as 100%
FLAT = 0.995


@dataclass(frozen=True, slots=True)
class Curves:
    """Kaplan-Meier curves of one component on one clock.

    cells: (panel, line) in order; drawn: those of them that ever have ``least`` at risk. left_out, left_out_failed: lives of unknown
    age on the clock.
    """

    component: str
    clock: Clock
    least: int
    cells: tuple[tuple[str, str], ...]
    drawn: dict[tuple[str, str], SurvivalCurve]
    left_out: int
    left_out_failed: int

    @property
    def falls(self) -> bool:
        """Whether any curve leaves 100% where it is drawn, as far as a reader can tell."""
        return any(self.end(line) < FLAT for line in self.drawn.values())

    def end(self, line: SurvivalCurve) -> float:
        """The share at the end of what is drawn of a ``line``."""
        return float(line.survival_at(line.reliable_until(self.least)).survival[0])


@dataclass(frozen=True, slots=True)
class FindingShares:
    """Cumulative incidence of each finding of one component on days; to be read up to ``end``."""

    shares: CumulativeIncidence
    end: float


def curves_of(
    component: str, table: pd.DataFrame, cells: Mapping[tuple[str, str], pd.DataFrame], clock: Clock, least: int
) -> Curves:
    """Curves on a ``clock`` of the component's lives in each of ``cells`` (panel, line). table: all lives behind them.
    least: how many must be at risk together."""
    drawn = {}
    for key, own in cells.items():
        try:
            line = curve(own, clock)
            if line.reliable_until(least) > 0:
                drawn[key] = line
        except NotEnoughData:
            continue
    seen = observed(table, clock) if drawn else None
    left_out = (0, 0) if seen is None else (seen.left_out, seen.left_out_failed)
    return Curves(component, clock, least, tuple(cells), drawn, *left_out)


def _component_curves(lifetimes: Lifetimes, component: str, clock: Clock) -> Curves | None:
    """A panel per weight class, a line per power band; where these are not on record one panel, a line per part. None where no curve
    can be drawn, or all are flat."""
    shop = lifetimes.shop
    table = lifetimes.table[lifetimes.table["component"] == component]
    known = table[(table["power_band"] != NOT_RECORDED) & (table["weight_class"] != NOT_RECORDED)]
    cells = {
        (f"{c} {shop.units.weight}", band_named(b, shop.units.power)): known[
            (known["weight_class"] == c) & (known["power_band"] == b)
        ]
        for c in shop.class_labels()
        for b in shop.band_labels()
    }
    found = curves_of(component, known, cells, clock, shop.checks.at_risk_to_show)
    if not found.drawn:
        parts = [p for p in table["part"].unique() if p != NOT_RECORDED][:_MOST_PARTS]
        cells = {("all trucks", part): table[table["part"] == part] for part in sorted(parts)}
        found = curves_of(component, table, cells, clock, shop.checks.at_risk_to_show)
    return found if found.drawn and found.falls else None


def _finding_shares(lifetimes: Lifetimes, component: str) -> FindingShares | None:
    """Share come back for each finding, the others competing; None with fewer than two findings, or too few followed."""
    table = lifetimes.table[lifetimes.table["component"] == component]
    finding = table["finding"].replace("", "not stated").where(counts_as_failure(table), "")
    if finding[finding != ""].nunique() < 2:
        return None
    seen = observed(table, "days")
    shares = cumulative_incidence(seen.time, finding.loc[seen.rows].to_numpy(), seen.entry, seen.count)
    try:
        end = curve(table, "days").reliable_until(lifetimes.shop.checks.at_risk_to_show)
    except NotEnoughData:
        return None
    return FindingShares(shares, end)


@dataclass(frozen=True, slots=True)
class Lines:
    """What the pictures of a quarter show: curves by component and clock, shares by component, where there are any."""

    survival: dict[tuple[str, Clock], Curves]
    findings: dict[str, FindingShares]


def lines_of(lifetimes: Lifetimes, components: Mapping[str, object], clocks: tuple[Clock, ...]) -> Lines:
    """The lines of these ``components`` on these ``clocks``, from ``lifetimes``."""
    survival = {(c, clock): _component_curves(lifetimes, c, clock) for c in components for clock in clocks}
    findings = {c: _finding_shares(lifetimes, c) for c in components}
    return Lines(
        {key: found for key, found in survival.items() if found is not None},
        {key: found for key, found in findings.items() if found is not None},
    )
