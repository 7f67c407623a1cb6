"""Should a part be renewed as routine while the unit is open for another reason, and from how many miles on?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.models.distributions import log_survival
from analytics.reasons import Question, Renew, reason
from analytics.review.answer import Answer, nothing
from analytics.review.guarantee import LEVEL, covariates_of, typical
from analytics.review.snapshot import PartSnapshot, Snapshot

#: miles on the part that are looked at; a part needs so many lives seen that far, and so many failures
MILES = np.arange(0.0, 150_001.0, 2_500.0)
_FEWEST_SEEN, _FEWEST_FAILURES = 10, 5
_COLUMNS = (
    "component part price failures new_fails used_at used_fails renew_from_miles lower upper seen_miles in_words"
).split()


def failing_ahead(own: PartSnapshot, trucks: pd.DataFrame, ahead: float) -> np.ndarray:
    """Chance (draws, K) that a part still good at each of MILES fails within the next ``ahead`` miles, over ``trucks``, each
    counted as often as it gets that far."""
    model, _ = own.fit.fitted()
    x, count = covariates_of(own, trucks)
    beta, eta = np.exp(own.theta[:, :1]), own.theta[:, model.layout.gamma] @ x.T

    def log_s(miles: float) -> np.ndarray:
        if miles <= 0:
            return np.zeros_like(eta)
        return log_survival(beta * np.log(miles / model.life_miles) - eta, model.law)[0]

    out = np.empty((len(own.theta), len(MILES)))
    for k, m in enumerate(MILES):
        now, then = log_s(m), log_s(m + ahead)
        alive = np.exp(now) * count
        out[:, k] = ((np.exp(now) - np.exp(then)) * count).sum(1) / np.maximum(alive.sum(1), 1e-300)
    return out


def pays_from(chance: np.ndarray, price_share: float) -> np.ndarray:
    """Least of MILES (draws,) from which the risk a used part adds to a new one's is worth ``price_share`` of a comeback;
    inf where it never is."""
    worth = chance - chance[:, :1] >= price_share
    return np.where(worth.any(1), MILES[np.argmax(worth, axis=1)], np.inf)


def renew_at_rebuild(snapshot: Snapshot) -> Answer:
    """From how many miles a used part is worth renewing while the unit is open, per part with a price and failures enough."""
    shop = snapshot.lifetimes.shop
    comeback, prices, ahead = shop.cost_of("comeback"), shop.costs.get("parts", {}), shop.targets.miles
    question = reason(Question.RENEW, ahead_miles=ahead, comeback=comeback, level=LEVEL, fewest_seen=_FEWEST_SEEN)
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
        rows.append({"component": component, "part": part} | _row(snapshot, own, float(prices[part]), comeback))
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    said = [reason(Renew.PART, component=r.component, part=r.part, verdict=r.in_words) for r in frame.itertuples()]
    if thin:
        said.append(reason(Renew.TOO_FEW, needed=_FEWEST_FAILURES, parts=thin))
    return Answer(question, tuple(said) or (reason(Renew.NONE),), frame)


def _row(snapshot: Snapshot, own: PartSnapshot, price: float, comeback: float) -> dict[str, object]:
    table = snapshot.table
    mine = (table["component"] == own.lives.component) & (table["part"] == own.lives.part)
    trucks = typical(table[mine & (table["segment"] == 1)])
    chance = failing_ahead(own, trucks, snapshot.lifetimes.shop.targets.miles)
    known = np.sort(own.lives.data.lower[np.isfinite(own.lives.data.lower)])[::-1]
    seen = float(known[_FEWEST_SEEN - 1]) if len(known) >= _FEWEST_SEEN else 0.0
    middle = float(pays_from(chance.mean(0, keepdims=True), price / comeback)[0])
    each = np.sort(pays_from(chance, price / comeback))
    k = (1 - LEVEL) / 2 * len(each)
    low, high = float(each[int(np.floor(k))]), float(each[int(np.ceil(len(each) - k)) - 1])
    at = int(np.searchsorted(MILES, min(seen, MILES[-1]), side="right")) - 1
    used, new, step = float(chance[:, at].mean()), float(chance[:, 0].mean()), price / comeback
    if middle <= seen:
        limits = {"from_miles": middle, "lower": low, "upper": high, "seen_miles": seen}
        verdict = reason(Renew.FROM_MILES, adds=step, price=price, **limits)
    elif seen:
        values = {"at_miles": float(MILES[at]), "fewest_seen": _FEWEST_SEEN, "used_fails": used, "new_fails": new}
        verdict = reason(Renew.LEAVE_IN, price=price, asks_for=step, **values)
    else:
        verdict = reason(Renew.MILES_UNKNOWN)
    return {
        "price": price,
        "failures": int(own.lives.data.failures),
        "new_fails": new,
        "used_at": float(MILES[at]),
        "used_fails": used,
        "renew_from_miles": middle if middle <= seen else np.nan,
        "lower": low,
        "upper": high,
        "seen_miles": seen,
        "in_words": verdict,
    }
