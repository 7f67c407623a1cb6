"""What comes next: comebacks of the next quarter and year, their cost, what to stock, and each unit's own chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.ratings.predict import chances, count_chances, interval_of, with_early
from analytics.reasons import Forecasts, NextMiles, Question, Stock, reason
from analytics.records.load import Records
from analytics.review.answer import Answer, nothing
from analytics.review.expected import LEVEL, running_chances
from analytics.review.stands import SEED, Stand, carried, leveled

SPANS = {"quarter": 91.0, "year": 365.0}
#: enough on the shelf for the next quarter this often
STOCKED = 0.95
MILES = 10_000.0
_DRAWN = 2000
_COSTS_NEEDED = 5


@dataclass(frozen=True, slots=True, repr=False)
class Forecast:
    """counts: one row per span and component ("" the shop): units, expected, lower, upper. stock: one row per part. money:
    one row per span and basis: expected, lower, upper. units: one row per unit running, likeliest first."""

    as_of: pd.Timestamp
    counts: pd.DataFrame
    stock: pd.DataFrame
    money: pd.DataFrame
    units: pd.DataFrame
    left_out: int

    def __repr__(self) -> str:
        whole = self.counts[self.counts["component"] == ""]
        return (
            f"Forecast({self.as_of:%Y-%m-%d}: "
            + ", ".join(f"{r.span} {r.expected:.1f} ({r.lower} to {r.upper})" for r in whole.itertuples())
            + ")"
        )


def count_forecast(running: pd.DataFrame, chance: np.ndarray, by: str = "component") -> pd.DataFrame:
    """Expected number with its interval, the whole ("") and each group of ``by``."""
    even, count = np.full(len(chance), 1 / len(chance)), running["count"].to_numpy()
    rows = []
    for group, at in [("", np.arange(len(count))), *running.groupby(by, sort=True).indices.items()]:
        pmf = count_chances(chance[:, at], count[at], even)
        lower, upper = interval_of(pmf, LEVEL)
        rows.append([group, int(count[at].sum()), float(chance[:, at].mean(0) @ count[at]), lower, upper])
    return pd.DataFrame(rows, columns=[by, "units", "expected", "lower", "upper"])


def forecast(stand: Stand) -> Forecast:
    """The next quarter and year from the records of a day, for the units then running."""
    counts, money, stock = [], [], pd.DataFrame()
    for span, days in SPANS.items():
        running, chance = running_chances(stand, days)
        chance = leveled(chance)
        counts.append(count_forecast(running, chance).assign(span=span, days=days))
        money.append(_money(stand.records, running, chance, counts[-1]).assign(span=span))
        if span == "quarter":
            stock = _stock(stand, running, chance)
    units, left = unit_chances(stand)
    return Forecast(
        stand.as_of, pd.concat(counts, ignore_index=True), stock, pd.concat(money, ignore_index=True), units, left
    )


def _put_in(stand: Stand) -> dict[tuple[str, str], str]:
    """What goes in when a part fails today: the last of those that followed it."""
    after = {
        (s.component, s.old): s.new
        for s in stand.lifetimes.shop.supersessions
        if s.effective_on is None or pd.Timestamp(s.effective_on) <= stand.as_of
    }
    out = {}
    for component, part in stand.parts:
        last = part
        while (component, last) in after:
            last = after[component, last]
        out[component, part] = last
    return out


def _stock(stand: Stand, running: pd.DataFrame, chance: np.ndarray) -> pd.DataFrame:
    put_in, shop = _put_in(stand), stand.lifetimes.shop
    part = [put_in[key] for key in zip(running["component"], running["part"], strict=True)]
    prices = shop.costs.get("parts", {})
    even, count = np.full(len(chance), 1 / len(chance)), running["count"].to_numpy()
    rows = []
    for (component, name), at in running.assign(part=part).groupby(["component", "part"], sort=True).indices.items():
        pmf = count_chances(chance[:, at], count[at], even)
        keep = int(np.searchsorted(np.cumsum(pmf), STOCKED - 1e-12))
        price = prices.get(name) if isinstance(prices, dict) else None
        price = float(price) if isinstance(price, int | float) and not isinstance(price, bool) else np.nan
        rows.append([component, name, float(chance[:, at].mean(0) @ count[at]), keep, price, keep * price])
    return pd.DataFrame(rows, columns=["component", "part", "expected", "keep", "price_each", "money_tied_up"])


def _money(records: Records, running: pd.DataFrame, chance: np.ndarray, counts: pd.DataFrame) -> pd.DataFrame:
    """Cost of the comebacks: at the shop's own figure for one, and at what its returns have cost on record."""
    whole, rows = counts.iloc[0], []
    stated = records.shop.cost_of("comeback")
    if stated is not None:
        rows.append(["stated", stated, *(stated * whole[c] for c in ("expected", "lower", "upper"))])
    back = records.returns[(records.returns["cause"] != "no fault") & records.returns["cost"].notna()]
    # what else was mended at that return is part of its cost; a return with several first failures is shared among them
    cost = back.groupby("event")["cost"].sum()
    first = back[back["order"] != "followed"].drop_duplicates(["event", "component"])
    each = first.assign(own=first["event"].map(cost) / first["event"].map(first["event"].value_counts()))
    if len(each) >= _COSTS_NEEDED:
        rng = np.random.default_rng(SEED)
        pools = {c: p["own"].to_numpy(float) for c, p in each.groupby("component") if len(p) >= _COSTS_NEEDED}
        every = each["own"].to_numpy(float)
        total = np.zeros(_DRAWN)
        draw = np.arange(_DRAWN) % len(chance)
        for component, at in running.groupby("component", sort=True).indices.items():
            number = np.zeros(_DRAWN, int)
            count = running["count"].to_numpy()[at]
            for k in range(len(chance)):
                mine = np.flatnonzero(draw == k)
                number[mine] = rng.binomial(count, chance[k, at], size=(len(mine), len(at))).sum(1)
            pool = pools.get(component, every)
            total += [rng.choice(pool, n).sum() for n in number]
        tail = (1 - LEVEL) / 2
        rows.append(
            ["recorded", float(every.mean()), float(total.mean()), *map(float, np.quantile(total, [tail, 1 - tail]))]
        )
    return pd.DataFrame(rows, columns=["basis", "one_comeback", "expected", "lower", "upper"])


