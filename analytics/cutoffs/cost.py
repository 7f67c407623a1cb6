"""Where should the tier end for money: the cut at which the comebacks saved pay the dearer part.

A truck of power p that gets the cheaper part costs its price and, with the chance that it comes back within the years counted,
a comeback; with the dearer part likewise. Summed over the trucks the shop really builds, the cut is put where the sum is
least. Its interval comes from refits under random weights by unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.cutoffs.fits import PartsFit, bootstrap_fits, fails_within, fit_parts, parts_data
from analytics.errors import NotEnoughData, RecordsError
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.whatif import build_mix
from analytics.records.shop import Shop

NAN = float("nan")
YEARS = 5.0
#: what a comeback may cost beside the work and parts in `comeback`; 0 where shop.toml does not say
EXTRAS = ("downtime", "shipping", "goodwill", "lost_sales")


@dataclass(frozen=True, slots=True)
class Costs:
    """Money in the shop's currency. comeback: one return; extras: what comes on top, by name. unstated: extras taken as 0.
    prices: by part. years: comebacks within so many years of the build are counted."""

    comeback: float
    extras: dict[str, float]
    unstated: tuple[str, ...]
    prices: dict[str, float]
    years: float

    @property
    def each(self) -> float:
        """One comeback, all in."""
        return self.comeback + sum(self.extras.values())


def costs_of(shop: Shop, parts: Sequence[str]) -> Costs:
    """The stated costs, checked. Raises RecordsError that says which line of shop.toml is missing or not understood."""

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
            + "."
        )
    return Costs(
        amount(stated["comeback"], "[costs] comeback", 0.01),
        {k: amount(stated[k], f"[costs] {k}") for k in EXTRAS if k in stated},
        tuple(k for k in EXTRAS if k not in stated),
        {p: amount(prices[p], f'[costs.parts] "{p}"') for p in parts},
        amount(stated.get("years", YEARS), "[costs] years", 0.1),
    )


@dataclass(frozen=True, slots=True, repr=False)
class MoneyCut:
    """The cut that costs least: up to cut_hp the part ``below``, above it ``above``. low, high: its interval at ``level``.

    edge: "" where it lies inside the powers built; "never": the dearer part does not pay for any truck built; "always": it
    pays for all. curve: cut_hp, cost, low, high (cost a year of all such trucks). by_use: break-even power of a truck of each
    use at its median weight (NaN: none between the powers on record). saved: a year against the present cut_now, with its
    interval. sensitivity: input, value, cut_hp. trucks: a year. beyond: the least cost lies above the highest power of the
    cheaper part on record.
    """

    component: str
    below: str
    above: str
    cut_hp: float
    low: float
    high: float
    level: float
    edge: str
    edge_share: float
    costs: Costs
    price_step: float
    trucks: float
    years_built: float
    curve: pd.DataFrame
    by_use: pd.DataFrame
    sensitivity: pd.DataFrame
    comebacks_below: float
    comebacks_above: float
    cut_now: float
    saved: float
    saved_low: float
    saved_high: float
    slopes_p: float
    beyond: bool
    draws: int
    seed: int
    words: tuple[str, ...]

    def __repr__(self) -> str:
        where = self.edge or f"{self.cut_hp:,.0f} hp ({self.low:,.0f} to {self.high:,.0f})"
        return f"MoneyCut({self.component} {self.below}/{self.above}: {where})"

    def to_frame(self) -> pd.DataFrame:
        """One row, unrounded."""
        skip = ("curve", "by_use", "sensitivity", "words", "costs")
        row = {k: getattr(self, k) for k in self.__slots__ if k not in skip}
        return pd.DataFrame([{**row, "comeback": self.costs.each, "words": " ".join(self.words)}])


@dataclass(frozen=True, slots=True)
class _Mix:
    power: np.ndarray
    weight: np.ndarray
    use: tuple[str, ...]
    count: np.ndarray  # trucks a year each row stands for
    part: np.ndarray


def _mix(lifetimes: Lifetimes, component: str, parts: Sequence[str], years: float = 3.0) -> tuple[_Mix, float]:
    built = build_mix(lifetimes, component, 0.0, np.inf, years=years)
    frame = built.frame[built.frame["part"].isin(parts)].sort_values(
        ["power_hp", "weight_lb", "use", "part"], kind="stable"
    )
    if frame.empty:
        raise NotEnoughData(
            f"no truck with {' or '.join(parts)} was built in the years looked at: there is no mix to reckon with"
        )
    return (
        _Mix(
            frame["power_hp"].to_numpy(float),
            frame["weight_lb"].to_numpy(float),
            tuple(frame["use"].astype(str)),
            frame["count"].to_numpy(float) * built.scale / built.years,
            frame["part"].to_numpy(object),
        ),
        built.years,
    )


def _chances(fit: PartsFit, mix: _Mix, years: float) -> np.ndarray:
    """(parts, n) chance to come back."""
    return np.array([fails_within(fit, k, mix.power, mix.weight, mix.use, years) for k in range(len(fit.parts.parts))])


def cost_by_cut(
    power_hp: np.ndarray, count: np.ndarray, cost_below: np.ndarray, cost_above: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cuts (C,) and the cost of each: trucks of power up to the cut cost ``cost_below`` (n,) each, the others ``cost_above``.
    The first cut lies below all powers: every truck gets the dearer part."""
    powers = np.unique(power_hp)
    order = np.argsort(power_hp, kind="stable")
    gain = (count * (cost_below - cost_above))[order]
    last = np.searchsorted(power_hp[order], powers, side="right")
    total = (count * cost_above).sum() + np.concatenate([[0.0], np.cumsum(gain)[last - 1]])
    return np.concatenate([[0.0], powers]), total


