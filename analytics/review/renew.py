"""Should a part be renewed as routine while the unit is open for another reason, and from how many miles on?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.models.distributions import log_survival
from analytics.reasons import Question, Renew, reason, reason_if
from analytics.review.answer import Answer, nothing
from analytics.review.guarantee import LEVEL, covariates_of, typical
from analytics.review.snapshot import PartSnapshot, Snapshot

#: miles on the part that are looked at; a part needs so many lives seen that far, and so many failures
MILES = np.arange(0.0, 150_001.0, 2_500.0)
_FEWEST_SEEN, _FEWEST_FAILURES = 10, 5
_COLUMNS = [
    "component", "part", "use", "power_band", "price", "failures", "new_fails", "used_at", "used_fails", "renew_from_miles", "lower",
    "upper", "seen_miles", "in_words",
]  # fmt: skip


def _failing_ahead(own: PartSnapshot, trucks: pd.DataFrame, ahead: float) -> tuple[np.ndarray, np.ndarray]:
    """Chances (draws, K) of failing within the next ``ahead`` miles, over ``trucks``: of a used part still good at each of MILES, and of a new
    one in its place. Both over the same trucks, each counted as often as its used part gets that far: hard trucks lose theirs early, so
    a new part in all trucks is no match for a used one in those that are left."""
    model, _ = own.fit.fitted()
    x, count = covariates_of(own, trucks)
    beta, eta = np.exp(own.theta[:, :1]), own.theta[:, model.layout.gamma] @ x.T

    def survive(miles: float) -> np.ndarray:
        if miles <= 0:
            return np.ones_like(eta)
        return np.exp(log_survival(beta * np.log(miles / model.life_miles) - eta, model.distribution)[0])

    fresh = 1 - survive(ahead)
    used, new = np.empty((2, len(own.theta), len(MILES)))
    for k, m in enumerate(MILES):
        alive = survive(m) * count
        left = np.maximum(alive.sum(1), 1e-300)
        used[:, k] = (alive - survive(m + ahead) * count).sum(1) / left
        new[:, k] = (fresh * alive).sum(1) / left
    return used, new


def pays_from(used: np.ndarray, new: np.ndarray, price_share: float) -> np.ndarray:
    """Least of MILES (draws,) from which the risk a used part adds to a new one's (draws, K each) is worth ``price_share`` of a
    comeback; inf where it never is."""
    worth = used - new >= price_share
    return np.where(worth.any(1), MILES[np.argmax(worth, axis=1)], np.inf)


def renew_at_rebuild(snapshot: Snapshot) -> Answer:
    """From how many miles a used part is worth renewing while the unit is open, per part of the ``snapshot`` with a
    price and failures enough."""
    shop = snapshot.lifetimes.shop
    comeback, prices, ahead = shop.cost_of("comeback"), shop.costs.get("parts", {}), shop.targets.miles
    question = reason(
        Question.RENEW,
        ahead_miles=ahead,
        comeback=comeback,
        currency=shop.currency,
        level=LEVEL,
        fewest_seen=_FEWEST_SEEN,
    )
    if not comeback or not isinstance(prices, dict) or not prices:
        return nothing(question, Renew.NO_PRICES, pd.DataFrame(columns=_COLUMNS))
    rows, thin = [], []
    for (component, part), own in snapshot.parts.items():
        if part not in prices:
            continue
        failures = own.lives.data.failures
        if own.fit.model is None or own.pooled or failures < _FEWEST_FAILURES:
            thin.append((component, part))
            continue
        rows += _rows(snapshot, own, float(prices[part]), comeback)
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    said = []
    for (component, part), told in frame.groupby(["component", "part"], sort=False):
        said.append(reason(Renew.PART, component=component, part=part, verdict=told["in_words"].iloc[0]))
        other = _otherwise(told)
        if len(other):
            told_of = ["use", "power_band", "renew_from_miles", "lower", "upper", "seen_miles"]
            kinds = [*other[told_of].itertuples(index=False, name=None)]
            said.append(reason(Renew.OTHERWISE, kinds=kinds))
    said += reason_if(Renew.TOO_FEW, thin, needed=_FEWEST_FAILURES, parts=thin)
    return Answer(question, tuple(said) or (reason(Renew.NONE),), frame)


def _otherwise(told: pd.DataFrame) -> pd.DataFrame:
    """The rows of the kinds of truck that ask for another answer than all of a part's together, which stand first in ``told``: as far as that kind itself has run."""
    whole, kinds = told["renew_from_miles"].iloc[0], told.iloc[1:]
    if pd.isna(whole):
        return kinds[kinds["renew_from_miles"].notna()]
    return kinds[kinds["renew_from_miles"].isna() & (kinds["seen_miles"] >= whole)]


