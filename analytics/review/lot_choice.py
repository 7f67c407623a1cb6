"""A bad lot in money: call every truck in and renew the part now, open a few first, or wait.

Each truck that still runs with the lot comes back with the chance its fit gives it, its hazard times the lot's own rate; one called in runs on
with a new part of the usual rate. A second failure of the same truck is counted for neither. Opening a few is reckoned at its best: as if
what they show told the lot's rate (Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961: the value of perfect information; from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.cutoffs.cost import YEARS
from analytics.models.lifedata import NOTHING, LifeData
from analytics.reasons import Alarms, LotChoice, Reason, reason
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.expected import LEVEL
from analytics.review.snapshot import DRAWS, SEED, Snapshot, chance_of, from_entry, past_of
from analytics.review.watch import ratios_drawn, shrink

#: trucks opened first
OPENED = 3
#: drawn outcomes for each draw of what the records leave open
_EACH = 40


@dataclass(frozen=True, slots=True, repr=False)
class LotMoney:
    """A lot weighed by money over the ``years`` ahead. times: its rate over the usual one, fails: trucks of the ``running`` that come back if left
    alone, renewed_fails: if all are renewed now, even: what renewing one truck may cost for calling all to pay, part and work; each (expected,
    lower, upper). swap: what renewing one costs (NaN: shop.toml does not say). options: a row per LotChoice with its cost: choice, expected,
    lower, upper; empty without ``swap``. cheapest: by what is expected; calls: share of the rates the lot may have at which calling all is cheaper
    than waiting."""

    lot: str
    running: int
    years: float
    times: tuple[float, float, float]
    fails: tuple[float, float, float]
    renewed_fails: tuple[float, float, float]
    even: tuple[float, float, float]
    swap: float
    options: pd.DataFrame
    cheapest: LotChoice | None
    calls: float

    def __repr__(self) -> str:
        return f"LotMoney({self.lot}: {self.running} running, {self.cheapest})"


def lot_money(snapshot: Snapshot, component: str, lot: str, rates: dict[str, pd.DataFrame]) -> LotMoney | None:
    """The ``lot`` of a ``component`` weighed by money on the day of the ``snapshot``; None where none runs with it or shop.toml does not say what a
    comeback costs. rates: by part, the lots of it with came and expected (review.alarms.lot_counts)."""
    shop = snapshot.lifetimes.shop
    comeback = shop.cost_of("comeback")
    found = [*_running(snapshot, component, lot, rates)]
    if not comeback or not found:
        return None
    ahead, fresh, times, told, count, prices = (np.concatenate(own, axis=-1) for own in zip(*found, strict=True))
    call_in, running = shop.cost_of("call_in"), int(count.sum())
    swap = float(count @ prices) / running + (np.nan if call_in is None else call_in)
    # the draws of all its parts rise together, and so do their limits
    mean, lower, upper = map(float, told @ count / running)
    fails = _at_rate(ahead, times)
    expected, renewed_all = float(_left_alone(ahead, times, count).mean()), float(fresh.mean(0) @ count)
    each = comeback * (fails - fresh) @ count / running
    options, cheapest, calls = _options(ahead, fresh, times, count, swap, comeback)
    return LotMoney(
        lot=lot,
        running=running,
        years=shop.cost_of("years") or YEARS,
        times=(mean, lower, upper),
        fails=_spread(_drawn(fails, count), expected),
        renewed_fails=_spread(_drawn(fresh, count), renewed_all),
        even=_spread(each, comeback * (expected - renewed_all) / running),
        swap=swap,
        options=options,
        cheapest=cheapest,
        calls=calls,
    )


def _running(snapshot: Snapshot, component: str, lot: str, rates: dict[str, pd.DataFrame]) -> Iterator[tuple]:
    """Per part of the lot its running lives: chances (DRAWS, m) of failing in the years ahead at the usual rate, and of a new one in the same
    trucks, the lot's rate over the usual one (DRAWS, m), the same as it is told of the lots (3, m), trucks (m,), and price of the part (m,)."""
    shop = snapshot.lifetimes.shop
    days = DAYS_A_YEAR * (shop.cost_of("years") or YEARS)
    prices: Any = shop.costs.get("parts", {})
    for part, lots in rates.items():
        own = snapshot.parts.get((component, part))
        if own is None or lot not in set(lots["lot"]):
            continue
        data, table = own.lives.data, snapshot.table.iloc[own.lives.rows]
        mine = own.lives.watched & ~data.failed & ~data.known_alive & (table["lot"] == lot).to_numpy()
        which = np.flatnonzero(mine)
        past = past_of(snapshot, component, part)
        at = lots["lot"].tolist().index(lot)
        times = ratios_drawn(lots["came"].to_numpy(), lots["expected"].to_numpy(), at, DRAWS)
        times = np.random.default_rng([SEED, 6]).permutation(times)
        told = np.array(shrink(lots["came"].to_numpy(), lots["expected"].to_numpy())[:3])[:, [at]]
        yield (
            chance_of(own, past, data, which, days),
            chance_of(own, past, renewed(data), which, days),
            np.repeat(times[:, None], len(which), axis=1),
            np.repeat(told, len(which), axis=1),
            table["count"].to_numpy(float)[which],
            np.full(len(which), float(prices.get(part, np.nan))),
        )