def two_part_cut(mix: _Mix, chance: np.ndarray, costs: Costs, parts: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    a, b = (costs.prices[p] + costs.each * chance[k] for k, p in enumerate(parts[:2]))
    return cost_by_cut(mix.power, mix.count, a, b)


def money_cut(
    lifetimes: Lifetimes,
    component: str,
    below: str,
    above: str,
    level: float = 0.9,
    draws: int = 100,
    seed: int = 1,
    fit: PartsFit | None = None,
    boots: Sequence[PartsFit] | None = None,
) -> MoneyCut:
    """The cut between two parts that costs least. Raises RecordsError where shop.toml does not state a cost, NotEnoughData
    where no life law can be fitted."""
    shop = lifetimes.shop
    pair = (below, above)
    costs = costs_of(shop, pair)
    if fit is None:
        fit = fit_parts(parts_data(lifetimes, component, pair), shop.target_miles, test_slopes=True)
    mix, years_built = _mix(lifetimes, component, pair)
    chance = _chances(fit, mix, costs.years)
    cuts, cost = two_part_cut(mix, chance, costs, pair)
    boots = bootstrap_fits(fit, draws, seed) if boots is None else boots
    others = [_chances(b, mix, costs.years) for b in boots]
    lines = np.array([two_part_cut(mix, c, costs, pair)[1] for c in others])
    best = int(cost.argmin())
    where = lines.argmin(1)
    tail = (1 - level) / 2
    low, high = (float(v) for v in np.quantile(cuts[where], [tail, 1 - tail], method="inverted_cdf"))
    last = len(cuts) - 1
    edge = "always" if best == 0 else "never" if best == last else ""
    edge_share = float((where == best).mean()) if edge else NAN
    now = _cut_now(mix, pair)
    at_now = int(np.searchsorted(cuts, now, side="right")) - 1
    saved = float(cost[at_now] - cost[best])
    gains = lines[:, at_now] - lines[:, best]
    saved_low, saved_high = (float(v) for v in np.quantile(gains, [tail, 1 - tail]))
    step = costs.prices[above] - costs.prices[below]
    bands = np.quantile(lines - lines[:, [at_now]], [tail, 1 - tail], axis=0)
    curve = pd.DataFrame({"cut_hp": cuts, "cost": cost - cost[at_now], "low": bands[0], "high": bands[1]})
    spent = [float((mix.count * c).sum()) for c in chance[:2]]
    highest = float(fit.parts.power_hp[fit.parts.at == 0].max())
    beyond = bool(cuts[best] > highest)
    by_use = _by_use(fit, boots, mix, costs, step, level)
    sensitivity = _sensitivity(fit, mix, costs, pair)
    found = MoneyCut(
        component, below, above, float(cuts[best]), low, high, level, edge, edge_share, costs, step, float(mix.count.sum()),
        years_built, curve, by_use, sensitivity, spent[0], spent[1], now, saved, saved_low, saved_high, fit.slopes_p, beyond,
        len(boots), seed, (),
    )  # fmt: skip
    return replace(found, words=_words(found))


def _cut_now(mix: _Mix, pair: Sequence[str]) -> float:
    """The cut that best describes which part was fitted: fewest trucks on the wrong side."""
    cuts, wrong = cost_by_cut(
        mix.power, mix.count, (mix.part == pair[1]).astype(float), (mix.part == pair[0]).astype(float)
    )
    return float(cuts[wrong.argmin()])


def _by_use(
    fit: PartsFit, boots: Sequence[PartsFit], mix: _Mix, costs: Costs, step: float, level: float
) -> pd.DataFrame:
    """Break-even power of a truck of each use, at its median weight, with its interval."""
    rows = []
    uses = np.array(mix.use)
    grid = np.linspace(np.log(fit.parts.power_hp.min()), np.log(fit.parts.power_hp.max()), 121)
    for use in np.unique(uses):
        weight = float(np.median(mix.weight[uses == use]))

        def even(f, use=use, weight=weight):
            n = len(grid)
            a, b = (fails_within(f, k, np.exp(grid), np.full(n, weight), [use] * n, costs.years) for k in (0, 1))
            pays = costs.each * (a - b) >= step
            if pays[0] or not pays.any():
                return 0.0 if pays[0] else np.inf
            return float(np.exp(grid[int(pays.argmax())]))

        found = even(fit)
        drawn = np.array([even(b) for b in boots]) if boots else np.array([found])
        tail = (1 - level) / 2
        lower, upper = np.quantile(drawn, [tail, 1 - tail], method="inverted_cdf")
        rows.append(
            {
                "use": use,
                "weight_lb": weight,
                "pays_from_hp": found,
                "lower": float(lower),
                "upper": float(upper),
                "trucks_a_year": float(mix.count[uses == use].sum()),
            }
        )
    return pd.DataFrame(rows)


def _sensitivity(fit: PartsFit, mix: _Mix, costs: Costs, pair: Sequence[str]) -> pd.DataFrame:
    """The cut under other inputs, one changed at a time."""
    step = costs.prices[pair[1]] - costs.prices[pair[0]]
    base = _chances(fit, mix, costs.years)
    rows = []

    def cut(c: Costs, chance: np.ndarray) -> float:
        cuts, total = two_part_cut(mix, chance, c, pair)
        best = int(total.argmin())
        return np.inf if best == len(cuts) - 1 else float(cuts[best])

    rows.append(("as stated", "", cut(costs, base)))
    for factor in (0.5, 0.75, 1.5, 2.0):
        rows.append(
            (
                "a comeback, all in",
                f"{costs.each * factor:,.0f}",
                cut(replace(costs, comeback=costs.each * factor, extras={}), base),
            )
        )
    for factor in (0.5, 0.75, 1.5, 2.0):
        prices = {pair[0]: costs.prices[pair[0]], pair[1]: costs.prices[pair[0]] + factor * step}
        rows.append(("price step", f"{factor * step:,.0f}", cut(replace(costs, prices=prices), base)))
    for years in (2.0, 3.0, 5.0, 8.0):
        if years != costs.years:
            rows.append(("years counted", f"{years:g}", cut(costs, _chances(fit, mix, years))))
    for share in (0.85, 0.7, 0.5):
        # silent failures cost the shop nothing now but a customer: counted as if they came back
        rows.append(
            (
                "share of failures reported, the silent ones counted too",
                f"{share:.0%}",
                cut(costs, np.minimum(base / share, 1.0)),
            )
        )
    return pd.DataFrame(rows, columns=["input", "value", "cut_hp"])


def _words(found: MoneyCut) -> tuple[str, ...]:
    words = []
    a, b, costs = found.below, found.above, found.costs
    sure = (1 + found.level) / 2
    if found.price_step <= 0:
        words.append(f"{b} is not dearer than {a}: on price alone nothing speaks for {a}.")
    else:
        words.append(
            f"{b} costs {found.price_step:,.0f} more than {a}, a comeback {costs.each:,.0f}: it pays once it spares "
            f"{found.price_step / costs.each:.1%} of the trucks a comeback within {costs.years:g} years."
        )
    if found.edge == "never":
        words.append(
            f"For none of the {found.trucks:,.0f} trucks a year built with either does {b} pay by comebacks alone "
            f"({found.edge_share:.0%} of the refits agree); the interval for the cut is {found.low:,.0f} hp upward."
        )
    elif found.edge == "always":
        words.append(
            f"{b} pays for every truck built with either ({found.edge_share:.0%} of the refits agree); the interval for the cut is up "
            f"to {found.high:,.0f} hp."
        )
    else:
        words.append(
            f"It costs least to end {a} at {found.cut_hp:,.0f} hp ({found.low:,.0f} to {found.high:,.0f}, each end {sure:.0%} sure)."
        )
    if found.cut_now > 0:
        words.append(
            f"The shop's habit comes nearest to a cut at {found.cut_now:,.0f} hp; moving it would save {found.saved:,.0f} a year "
            f"({found.saved_low:,.0f} to {found.saved_high:,.0f}; a minus means it would cost more)."
        )
    if found.beyond:
        words.append(f"No {a} on record runs at so much power: the figure lies beyond the records.")
    if costs.unstated:
        words.append(
            "Not stated in shop.toml [costs], so taken as 0: "
            + ", ".join(k.replace("_", " ") for k in costs.unstated)
            + ". What they cost would lower the cut."
        )
    if found.slopes_p <= 0.05:
        words.append(
            f"The two parts do not lose life with power alike (p = {found.slopes_p:.2g}), which this reckoning assumes: read it with doubt."
        )
    return tuple(words)


# ---- does a middle tier earn its place ----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class MiddleTier:
    """Cost a year of a range with and without its middle part, each with the cuts that cost least. saves: without less with,
    with its interval; cuts: of each range; verdict: "earns its place", "does not earn its place" or "can't tell"."""

    component: str
    parts: tuple[str, ...]
    middle: str
    cost_with: float
    cost_without: float
    saves: float
    low: float
    high: float
    level: float
    cuts_with: tuple[float, ...]
    cuts_without: tuple[float, ...]
    verdict: str
    words: tuple[str, ...]

    def __repr__(self) -> str:
        return f"MiddleTier({self.component} {self.middle}: saves {self.saves:,.0f} a year ({self.low:,.0f} to {self.high:,.0f}))"


def best_range(power_hp: np.ndarray, count: np.ndarray, cost: np.ndarray) -> tuple[float, tuple[float, ...]]:
    """Least cost of a range of parts in order, and its cuts: each truck gets one part, the order rising with power.

    cost: (parts, n) of each truck with each part. Exact, by dynamic programming over the distinct powers."""
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
    """Whether the second of three parts (from weak to strong) earns its place. Raises like `money_cut`."""
    if len(parts) != 3:
        raise NotEnoughData(f"a middle tier needs three parts, not {len(parts)}")
    shop = lifetimes.shop
    costs = costs_of(shop, parts)
    fit = fit_parts(parts_data(lifetimes, component, parts), shop.target_miles)
    mix, _ = _mix(lifetimes, component, parts)
    keep = [0, 2]

    def both(f: PartsFit):
        chance = _chances(f, mix, costs.years)
        each = np.array([costs.prices[p] + costs.each * chance[k] for k, p in enumerate(parts)])
        return best_range(mix.power, mix.count, each), best_range(mix.power, mix.count, each[keep])

    with_, without = both(fit)
    # how the cuts found in the records fare in each refit
    chances = [_chances(b, mix, costs.years) for b in bootstrap_fits(fit, draws, seed)]

    def at_cuts(chance: np.ndarray, cuts: tuple[float, ...], which: Sequence[int]) -> float:
        tier = sum((mix.power > c).astype(int) for c in cuts)
        k = np.asarray(which)[tier]
        price = np.array([costs.prices[parts[i]] for i in which])[tier]
        return float((mix.count * (price + costs.each * chance[k, np.arange(len(mix.power))])).sum())

    gains = np.array([at_cuts(c, without[1], keep) - at_cuts(c, with_[1], (0, 1, 2)) for c in chances])
    tail = (1 - level) / 2
    low, high = (float(v) for v in np.quantile(gains, [tail, 1 - tail]))
    saves = without[0] - with_[0]
    if low > 0:
        verdict, says = "earns its place", f"{parts[1]} earns its place"
    elif high <= 0:
        verdict, says = "does not earn its place", f"{parts[1]} does not earn its place"
    else:
        verdict, says = "can't tell", f"whether {parts[1]} earns its place can't be told"
    words = (
        f"By price and comebacks {says}: the range costs {saves:,.0f} a year less with it ({low:,.0f} to {high:,.0f} each end "
        f"{(1 + level) / 2:.0%} sure; a minus means more), each range with the cuts that cost it least.",
        "Stocking one part more is not in the reckoning: take that off.",
    )
    return MiddleTier(
        component, tuple(parts), parts[1], with_[0], without[0], saves, low, high, level, with_[1], without[1], verdict, words
    )  # fmt: skip
