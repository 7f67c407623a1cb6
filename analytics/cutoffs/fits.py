"""One lifetime distribution for several parts of a component: common shape, power, weight and use effects, a factor of life per part.

Fitted by `models.joint` to miles with the unknown odometers integrated out. It is the life until a failure that is reported:
only those cost the shop a comeback, and only those are in the records of both parts alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes, one_row_a_truck
from analytics.models.distributions import survival_of
from analytics.models.joint import JointModel, Terms, fit_joint, joint_model
from analytics.models.lifedata import ANY_WEIGHT, NOTHING, LifeData, from_lifetimes, split_days
from analytics.models.newton import Optimum
from analytics.models.priors import Priors
from analytics.records.load import NOT_RECORDED
from analytics.records.measures import DAYS_A_YEAR

PART_PRIOR = (0.0, 1.5)  # log of a factor of life between parts: half of them within 2.7
OPEN = (0.0, 100.0)


@dataclass(frozen=True, slots=True, repr=False)
class PartsData:
    """Lives of several parts. data.extra: one column per part after the first, 1 on its rows. at: (n,) index into parts.
    Weights not on record are taken as the median of their use. power_hp (n,), of every row."""

    component: str
    parts: tuple[str, ...]
    data: LifeData
    at: np.ndarray

    def __repr__(self) -> str:
        return f"PartsData({self.component} {', '.join(self.parts)}: {self.data!r})"

    @property
    def power_hp(self) -> np.ndarray:
        return np.exp(self.data.log_power)

    def failures(self) -> tuple[float, ...]:
        """Failures of each part."""
        d = self.data
        return tuple(float(d.weight[d.failed & (self.at == k)].sum()) for k in range(len(self.parts)))

    def lives(self) -> tuple[float, ...]:
        """Units of each part, a unit with changed power counted once."""
        d = self.data
        own = [np.flatnonzero(self.at == k) for k in range(len(self.parts))]
        return tuple(float(d.weight[m[np.unique(d.unit[m], return_index=True)[1]]].sum()) for m in own)

    def take(self, mask: np.ndarray) -> PartsData:
        """The rows in ``mask`` (n,)."""
        return replace(self, data=self.data.take(mask), at=self.at[mask])


def with_usual_weight(own: pd.DataFrame, table: pd.DataFrame) -> pd.Series:
    """Weights of the rows ``own`` of the lifetimes, unknown ones at the median truck of their use in ``table``, else of all; where no
    weight at all is on record, that of lives without any: judged by power alone, as the ratings do."""
    if not (table["weight_lb"] > 0).any():
        return pd.Series(ANY_WEIGHT, index=own.index)
    known = table[table["weight_lb"] > 0].sort_values(["started_on", "weight_lb", "use"], kind="stable")
    weighed = one_row_a_truck(known)
    usual = weighed.groupby("use")["weight_lb"].median()
    return own["weight_lb"].fillna(own["use"].map(usual)).fillna(weighed["weight_lb"].median())


def no_such_part(table: pd.DataFrame, component: str, part: str) -> NoReturn:
    """Raises AnalyticsError where the ``table`` of lifetimes holds none of a ``part`` of a ``component``, with what it holds instead."""
    known = sorted(set(table.loc[table["component"] == component, "part"]) - {NOT_RECORDED, ""})
    if known:
        raise AnalyticsError(f"no lives of {component} {part}: of that component {', '.join(known)} are on record")
    others = ", ".join(sorted(table["component"].unique())) or "none"
    raise AnalyticsError(f"no lives of {component} {part}: components with a part on record are {others}")


def parts_data(lifetimes: Lifetimes, component: str, parts: Sequence[str]) -> PartsData:
    """Lives of the named parts of a component, the first being the one the others are measured by; lifetimes: of the shop. Raises AnalyticsError where one has none."""
    table = lifetimes.table
    own = table[(table["component"] == component) & table["part"].isin(parts)].copy()
    for part in parts:
        if not (own["part"] == part).any():
            no_such_part(table, component, part)
    own["weight_lb"] = with_usual_weight(own, table)
    names = tuple(f"part {p}" for p in parts[1:])
    for name, part in zip(names, parts[1:], strict=True):
        own[name] = (own["part"] == part).astype(float)
    own["_at"] = own["part"].map({p: k for k, p in enumerate(parts)}).astype(float)
    data, _ = from_lifetimes(own, component, None, lifetimes.as_of, extra=(*names, "_at"))
    at = data.extra[:, -1].astype(int)
    data = replace(data, extra=data.extra[:, :-1], extra_names=names)
    return PartsData(component, tuple(parts), data, at)


@dataclass(frozen=True, slots=True, repr=False)
class PartsFit:
    """The common lifetime distribution. slopes_p: p of the parts having slopes of their own (NaN: not tested)."""

    parts: PartsData
    model: JointModel
    top: Optimum
    slopes_p: float

    @property
    def theta(self) -> np.ndarray:
        return self.top.theta[0]

    def log_ratio(self, k: int = 1) -> float:
        """Log of the life of part k over that of the first."""
        at = self.model.columns.index(f"part {self.parts.parts[k]}")
        return float(self.theta[self.model.layout.gamma][at] / np.exp(self.theta[0]))

    @property
    def shape(self) -> float:
        return float(np.exp(self.theta[0]))

    @property
    def exponent(self) -> float:
        """Exponent of life in power, below 0."""
        return float(self.theta[self.model.layout.gamma][1] / np.exp(self.theta[0]))


def prepare(parts: PartsData, life_miles: float, priors: dict[str, tuple[float, float]] | None = None) -> JointModel:
    """The model of several parts. life_miles: a unit of scale; priors: (mean, sd) by column name, in place of the usual ones."""
    model = joint_model(parts.data, life_miles, "weibull", Priors(), Terms(decline=True, selection=True))
    chosen = {f"part {p}": PART_PRIOR for p in parts.parts[1:]} | (priors or {})
    named = zip(model.columns[2:], model.priors.others, strict=True)
    others = tuple(chosen.get(name, usual) for name, usual in named)
    return replace(model, priors=replace(model.priors, others=others))


def fit_parts(parts: PartsData, life_miles: float, test_slopes: bool = False) -> PartsFit:
    """Fit the lives of ``parts`` together (life_miles: a unit of scale); test_slopes: and test whether the second loses life with power as the first does. Raises NotEnoughData
    with fewer than 3 failures in all, or where the fit did not converge."""
    if parts.data.failures < 3:
        raise NotEnoughData(
            f"{parts.data.failures:g} of {' and '.join(parts.parts)} failed, where a fit needs at least 3"
        )
    model, top = fit_joint(prepare(parts, life_miles))
    if not top.converged[0]:
        raise NotEnoughData(f"the fit of {' and '.join(parts.parts)} did not converge")
    p = float("nan")
    if test_slopes and len(parts.parts) > 1 and min(parts.failures()[:2]) >= 3:
        p = _slopes_test(parts, model, top, life_miles)
    return PartsFit(parts, model, top, p)


def _slopes_test(parts: PartsData, model: JointModel, top: Optimum, life_miles: float) -> float:
    """Likelihood-ratio p of the second part having a power slope of its own."""
    from scipy.special import chdtrc

    d = parts.data
    own = (parts.at == 1) * (d.log_power - np.average(d.log_power[parts.at == 1]))
    wider = replace(
        parts, data=replace(d, extra=np.column_stack([d.extra, own]), extra_names=(*d.extra_names, "own slope"))
    )
    loose = prepare(wider, life_miles, {"own slope": OPEN})
    _, more = fit_joint(replace(loose, nodes=model.nodes))
    if not more.converged[0]:
        return float("nan")
    return float(chdtrc(1, 2 * max(float(more.value[0] - top.value[0]), 0.0)))


def bootstrap_fits(fit: PartsFit, draws: int, seed: int) -> list[PartsFit]:
    """As many as ``draws`` fits to the lives of ``fit`` under random weights by unit, drawn by ``seed`` (exponential, mean 1), so that no failure is ever lost altogether:
    Xu, Gotwalt, Hong, King and Meeker, Am. Stat. 74 (2020) 345-358. Those that did not converge are left out."""
    rng = np.random.default_rng(seed)
    d = fit.parts.data
    size = int(d.unit.max()) + 1
    out = []
    for _ in range(draws):
        pull = rng.exponential(size=size)
        weighted = replace(d, weight=d.weight * (pull * size / pull.sum())[d.unit])
        parts = replace(fit.parts, data=weighted)
        model = replace(prepare(parts, fit.model.life_miles), nodes=fit.model.nodes)
        model, top = fit_joint(model, fit.theta if model.layout.size == fit.model.layout.size else None)
        if top.converged[0]:
            out.append(PartsFit(parts, model, top, float("nan")))
    return out


def fails_within(
    fit: PartsFit, k: int, power_hp: np.ndarray, weight_lb: np.ndarray, use: Sequence[str], years: float
) -> np.ndarray:
    """Chance (n,) that part k of ``fit`` comes back within ``years`` of the build, over the miles a day its use drives.

    power_hp, weight_lb, use: (n,) of the trucks; a use not on record counts as the most common one. Raises NotEnoughData where no miles a day
    are fitted."""
    model, theta = fit.model, fit.theta
    lay, d = model.layout, model.data
    names = d.use_names
    common = int(np.argmax(np.bincount(d.use, d.weight)))
    codes = np.array([names.index(u) if u in names else common for u in use])
    extra = np.array([float(j + 1 == k) for j in range(len(fit.parts.parts) - 1)])
    power, weight = np.asarray(power_hp, float), np.asarray(weight_lb, float)
    eta = np.empty(len(power))
    gamma = theta[lay.gamma]
    # the covariates are linear in log power and log weight, use by use
    for c in np.unique(codes):
        m = codes == c
        zero = model.covariates(0.0, 0.0, int(c), extra)
        per_p = model.covariates(1.0, 0.0, int(c), extra) - zero
        per_w = model.covariates(0.0, 1.0, int(c), extra) - zero
        eta[m] = (
            gamma[0] + gamma[1:] @ zero + gamma[1:] @ per_p * np.log(power[m]) + gamma[1:] @ per_w * np.log(weight[m])
        )
    beta = np.exp(theta[0])
    at = lay.place("decline")
    later = np.exp(theta[at] if at is not None else lay.fixed_decline)
    before, after = split_days(np.zeros(1), np.array([years * DAYS_A_YEAR]), model.change_days)
    days = float(np.maximum(before + later * after, NOTHING)[0])
    if not lay.uses:
        raise NotEnoughData("no odometer is unknown and no miles a day are fitted: the chance by years cannot be told")
    s, weights = model.nodes
    mu = theta[lay.mu][codes if lay.uses > 1 else np.zeros(len(codes), int)]
    y = mu[:, None] + np.exp(theta[lay.tau]) * s + np.log(days / model.life_miles)
    return 1 - survival_of(beta * y - eta[:, None], model.distribution) @ weights