def _rows(snapshot: Snapshot, own: PartSnapshot, price: float, comeback: float) -> list[dict[str, object]]:
    """The part over all its trucks, then over each use and power band with enough of them."""
    table = snapshot.table
    mine = (table["component"] == own.lives.component) & (table["part"] == own.lives.part) & (table["segment"] == 1)
    trucks = table[mine].assign(power_band=lambda t: t["power_band"].astype(str))
    lives = table.iloc[own.lives.rows]
    lead = {"component": own.lives.component, "part": own.lives.part}
    rows = [
        lead | {"use": "", "power_band": ""} | _row(snapshot, own, typical(trucks), _seen_miles(lives), price, comeback)
    ]
    kinds = [
        (key, group)
        for key, group in trucks.groupby(["use", "power_band"], sort=True)
        if group["count"].sum() >= _FEWEST_SEEN
    ]
    for (use, band), group in kinds if len(kinds) > 1 else ():
        # a strong truck that is driven little has shown nothing at the miles of the others
        seen = _seen_miles(lives[(lives["use"] == use) & (lives["power_band"].astype(str) == band)])
        rows.append(
            lead | {"use": use, "power_band": band} | _row(snapshot, own, typical(group), seen, price, comeback)
        )
    return rows


def _seen_miles(rows: pd.DataFrame) -> float:
    """Miles that _FEWEST_SEEN of the lives whose ``rows`` these are, several alike counted each, are known to have reached; 0 where they are fewer."""
    reached = rows.groupby(["unit", "component", "spell"])[["lower_miles", "count"]].agg(
        {"lower_miles": "max", "count": "first"}
    )
    known = reached.dropna().sort_values("lower_miles", ascending=False, kind="stable")
    enough = known["lower_miles"][known["count"].cumsum() >= _FEWEST_SEEN]
    return float(enough.iloc[0]) if len(enough) else 0.0


def _row(
    snapshot: Snapshot, own: PartSnapshot, trucks: pd.DataFrame, seen: float, price: float, comeback: float
) -> dict[str, object]:
    used_fails, new_fails = _failing_ahead(own, trucks, snapshot.lifetimes.shop.targets.miles)
    step = price / comeback
    middle = float(pays_from(used_fails.mean(0, keepdims=True), new_fails.mean(0, keepdims=True), step)[0])
    each = np.sort(pays_from(used_fails, new_fails, step))
    k = (1 - LEVEL) / 2 * len(each)
    low, high = float(each[int(np.floor(k))]), float(each[int(np.ceil(len(each) - k)) - 1])
    at = int(np.searchsorted(MILES, min(seen, MILES[-1]), side="right")) - 1
    if middle <= seen:
        limits = {"from_miles": middle, "lower": low, "upper": high, "seen_miles": seen}
        verdict = reason(Renew.FROM_MILES, adds=step, price=price, currency=snapshot.lifetimes.shop.currency, **limits)
    elif seen:
        used, new = float(used_fails[:, at].mean()), float(new_fails[:, at].mean())
        values = {"at_miles": float(MILES[at]), "fewest_seen": _FEWEST_SEEN, "used_fails": used, "new_fails": new}
        verdict = reason(
            Renew.LEAVE_IN, price=price, currency=snapshot.lifetimes.shop.currency, asks_for=step, lower=low, **values
        )
    else:
        verdict = reason(Renew.MILES_UNKNOWN)
    return {
        "price": price,
        "failures": int(own.lives.data.failures),
        "new_fails": float(new_fails[:, at].mean()),
        "used_at": float(MILES[at]),
        "used_fails": float(used_fails[:, at].mean()),
        "renew_from_miles": middle if middle <= seen else np.nan,
        "lower": low,
        "upper": high,
        "seen_miles": seen,
        "in_words": verdict,
    }
