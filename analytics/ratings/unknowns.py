"""Which unknown odometers, powers and weights to ask for first: those whose knowledge would tighten the rating most.

The rating's variance is g'I^-1 g, with I the information of the fit and g the gradient of log p*. Knowing one more thing of a
unit adds to I, to first order taking v'DI v off the variance, v = I^-1 g. For an unknown odometer the DI to expect is what
its being unknown costs: the variance of the complete-data score given what is known (Louis, J. Royal Statistical Society B 44
(1982) 226-233). For an unknown power or weight the unit is in no fit at all, so DI is its whole information, averaged over
the powers and weights it may have.
"""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import log_ndtr

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.distributions import log_survival, standard_quantile
from analytics.models.joint import JointModel
from analytics.models.lifedata import (
    NOTHING,
    LifeData,
    before_reading,
    build_rows,
    fill_failures,
    rated_weight,
    split_days,
)
from analytics.models.likelihood import log_likelihood
from analytics.models.newton import Optimum
from analytics.models.rows import Block, Points, Rows
from analytics.ratings.basis import part_lives
from analytics.ratings.options import Options
from analytics.ratings.pooling import options_of
from analytics.ratings.predict import fit_lives
from analytics.records.load import NOT_RECORDED


# ---- the likelihood of single rows ------------------------------------------------------------------------------------
def _row_terms(
    model: JointModel, data: LifeData, x: np.ndarray, theta: np.ndarray, order: int = 2
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log-likelihood (n,), gradient (n, p) and Hessian (n, p, p) of each row of ``data`` on its own, driving rates left out.

    x: (n, q) centred covariates with the intercept first. theta: (p,).
    """
    n, p = len(data.lower), model.layout.size
    value, grad, hess = np.zeros(n), np.zeros((n, p)), np.zeros((n, p, p))
    # weights carry the row numbers through the sorting by kind
    rows = build_rows(replace(data, weight=np.arange(1.0, n + 1)), x, model.life_miles, model.change_days, model.data)

    def turn(a: np.ndarray) -> np.ndarray:
        return np.swapaxes(a, 0, 1)

    def points(at: Points) -> Points:
        num, den = (None if q is None else (turn(q[0]), turn(q[1])) for q in (at.num, at.den))
        return Points(turn(at.y), None if at.use is None else turn(at.use), num, den)

    for block in rows.blocks:
        at = np.round(block.w[0]).astype(int) - 1
        m = len(at)
        own = Block(
            block.kind,
            turn(block.x),
            np.ones((m, 1)),
            points(block.at),
            None if block.other is None else points(block.other),
            None if block.before_read is None else turn(block.before_read),
        )
        fell = data.failed[at].astype(float) if "entry" not in block.kind else np.zeros(m)
        got = log_likelihood(
            np.repeat(theta[None], m, 0),
            Rows((own,), None, model.layout.columns, model.layout.uses, fell, np.zeros(m)),
            model.layout,
            model.distribution,
            model.nodes,
            order,
        )
        value[at] += got[0]
        if order:
            grad[at] += got[1]
            hess[at] += got[2]
    return value, grad, hess


def _rating_direction(
    model: JointModel, top: Optimum, reliability: float, weight_lb: float, use: int
) -> tuple[np.ndarray, float]:
    """v (p,) = I^-1 g and the variance g'I^-1 g of log p*, by the delta method: to rank by, not to publish."""
    theta, lay = top.theta[0], model.layout
    z = standard_quantile(reliability, model.distribution)
    gamma = theta[lay.gamma]
    x0 = model.covariates(model.centre[0], np.log(rated_weight(weight_lb)), use)
    gap = -(z + gamma[0] + x0 @ gamma[1:]) / gamma[1]
    g = np.zeros(lay.size)
    g[lay.gamma] = -np.concatenate([[1.0], x0]) / gamma[1]
    g[lay.gamma.start + 1] -= gap / gamma[1]
    v = np.linalg.solve(-top.hess[0], g)
    return v, float(g @ v)


def _odometer_gains(model: JointModel, top: Optimum, which: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Drop (n,) of the variance of log p* to expect from reading the odometers of the running rows ``which``: the variance,
    over the miles each may have (and over its having failed unreported), of the complete-data score along ``v``."""
    data, lay = model.data, model.layout
    theta0 = top.theta[0]
    eps = 1e-4 / np.abs(v).max()
    s, weight = model.nodes
    use = data.use[which] if lay.uses > 1 else np.zeros(len(which), int)
    before = before_reading(data)[which][:, None]
    log_rate = theta0[lay.mu][use][:, None] + np.exp(theta0[lay.tau]) * s

    def parts(theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """log of rate x survival x unread, and of rate x silent failure x unread: each (n, J)."""
        place = {k: lay.place(k) for k in ("decline", "level", "slope", "share")}
        later = np.exp(theta[place["decline"]] if place["decline"] is not None else lay.fixed_decline)
        share = 1 / (1 + np.exp(-theta[place["share"]])) if place["share"] is not None else lay.fixed_share
        tau = np.exp(theta[lay.tau])
        t = (log_rate - theta[lay.mu][use][:, None]) / tau
        drive = -0.5 * t * t - np.log(tau)
        eta = model.x[which] @ theta[lay.gamma]

        def log_s(length):
            before, after = split_days(data.days.start[which], length, model.change_days)
            y = log_rate + np.log(np.maximum(before + later * after, NOTHING) / model.life_miles)[:, None]
            return log_survival(np.exp(theta[0]) * y - eta[:, None], model.distribution)[0]

        alive = log_s(data.days.lower[which])
        base = np.where((data.days.entry[which] > 0)[:, None], log_s(np.maximum(data.days.entry[which], NOTHING)), 0.0)
        unread = np.zeros_like(t)
        if place["level"] is not None:
            c = theta[place["slope"]] if place["slope"] is not None else 0.0
            unread = log_ndtr(-(theta[place["level"]] + c * t))
        with np.errstate(divide="ignore"):
            silent = np.log(np.maximum(1 - share, 0.0)) + base + np.log(-np.expm1(np.minimum(alive - base, -1e-300)))
        return drive + alive + unread, drive + silent + np.log(before + (1 - before) * np.exp(unread))

    mid, up, down = parts(theta0), parts(theta0 + eps * v), parts(theta0 - eps * v)
    # nodes weigh the standard normal themselves: take their own density out again
    lead = np.log(np.maximum(weight, 1e-300)) + 0.5 * s * s + np.log(np.exp(theta0[lay.tau]))
    log_w = np.concatenate([m + lead for m in mid], 1)
    w = np.exp(log_w - log_w.max(1, keepdims=True))
    w /= w.sum(1, keepdims=True)
    with np.errstate(invalid="ignore"):
        score = np.concatenate([(a - b) / (2 * eps) for a, b in zip(up, down, strict=True)], 1)
    score = np.where(w > 0, np.nan_to_num(score, nan=0.0, posinf=0.0, neginf=0.0), 0.0)
    mean = (w * score).sum(1, keepdims=True)
    return (w * (score - mean) ** 2).sum(1)


def _column_gains(
    model: JointModel,
    top: Optimum,
    missing: LifeData,
    has_power: np.ndarray,
    has_weight: np.ndarray,
    v: np.ndarray,
    mix: int,
    seed: int,
) -> np.ndarray:
    """Drop (n,) to expect from learning the power or weight of the rows ``missing``, which are in no fit: their information
    along ``v``, averaged over ``mix`` vehicles of the part drawn at random, weighted by how well each fits what befell the row.

    Where has_power or has_weight, that of the row itself is kept.
    """
    rng = np.random.default_rng(seed)
    data, n = model.data, len(missing.lower)
    donors = rng.choice(len(data.lower), mix, p=data.weight / data.weight.sum())
    at, donor = np.repeat(np.arange(n), mix), np.tile(donors, n)
    missing, _ = fill_failures(missing)
    many = missing.take(at)
    many = replace(
        many,
        log_power=np.where(has_power[at], many.log_power, data.log_power[donor]),
        log_weight=np.where(has_weight[at], many.log_weight, data.log_weight[donor]),
    )
    x = np.column_stack(
        [
            np.ones(len(at)),
            *np.transpose(
                [
                    model.covariates(a, b, int(k))
                    for a, b, k in zip(many.log_power, many.log_weight, many.use, strict=True)
                ]
            ),
        ]
    )
    value, _, hess = _row_terms(model, many, x, top.theta[0])
    info = -np.einsum("i,nij,j->n", v, hess, v).reshape(n, mix)
    value = value.reshape(n, mix)
    w = np.exp(value - value.max(1, keepdims=True))
    return np.maximum((w * info).sum(1) / w.sum(1), 0.0)


# ---- what the owner gets ----------------------------------------------------------------------------------------------
#: vehicles of the part that stand for a row whose power or weight is unknown
MIX = 24
COLUMNS = ["serial", "ask", "component", "part", "days", "power_hp", "weight_lb", "use", "drop"]


def _by_unit(found: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """What is to be asked of each unit, the most telling first; one unit may have several stretches. found: rows of the ``table`` (at), what to
    ask, and the drop."""
    at = found["at"].to_numpy()
    for column in ("serial", "component", "part", "power_hp", "weight_lb", "use"):
        found[column] = table[column].to_numpy()[at]
    found["days"] = table["lower_days"].to_numpy(float)[at]
    how = {
        "component": "first",
        "part": "first",
        "days": "max",
        "power_hp": "last",
        "weight_lb": "last",
        "use": "last",
        "drop": "sum",
    }
    frame = found.groupby(["serial", "ask"], as_index=False, sort=True).agg(how)
    return frame.sort_values(["drop", "serial"], ascending=[False, True], kind="stable", ignore_index=True)[COLUMNS]


def unknowns_of_part(
    lifetimes: Lifetimes,
    component: str,
    part: str,
    weight_lb: float,
    options: Options | None = None,
    seed: int = 1,
) -> pd.DataFrame:
    """Rank what is unknown of a ``component``'s part by how much knowing it would tighten the rating at ``weight_lb``
    and the use with most failures: serial, ask ("odometer", "power", "weight" or several), component, part, days, power_hp, weight_lb, use, drop (share
    of the rating's variance that knowing is expected to take off); most telling first. Empty without a failure or a fit, since there is nothing to
    rank by. options: the shop's own for these ``lifetimes`` by default. seed: of the draws. Raises AnalyticsError where the part is not on record."""
    o, table = options_of(lifetimes, options), lifetimes.table
    lives = part_lives(lifetimes, component, part)
    data = lives.data
    code = int(np.argmax(np.bincount(data.use, data.weight * data.failed)))
    blind = np.flatnonzero(lives.watched & data.unknown & ~data.failed)
    fit = fit_lives(data, o.promise.life_miles, o.settings.of(component, part), 64, seed)
    if fit.model is None:
        return pd.DataFrame(columns=COLUMNS)
    model, top = fit.fitted()
    v, variance = _rating_direction(model, top, o.promise.reliability, weight_lb, code)
    own = ((table["component"] == component) & (table["part"] == part)).to_numpy()
    weightless = not (table.loc[own, "weight_lb"] > 0).any()
    bare = own & (table["power_hp"].isna() | (table["weight_lb"].isna() & (not weightless))).to_numpy()
    found = []
    blind = blind[~bare[lives.rows[blind]]]  # filled from others alike, they are asked for more than the odometer
    if len(blind):
        at = lives.rows[blind]
        found.append(
            pd.DataFrame({"at": at, "ask": "odometer", "drop": _odometer_gains(model, top, blind, v) / variance})
        )
    if bare.any():
        filled = table[bare].assign(
            power_hp=table.loc[bare, "power_hp"].fillna(float(np.exp(model.centre[0]))),
            weight_lb=table.loc[bare, "weight_lb"].fillna(rated_weight(weight_lb)),
        )
        others = None
        with suppress(AnalyticsError):
            others = part_lives(lifetimes, component, part, pd.concat([table[~own], filled]).sort_index())
        if others is not None and len(others.rows):
            positions = np.flatnonzero(bare | ~own)[others.rows]
            more = replace(others.data, use=_codes(others.data, data, code))
            has_power, has_weight = (table[c].notna().to_numpy()[positions] for c in ("power_hp", "weight_lb"))
            has_weight = has_weight | weightless
            gains = _column_gains(model, top, more, has_power, has_weight, v, MIX, seed) / variance
            blank = more.unknown & ~more.failed & others.watched
            ask = [
                " and ".join(w for w, m in (("power", not p), ("weight", not q), ("odometer", o)) if m)
                for p, q, o in zip(has_power, has_weight, blank, strict=True)
            ]
            found.append(pd.DataFrame({"at": positions, "ask": ask, "drop": gains}))
    return _by_unit(pd.concat(found, ignore_index=True), table) if found else pd.DataFrame(columns=COLUMNS)


def _codes(other: LifeData, data: LifeData, default: int) -> np.ndarray:
    """Use codes of ``other`` in the names of ``data``; a use the part's fit does not know is taken as ``default``."""
    back = np.array([data.use_names.index(u) if u in data.use_names else default for u in other.use_names], int)
    return back[other.use]


@dataclass(frozen=True, slots=True)
class AskFirst:
    """One list over ``parts`` parts. table: serial, ask, parts, drop (summed over parts), in_sample; most telling first.
    sample: serials drawn at random among running units without an odometer."""

    table: pd.DataFrame
    sample: tuple[str, ...]
    parts: int


def ask_first(
    lifetimes: Lifetimes,
    parts: Collection[tuple[str, str]] | None = None,
    min_failures: int = 3,
    options: Options | None = None,
    sample: int = 20,
    seed: int = 1,
) -> AskFirst:
    """One list over all ``parts`` of ``lifetimes``, each (component, part), since one call tells of every part in the
    truck, rated in the lightest class. options: as in `unknowns_of_part`. sample: how many are drawn. seed: of them and of the draws. Raises
    NotEnoughData where no part has ``min_failures``."""
    table = lifetimes.table
    chosen = options_of(lifetimes, options)
    weight = lifetimes.shop.weight.classes[0] if (table["weight_lb"] > 0).any() else np.inf
    named = table[~table["part"].isin([NOT_RECORDED, ""])]  # what has no name is not rated
    pairs = sorted(set(zip(named["component"], named["part"], strict=True))) if parts is None else sorted(parts)
    lists = []
    why: NotEnoughData | None = None
    for component, part in pairs:
        own = table[(table["component"] == component) & (table["part"] == part)]
        if own.loc[own["ended"] == "failed", "count"].sum() >= min_failures:
            try:
                lists.append(unknowns_of_part(lifetimes, component, part, weight, chosen, seed))
            except NotEnoughData as err:  # none of its lives can be rated by: the others have their say
                why = err
    lists = [f for f in lists if len(f)]
    if not lists:
        raise why or NotEnoughData(f"no part has {min_failures} failures and something unknown")
    frame = pd.concat(lists, ignore_index=True)
    frame = frame.groupby(["serial", "ask"], as_index=False, sort=True).agg(
        parts=("part", lambda p: ", ".join(p)), drop=("drop", "sum")
    )
    frame = frame.sort_values(["drop", "serial"], ascending=[False, True], kind="stable", ignore_index=True)
    units = lifetimes.units
    blind = np.sort(units.loc[(units["end"] == "in use") & units["miles"].isna(), "serial"].astype(str).to_numpy())
    drawn = (
        tuple(sorted(np.random.default_rng(seed).choice(blind, min(sample, len(blind)), replace=False)))
        if len(blind)
        else ()
    )
    frame["in_sample"] = frame["serial"].isin(drawn)
    return AskFirst(frame, drawn, len(lists))
