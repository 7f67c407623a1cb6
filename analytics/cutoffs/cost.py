"""Where should the tier end for money: the cut at which the comebacks saved pay the dearer part.

A truck of power p that gets the cheaper part costs its price and, with the chance that it comes back within the years counted,
a comeback; with the dearer part likewise. Summed over the trucks the shop really builds, the cut is put where the sum is
least. Its interval comes from refits under random weights by unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, StrEnum, auto

import numpy as np
import pandas as pd

from analytics.cutoffs.fits import PartsFit, bootstrap_fits, fails_within, fit_parts, parts_data
from analytics.errors import NotEnoughData, RecordsError
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.whatif import build_mix
from analytics.reasons import brief
from analytics.records.shop import Shop

NAN = float("nan")
YEARS = 5.0


@dataclass(frozen=True, slots=True)
class Costs:
    """Money in the shop's currency. comeback: one return, all in. prices: by part, in the order asked for. years: comebacks within so many
    years of the build are counted. currency: its sign."""

    comeback: float
    prices: dict[str, float]
    years: float
    currency: str = "$"


def costs_of(shop: Shop, parts: Sequence[str]) -> Costs:
    """The stated costs of the shop and the prices of ``parts``, checked. Raises RecordsError that says which line of shop.toml is missing or not understood."""

    def amount(value: object, where: str, least: float = 0.0) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value) or value < least:
            raise RecordsError(f"shop.toml {where} = {value!r}: expected a number of {least:g} or more.")
        return float(value)

    stated = shop.costs
    if "comeback" not in stated:
        raise RecordsError(
            "shop.toml [costs] does not say what a comeback costs: add a line such as\n[costs]\ncomeback = 4000  # one return, all in"
        )
    prices = stated.get("parts", {})
    if not isinstance(prices, dict):
        raise RecordsError('shop.toml [costs] parts: expected a section [costs.parts] with lines such as "A-1" = 420.')
    missing = [p for p in parts if p not in prices]
    if missing:
        raise RecordsError(
            f"shop.toml [costs.parts] has no price for {', '.join(missing)}: add "
            + ", ".join(f'a line "{p}" = (its price)' for p in missing)
            + (f", or correct the name. It has prices for {', '.join(prices)}." if prices else ".")
        )
    return Costs(
        comeback=amount(stated["comeback"], "[costs] comeback", 0.01),
        prices={p: amount(prices[p], f'[costs.parts] "{p}"') for p in parts},
        years=amount(stated.get("years", YEARS), "[costs] years", 0.1),
        currency=shop.currency,
    )


class Pays(StrEnum):
    """For which of the trucks built the dearer part pays."""

    ABOVE_CUT = "found"
    NONE = "never"
    ALL = "always"


@dataclass(frozen=True, slots=True)
class LeastCost:
    """The cut that costs least, its interval, and where the dearer part pays; agree: share of the refits that say so too, where that is all or
    none (NaN elsewhere). beyond: it lies above the highest power of the cheaper part on record."""

    cut_hp: float
    low: float
    high: float
    pays: Pays
    agree: float
    beyond: bool


@dataclass(frozen=True, slots=True)
class Habit:
    """The cut that best describes which part was fitted, and what moving from it to the least cost would save a year, with its interval."""

    cut_hp: float
    saved: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, repr=False)
class MoneyCut:
    """Up to the cut of least cost the part ``below``, above it ``above``; intervals at ``level``.

    trucks: a year. curve: cut_hp, cost, low, high (cost a year of all such trucks, less that of today's habit). by_use: break-even power of a truck
    of each use at its median weight (inf: none between the powers on record, 0: all): use, weight_lb, pays_from_hp, lower, upper, trucks_a_year.
    sensitivity: input, value, cut_hp (inf: never pays), one input changed at a time (see `_sensitivity`). slopes_p: of the parts losing life with
    power alike, which is assumed.
    """

    component: str
    below: str
    above: str
    level: float
    least: LeastCost
    habit: Habit
    costs: Costs
    trucks: float
    curve: pd.DataFrame
    by_use: pd.DataFrame
    sensitivity: pd.DataFrame
    slopes_p: float

    @property
    def price_step(self) -> float:
        return self.costs.prices[self.above] - self.costs.prices[self.below]

    @property
    def sure(self) -> float:
        """How sure each end of an interval is."""
        return (1 + self.level) / 2

    @property
    def undone_by(self) -> pd.DataFrame:
        """Rows of the sensitivity that undo the finding: under that input the cut of least cost lies outside its interval, or the dearer part pays
        for none, or for all, where it is found to pay otherwise."""
        cut, least = self.sensitivity["cut_hp"], self.least
        kept = {
            Pays.NONE: np.isinf(cut),
            Pays.ALL: cut == 0,
            Pays.ABOVE_CUT: (cut >= least.low) & ((cut <= least.high) | self.may_never_pay),
        }[least.pays]
        return self.sensitivity[~kept.to_numpy(bool)]

    @property
    def uses_apart(self) -> bool:
        """Whether in some use the dearer part pays from elsewhere than one cut for all uses says."""
        cut = {Pays.NONE: np.inf, Pays.ALL: 0.0, Pays.ABOVE_CUT: self.least.cut_hp}[self.least.pays]
        return bool(((cut < self.by_use["lower"]) | (cut > self.by_use["upper"])).any())

    @property
    def holds(self) -> bool:
        """Whether one cut is a finding: true in each use, and undone by no input stated otherwise."""
        return not self.uses_apart and self.undone_by.empty

    @property
    def may_never_pay(self) -> bool:
        """The interval ends where the powers tried end: beyond it the dearer part never pays."""
        high = self.least.high
        return not np.isfinite(high) or high >= self.curve["cut_hp"].iloc[-1]

    def __repr__(self) -> str:
        least = self.least
        where = f"{least.cut_hp:g} hp ({least.low:g} to {least.high:g})" if least.pays == Pays.ABOVE_CUT else least.pays
        return f"MoneyCut({self.component} {self.below}/{self.above}: {where})"


@dataclass(frozen=True, slots=True)
class _Mix:
    power: np.ndarray
    weight: np.ndarray
    use: tuple[str, ...]
    count: np.ndarray  # trucks a year each row stands for
    part: np.ndarray


def _mix(lifetimes: Lifetimes, component: str, parts: Sequence[str]) -> _Mix:
    built = build_mix(lifetimes, component, 0.0, np.inf, years=3.0)
    frame = built.frame[built.frame["part"].isin(parts)].sort_values(
        ["power_hp", "weight_lb", "use", "part"], kind="stable"
    )
    if frame.empty:
        raise NotEnoughData(
            f"no truck with {' or '.join(parts)} was built in the years looked at: there is no mix to reckon with"
        )
    return _Mix(
        power=frame["power_hp"].to_numpy(float),
        weight=frame["weight_lb"].to_numpy(float),
        use=tuple(frame["use"].astype(str)),
        count=frame["count"].to_numpy(float) * built.scale / built.years,
        part=frame["part"].to_numpy(object),
    )


def _chances(fit: PartsFit, mix: _Mix, years: float) -> np.ndarray:
    """(parts, n) chance to come back."""
    return np.array([fails_within(fit, k, mix.power, mix.weight, mix.use, years) for k in range(len(fit.parts.parts))])


def cost_by_cut(
    power_hp: np.ndarray, count: np.ndarray, cost_below: np.ndarray, cost_above: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cuts (C,), hp, and the cost of each: of ``count`` trucks (n,) those of ``power_hp`` (n,) up to the cut cost ``cost_below`` (n,) each, the others ``cost_above``.
    The first cut lies below all powers: every truck gets the dearer part."""
    powers = np.unique(power_hp)
    order = np.argsort(power_hp, kind="stable")
    gain = (count * (cost_below - cost_above))[order]
    last = np.searchsorted(power_hp[order], powers, side="right")
    total = (count * cost_above).sum() + np.concatenate([[0.0], np.cumsum(gain)[last - 1]])
    return np.concatenate([[0.0], powers]), total


def habit_cut(power_hp: np.ndarray, count: np.ndarray, second: np.ndarray) -> float:
    """The cut, hp, with fewest of ``count`` trucks (n,) of ``power_hp`` (n,) on the wrong side: those with the second part (n,) bool belong
    above it."""
    cuts, wrong = cost_by_cut(power_hp, count, second.astype(float), (~second).astype(float))
    return float(cuts[wrong.argmin()])


def _two_part_cut(mix: _Mix, chance: np.ndarray, costs: Costs) -> tuple[np.ndarray, np.ndarray]:
    a, b = (price + costs.comeback * chance[k] for k, price in enumerate(costs.prices.values()))
    return cost_by_cut(mix.power, mix.count, a, b)


def _tails(level: float) -> tuple[float, float]:
    tail = (1 - level) / 2
    return tail, 1 - tail


def money_cut(
    lifetimes: Lifetimes, component: str, below: str, above: str, level: float = 0.9, draws: int = 100, seed: int = 1
) -> MoneyCut:
    """The cut between the parts ``below`` and ``above`` of a component that costs least, by the shop's lifetimes; intervals at ``level`` (both
    ends together) from ``draws`` refits, drawn by ``seed``. Raises RecordsError where shop.toml does not
    state a cost, NotEnoughData where no lifetime distribution can be fitted."""
    shop = lifetimes.shop
    pair = (below, above)
    costs = costs_of(shop, pair)
    fit = fit_parts(parts_data(lifetimes, component, pair), shop.targets.miles, test_slopes=True)
    mix = _mix(lifetimes, component, pair)
    chance = _chances(fit, mix, costs.years)
    cuts, cost = _two_part_cut(mix, chance, costs)
    boots = bootstrap_fits(fit, draws, seed)
    lines = np.array([_two_part_cut(mix, _chances(b, mix, costs.years), costs)[1] for b in boots])
    ends = _tails(level)
    now = habit_cut(mix.power, mix.count, mix.part == above)
    at_now = int(np.searchsorted(cuts, now, side="right")) - 1
    best = int(cost.argmin())
    gains = lines[:, at_now] - lines[:, best]
    low, high = np.quantile(lines - lines[:, [at_now]], ends, axis=0)
    return MoneyCut(
        component=component,
        below=below,
        above=above,
        level=level,
        least=_least_cost(cuts, cost, lines, ends, highest=fit.parts.power_hp[fit.parts.at == 0].max()),
        habit=Habit(now, float(cost[at_now] - cost[best]), *(float(v) for v in np.quantile(gains, ends))),
        costs=costs,
        trucks=float(mix.count.sum()),
        curve=pd.DataFrame({"cut_hp": cuts, "cost": cost - cost[at_now], "low": low, "high": high}),
        by_use=_by_use(fit, boots, mix, costs, ends),
        sensitivity=_sensitivity(fit, mix, costs),
        slopes_p=fit.slopes_p,
    )


def _least_cost(
    cuts: np.ndarray, cost: np.ndarray, lines: np.ndarray, ends: Sequence[float], highest: float
) -> LeastCost:
    """cuts, cost (C,); lines (B, C): the cost in each refit; highest: power of the cheaper part on record."""
    best, where = int(cost.argmin()), lines.argmin(1)
    low, high = (float(v) for v in np.quantile(cuts[where], ends, method="inverted_cdf"))
    pays = Pays.ALL if best == 0 else Pays.NONE if best == len(cuts) - 1 else Pays.ABOVE_CUT
    return LeastCost(
        cut_hp=float(cuts[best]),
        low=low,
        high=high,
        pays=pays,
        agree=NAN if pays == Pays.ABOVE_CUT else float((where == best).mean()),
        beyond=bool(cuts[best] > highest),
    )


def _by_use(fit: PartsFit, boots: Sequence[PartsFit], mix: _Mix, costs: Costs, ends: Sequence[float]) -> pd.DataFrame:
    """Break-even power of a truck of each use, at its median weight, with its interval."""
    cheaper, dearer = costs.prices.values()
    uses = np.array(mix.use)
    grid = np.linspace(np.log(fit.parts.power_hp.min()), np.log(fit.parts.power_hp.max()), 121)
    power, n = np.exp(grid), len(grid)

    def even(f: PartsFit, use: str, weight: float) -> float:
        a, b = (fails_within(f, k, power, np.full(n, weight), [use] * n, costs.years) for k in (0, 1))
        pays = costs.comeback * (a - b) >= dearer - cheaper
        if pays[0] or not pays.any():
            return 0.0 if pays[0] else np.inf
        return float(power[int(pays.argmax())])

    rows = []
    for use in np.unique(uses):
        weight = float(np.median(mix.weight[uses == use]))
        found = even(fit, use, weight)
        drawn = np.array([even(b, use, weight) for b in boots] or [found])
        lower, upper = np.quantile(drawn, ends, method="inverted_cdf")
        trucks = float(mix.count[uses == use].sum())
        rows.append((use, weight, found, float(lower), float(upper), trucks))
    return pd.DataFrame(rows, columns=["use", "weight_lb", "pays_from_hp", "lower", "upper", "trucks_a_year"])


def _sensitivity(fit: PartsFit, mix: _Mix, costs: Costs) -> pd.DataFrame:
    """The cut under other inputs, one changed at a time: input ("stated", "comeback": the cost of one, all in, "price_step", "years" counted,
    "reported": share of failures reported, the silent ones counted too), its value, cut_hp."""
    base = _chances(fit, mix, costs.years)
    factors = (0.5, 0.75, 1.5, 2.0)
    (a, cheaper), (b, dearer) = costs.prices.items()
    step = dearer - cheaper

    def cut(c: Costs, chance: np.ndarray) -> float:
        cuts, total = _two_part_cut(mix, chance, c)
        best = int(total.argmin())
        return np.inf if best == len(cuts) - 1 else float(cuts[best])

    rows = [("stated", NAN, cut(costs, base))]
    for each in (costs.comeback * f for f in factors):
        rows.append(("comeback", each, cut(replace(costs, comeback=each), base)))
    for f in factors:
        rows.append(("price_step", f * step, cut(replace(costs, prices={a: cheaper, b: cheaper + f * step}), base)))
    for years in (2.0, 3.0, 5.0, 8.0):
        if years != costs.years:
            rows.append(("years", years, cut(costs, _chances(fit, mix, years))))
    for share in (0.85, 0.7, 0.5):
        # silent failures cost the shop nothing now but a customer: counted as if they came back
        rows.append(("reported", share, cut(costs, np.minimum(base / share, 1.0))))
    return pd.DataFrame(rows, columns=["input", "value", "cut_hp"])


# ---- does a middle tier earn its place ----------------------------------------------------------------------------------
class MiddleVerdict(Enum):
    EARNS_PLACE = auto()
    DOES_NOT = auto()
    OPEN = auto()


@dataclass(frozen=True, slots=True)
class RangeCost:
    """Cost a year of a range of parts with the cuts that cost it least."""

    cost: float
    cuts: tuple[float, ...]


@dataclass(frozen=True, slots=True, repr=False)
class MiddleTier:
    """A range with and without its middle part. saves: cost a year without less with it, with its interval at ``level``."""

    component: str
    parts: tuple[str, ...]
    verdict: MiddleVerdict
    saves: float
    low: float
    high: float
    level: float
    with_it: RangeCost
    without: RangeCost

    @property
    def middle(self) -> str:
        return self.parts[1]

    def __repr__(self) -> str:
        return brief(self, "component", "middle", "saves", "low", "high")


def best_range(power_hp: np.ndarray, count: np.ndarray, cost: np.ndarray) -> tuple[float, tuple[float, ...]]:
    """Least cost of a range of parts in order, and its cuts: each truck gets one part, the order rising with power.

    power_hp, count: (n,) of the trucks; cost: (parts, n) of each truck with each part. Exact, by dynamic programming over the distinct powers."""
    powers, place = np.unique(power_hp, return_inverse=True)
    per = np.array([np.bincount(place, weights=count * row, minlength=len(powers)) for row in cost])
    sums = np.concatenate([np.zeros((len(per), 1)), np.cumsum(per, axis=1)], axis=1)
    value = sums[0].copy()  # least cost of the first i powers with the first part alone
    choice = []
    for line in sums[1:]:
        gain = value - line  # best place where this part takes over
        at = np.array([int(np.argmin(gain[: i + 1])) for i in range(len(gain))])
        value = line + gain[at]
        choice.append(at)
    i, cuts = len(powers), []
    for at in reversed(choice):
        i = int(at[i])
        cuts.append(float(powers[i - 1]) if i else 0.0)
    return float(value[-1]), tuple(reversed(cuts))


def middle_tier(
    lifetimes: Lifetimes, component: str, parts: Sequence[str], level: float = 0.9, draws: int = 100, seed: int = 1
) -> MiddleTier:
    """Whether the second of three ``parts`` of a component (from weak to strong) earns its place. lifetimes: of the shop;
    level: of the interval; draws: refits behind it, from ``seed``. Errors as in `money_cut`."""
    if len(parts) != 3:
        raise NotEnoughData(f"a middle tier needs three parts, not {len(parts)}")
    shop = lifetimes.shop
    costs = costs_of(shop, parts)
    fit = fit_parts(parts_data(lifetimes, component, parts), shop.targets.miles)
    mix = _mix(lifetimes, component, parts)
    whole, ends_only = [0, 1, 2], [0, 2]
    chance = _chances(fit, mix, costs.years)
    each = np.array([costs.prices[p] + costs.comeback * chance[k] for k, p in enumerate(parts)])
    with_it, without = (RangeCost(*best_range(mix.power, mix.count, each[k])) for k in (whole, ends_only))
    # how the cuts found in the records fare in each refit
    chances = [_chances(b, mix, costs.years) for b in bootstrap_fits(fit, draws, seed)]

    def at_cuts(chance: np.ndarray, cuts: tuple[float, ...], which: Sequence[int]) -> float:
        tier = sum((mix.power > c).astype(int) for c in cuts)
        k = np.asarray(which)[tier]
        price = np.array([costs.prices[parts[i]] for i in which])[tier]
        return float((mix.count * (price + costs.comeback * chance[k, np.arange(len(mix.power))])).sum())

    gains = np.array([at_cuts(c, without.cuts, ends_only) - at_cuts(c, with_it.cuts, whole) for c in chances])
    low, high = (float(v) for v in np.quantile(gains, _tails(level)))
    verdict = MiddleVerdict.EARNS_PLACE if low > 0 else MiddleVerdict.DOES_NOT if high <= 0 else MiddleVerdict.OPEN
    return MiddleTier(
        component=component,
        parts=tuple(parts),
        verdict=verdict,
        saves=without.cost - with_it.cost,
        low=low,
        high=high,
        level=level,
        with_it=with_it,
        without=without,
    )
