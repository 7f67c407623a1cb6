"""Should a part be renewed as routine while the unit is open for another reason, and from how many miles on?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.models.distributions import log_survival
from analytics.review.answer import Answer, listed, numbered, percent
from analytics.review.guarantee import LEVEL, covariates_of, typical
from analytics.review.stands import PartStand, Stand

#: miles on the part that are looked at; a part needs so many lives seen that far, and so many failures
MILES = np.arange(0.0, 150_001.0, 2_500.0)
_FEWEST_SEEN, _FEWEST_FAILURES = 10, 5
_COLUMNS = ["component", "part", "price", "failures", "new_fails", "used_at", "used_fails", "renew_from_miles", "lower", "upper", "seen_miles",
            "in_words"]  # fmt: skip


def failing_ahead(own: PartStand, trucks: pd.DataFrame, ahead: float) -> np.ndarray:
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


def renew_at_rebuild(stand: Stand) -> Answer:
    """From how many miles a used part is worth renewing while the unit is open, per part with a price and failures enough."""
    question = "Should a part be renewed as routine at a rebuild, and at how many miles?"
    shop = stand.lifetimes.shop
    comeback, prices, ahead = shop.cost_of("comeback"), shop.costs.get("parts", {}), shop.target_miles
    empty = pd.DataFrame(columns=_COLUMNS)
    if not comeback or not isinstance(prices, dict) or not prices:
        return Answer(
            question,
            (
                "It takes what a comeback costs and what each part costs: write them in shop.toml ([costs] comeback, [costs.parts]).",
            ),
            empty,
        )
    rows, thin = [], []
    for (component, part), own in stand.parts.items():
        if part not in prices:
            continue
        failures = own.lives.data.failures
        if own.fit.model is None or own.borrowed or failures < _FEWEST_FAILURES:
            thin.append(f"{component} {part}")
            continue
        rows.append(_row(stand, component, part, own, float(prices[part]), comeback, ahead))
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    lines = [f"{r.component.capitalize()} {r.part}: {r.in_words}." for r in frame.itertuples()]
    if thin:
        lines.append(f"Too few failures to tell (fewer than {_FEWEST_FAILURES}): {listed(thin, 12)}.")
    return Answer(
        question,
        tuple(lines) or ("No part with a price has failed often enough to tell.",),
        frame,
        f"The unit is open anyway, so a new part costs its price. It pays from the miles at which the chance that the used one fails in the next {ahead:,.0f} "
        f"miles exceeds a new one's by more than price over comeback ({comeback:,.0f}). From the part's fit over its own trucks, each counted as often as it "
        f"gets that far; limits {percent(LEVEL)}. Read no further than {_FEWEST_SEEN} parts have run.",
    )


def _row(stand: Stand, component: str, part: str, own: PartStand, price: float, comeback: float, ahead: float) -> list:
    table = stand.table
    trucks = table[(table["component"] == component) & (table["part"] == part) & (table["segment"] == 1)]
    trucks = typical(trucks)
    chance = failing_ahead(own, trucks, ahead)
    known = np.sort(own.lives.data.lower[np.isfinite(own.lives.data.lower)])[::-1]
    seen = float(known[_FEWEST_SEEN - 1]) if len(known) >= _FEWEST_SEEN else 0.0
    middle = float(pays_from(chance.mean(0, keepdims=True), price / comeback)[0])
    each = np.sort(pays_from(chance, price / comeback))
    k = (1 - LEVEL) / 2 * len(each)
    low, high = float(each[int(np.floor(k))]), float(each[int(np.ceil(len(each) - k)) - 1])
    at = int(np.searchsorted(MILES, min(seen, MILES[-1]), side="right")) - 1
    used, new = float(chance[:, at].mean()), float(chance[:, 0].mean())
    step = percent(price / comeback)
    if middle <= seen:
        upper = f"{high:,.0f}" if high <= seen else f"more than the {seen:,.0f} seen"
        words = f"renew from about {middle:,.0f} miles ({low:,.0f} to {upper}): there the used one is {step} likelier to fail than a new one, which is what its price of {price:,.0f} is worth"
    else:
        gap = f"adds {percent(max(used - new, 0))} to a new one's {percent(new)}"
        words = (
            f"leave it in: even at {MILES[at]:,.0f} miles, as far as {_FEWEST_SEEN} of them have run, a used one {gap}; its price of {numbered(price, 3)} asks for {step}"
            if seen
            else "not told: too few have known miles"
        )
    return [
        component,
        part,
        price,
        int(own.lives.data.failures),
        new,
        float(MILES[at]),
        used,
        middle if middle <= seen else np.nan,
        low,
        high,
        seen,
        words,
    ]