def unit_chances(stand: Stand, miles: float = MILES) -> tuple[pd.DataFrame, int]:
    """Each unit's chance of coming back within its next ``miles``, whatever the component, and how many lives had no fit.

    A unit none of whose parts has a fit stands last, its chance NaN. Columns: serial, power_hp, weight_lb, use, years (in service), odometer_known, chance, likeliest (component), its_chance.
    """
    frames, left = [], 0
    for (component, _), own in stand.parts.items():
        which = np.flatnonzero(own.lives.watched & ~own.lives.data.failed & ~own.lives.data.known_alive)
        if not len(which):
            continue
        if own.fit.model is None:
            left += len(which)
            mean = np.full(len(which), np.nan)
        else:
            told, _ = chances(carried(own.fit.model, own.lives.data), own.theta, which, None, miles)
            if own.fit.early.fired:
                told = with_early(own.fit, own.lives.data, which, told, None, miles)
            mean = told.mean(0)
        at = stand.lifetimes.table.iloc[own.lives.rows[which]]
        frames.append(
            pd.DataFrame(
                {
                    "serial": at["serial"].to_numpy(), "component": component, "chance": mean,
                    "power_hp": at["power_hp"].to_numpy(float), "weight_lb": at["weight_lb"].to_numpy(float),
                    "use": at["use"].to_numpy(), "years": at["unit_days"].to_numpy(float) / 365.25,
                    "odometer_known": own.lives.data.has_rate[which],
                }
            )
        )  # fmt: skip
    columns = ["serial", "power_hp", "weight_lb", "use", "years", "odometer_known", "chance", "likeliest", "its_chance"]
    if not frames:
        return pd.DataFrame(columns=columns), left
    every = pd.concat(frames, ignore_index=True).sort_values(
        ["serial", "chance", "component"], ascending=[True, False, True], kind="stable"
    )
    worst = every.drop_duplicates("serial").set_index("serial")
    worst = worst.rename(columns={"component": "likeliest", "chance": "its_chance"})
    none = np.exp(np.log1p(-every["chance"].clip(upper=1 - 1e-12)).groupby(every["serial"]).sum(min_count=1))
    units = worst.assign(chance=1 - none).reset_index()
    return units.sort_values(["chance", "serial"], ascending=[False, True], kind="stable", ignore_index=True)[
        columns
    ], left