def renewed(data: LifeData) -> LifeData:
    """The lives of ``data`` with a new part put in on the day they were last known good, in the same trucks."""
    begun, _ = from_entry(data)
    days = data.days
    none = np.zeros(len(days.lower))
    start = days.start + np.nan_to_num(days.lower)
    return replace(begun, days=replace(begun.days, start=start, entry=none, lower=none + NOTHING))


def _at_rate(chance: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """The ``chance`` of lives whose hazard is ``rate`` times as high; alike in shape."""
    return -np.expm1(rate * np.log1p(-np.minimum(chance, 1 - 1e-12)))


def _left_alone(ahead: np.ndarray, times: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Comebacks expected if nothing is done, at each rate the lot may have (DRAWS,), over all that the fit leaves open."""
    return np.array([_at_rate(ahead, rate).mean(0) @ count for rate in times])


def _spread(drawn: np.ndarray, expected: float | None = None) -> tuple[float, float, float]:
    """Mean (or what is ``expected``) and limits at LEVEL of what is ``drawn``."""
    tail = (1 - LEVEL) / 2
    lower, upper = np.quantile(drawn, [tail, 1 - tail], method="inverted_cdf")
    return float(drawn.mean()) if expected is None else expected, float(lower), float(upper)


def _drawn(chance: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Numbers of trucks (_EACH, DRAWS) that fail, of lives of ``count`` trucks with a ``chance`` (DRAWS, m) each."""
    rng = np.random.default_rng([SEED, 7])
    return rng.binomial(count.astype(int), chance, size=(_EACH, *chance.shape)).sum(2)


def _options(
    ahead: np.ndarray, fresh: np.ndarray, times: np.ndarray, count: np.ndarray, swap: float, comeback: float
) -> tuple[pd.DataFrame, LotChoice | None, float]:
    """Cost of each choice, the cheapest, and the share of rates the lot may have at which calling all is cheaper than waiting (see LotMoney)."""
    columns = ["choice", "expected", "lower", "upper"]
    if np.isnan(swap):
        return pd.DataFrame(columns=columns), None, np.nan
    n = count.sum()
    wait = comeback * _left_alone(ahead, times, count)
    call = np.full(len(times), n * swap + comeback * float(fresh.mean(0) @ count))
    first = min(OPENED / n, 1.0)

    def opened(wait: np.ndarray, call: np.ndarray) -> np.ndarray:
        return first * call + (1 - first) * np.where(calls, call, wait)

    calls = call < wait
    came = comeback * _drawn(_at_rate(ahead, times), count), n * swap + comeback * _drawn(fresh, count)
    costs = {LotChoice.WAIT: (wait, came[0]), LotChoice.CALL: (call, came[1])}
    if first < 1:
        costs[LotChoice.OPEN] = opened(wait, call), opened(*came)
    rows = [[choice, *_spread(drawn, float(cost.mean()))] for choice, (cost, drawn) in costs.items()]
    table = pd.DataFrame(rows, columns=columns)
    return table, table["choice"][table["expected"].idxmin()], float(calls.mean())


def lot_reasons(found: LotMoney, currency: str) -> list[Reason]:
    """What was ``found``: what comes back if nothing is done, and what each choice costs, or what calling one in may cost where the shop does not
    say what it does. currency: its sign."""
    ahead = {"lot": found.lot, "running": found.running, "years": found.years, "times": found.times}
    said = [reason(Alarms.LOT_FAILS, fails=found.fails, renewed_fails=found.renewed_fails, **ahead)]
    if found.cheapest is None:
        return [*said, reason(Alarms.LOT_PAYS_BELOW, even=found.even, currency=currency)]
    options = {row.choice: (row.expected, row.lower, row.upper) for row in found.options.itertuples()}
    values = {"options": options, "cheapest": found.cheapest, "calls": found.calls, "first": OPENED}
    return [*said, reason(Alarms.LOT_IN_MONEY, swap=found.swap, even=found.even, currency=currency, **values)]