# ---- answers ---------------------------------------------------------------------------------------------------------
def forecast_answer(found: Forecast, filled: int, of: int) -> Answer:
    """How many, and what they will cost."""
    question, counts = reason(Question.FORECAST), found.counts
    whole = counts[counts["component"] == ""].set_index("span")
    if not whole["units"].sum():
        return nothing(question, Forecasts.NONE_RUNNING, counts)
    said = [
        reason(code, **whole.loc[span][["expected", "lower", "upper"]])
        for span, code in (("quarter", Forecasts.QUARTER), ("year", Forecasts.YEAR))
    ]
    year = counts[(counts["span"] == "year") & (counts["component"] != "")]
    year = year.sort_values(["expected", "component"], ascending=[False, True])
    parts = [*year[["component", "expected", "lower", "upper"]].itertuples(index=False)]
    said.append(reason(Forecasts.COMPONENTS, components=parts))
    money = found.money[found.money["span"] == "year"]
    for row in money.itertuples():
        code = Forecasts.AT_STATED_COST if row.basis == "stated" else Forecasts.AT_RECORDED_COST
        said.append(reason(code, one_comeback=row.one_comeback, expected=row.expected, upper=row.upper))
    if money.empty:
        said.append(reason(Forecasts.NO_COST))
    notes = [reason(Forecasts.NOT_COUNTED)]
    if filled:
        notes.append(reason(Forecasts.FILLED, filled=filled, lives=of))
    table = counts.replace({"component": {"": "all"}})[["span", "component", "units", "expected", "lower", "upper"]]
    return Answer(question, tuple(said), table, tuple(notes))


def stock_answer(found: Forecast) -> Answer:
    """What to keep on the shelf."""
    question = reason(Question.STOCK)
    need = found.stock[found.stock["keep"] > 0].sort_values(
        ["keep", "component", "part"], ascending=[False, True, True], kind="stable"
    )
    if need.empty:
        return nothing(question, Stock.NOTHING, found.stock)
    said = [reason(Stock.KEEP, parts=[*need[["part", "keep"]].itertuples(index=False)], chance=STOCKED)]
    money = need["money_tied_up"].sum(min_count=1)
    if money == money:
        unpriced = need[need["price_each"].isna()]["part"].tolist()
        said.append(reason(Stock.TIES_UP, money=money, unpriced=unpriced))
    return Answer(question, tuple(said), found.stock)


def units_answer(found: Forecast, shown: int = 20) -> Answer:
    """Each unit's own chance."""
    question = reason(Question.NEXT_MILES)
    units = found.units[found.units["chance"].notna()]
    blank = len(found.units) - len(units)
    if units.empty:
        return nothing(question, NextMiles.NO_FIT, units)
    top = units.iloc[0]
    said = (
        reason(
            NextMiles.LIKELIEST,
            units=len(units),
            median=units["chance"].median(),
            serial=top["serial"],
            chance=top["chance"],
            component=top["likeliest"],
        ),
        reason(NextMiles.ONE_IN_TEN, units=int((units["chance"] >= 0.1).sum())),
    )
    notes = []
    if blank:
        notes.append(reason(NextMiles.NO_CHANCE, units=blank))
    if found.left_out:
        notes.append(reason(NextMiles.LIVES_LEFT_OUT, lives=found.left_out))
    return Answer(question, said, units.head(shown), tuple(notes))
