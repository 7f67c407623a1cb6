"""What comes next: comebacks, their cost, what to stock, each unit's chance; and whether earlier forecasts and alarms kept their word."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import binomtest, poisson

from analytics.lifetimes.later import came_later
from analytics.ratings.predict import chances, count_chances, with_early
from analytics.reasons import CameSince, Forecasts, Kept, NextMiles, Question, Reason, Stock, reason, reason_if
from analytics.records.load import Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.door import broken_outside, calendar_level, level_of, range_of, running_chances, with_level
from analytics.review.expected import LEVEL, days_between
from analytics.review.snapshot import SEED, Snapshot, carried, found_opened
from analytics.review.watch import INSTALL, THIS_QUARTER, Watched

# ---- ahead -----------------------------------------------------------------------------------------------------------
SPANS = {"quarter": 91.0, "year": 365.0}
#: enough on the shelf for the next quarter this often
STOCKED = 0.95
MILES = 10_000.0
_DRAWN = 2000
_COSTS_NEEDED = 5
#: who pays, where a return does not say
_UNTOLD = "not written down"


@dataclass(frozen=True, slots=True, repr=False)
class Forecast:
    """counts: one row per span and component ("" the shop): units, expected, lower, upper. stock: one row per part. money:
    one row per span, basis and payer ("" all of them): expected, lower, upper. units: one row per unit running, likeliest first. not_in_yet: failed already, as
    expected, ``wait_days`` being the mean from there to the door. record: quarters foretold before: expected, and came. season: the
    coming quarter against an even one, with its limits. found: parts of which damage was found in the last year while the unit was open for something else, which
    brings no truck in, and how many. currency: the sign of the shop's money."""

    as_of: pd.Timestamp
    counts: pd.DataFrame
    stock: pd.DataFrame
    money: pd.DataFrame
    units: pd.DataFrame
    left_out: int
    not_in_yet: float
    wait_days: float
    record: tuple[tuple[float, float], ...]
    season: tuple[float, float, float]
    found: tuple[tuple[str, int], ...]
    currency: str

    def __repr__(self) -> str:
        whole = self.counts[self.counts["component"] == ""]
        return (
            f"Forecast({self.as_of:%Y-%m-%d}: "
            + ", ".join(f"{r.span} {r.expected:.1f} ({r.lower} to {r.upper})" for r in whole.itertuples())
            + ")"
        )


def count_forecast(running: pd.DataFrame, chance: np.ndarray, by: str = "component") -> pd.DataFrame:
    """Expected number with its interval, the whole ("") and each group of ``by``, a column of ``running`` (a row per
    life, with its count); chance (draws, n) of each coming back."""
    even, count = np.full(len(chance), 1 / len(chance)), running["count"].to_numpy()
    rows = []
    for group, at in [("", np.arange(len(count))), *running.groupby(by, sort=True).indices.items()]:
        pmf = count_chances(chance[:, at], count[at], even)
        lower, upper = range_of(pmf, LEVEL)
        rows.append([group, int(count[at].sum()), float(chance[:, at].mean(0) @ count[at]), lower, upper])
    return pd.DataFrame(rows, columns=[by, "units", "expected", "lower", "upper"])


def forecast(snapshot: Snapshot) -> Forecast:
    """The next quarter and year from the records of a day, its ``snapshot``, for the units then running."""
    counts, money, stock = [], [], pd.DataFrame()
    for span, days in SPANS.items():
        running, chance = running_chances(snapshot, days)
        chance = with_level(chance, level_of(snapshot, days))
        counts.append(count_forecast(running, chance).assign(span=span, days=days))
        money.append(_money(snapshot.records, running, chance, counts[-1]).assign(span=span))
        if span == "quarter":
            stock = _stock(snapshot, running, chance)
    units, left = unit_chances(snapshot)
    even = calendar_level(snapshot, SPANS["quarter"])
    tail = (1 - LEVEL) / 2
    return Forecast(
        as_of=snapshot.as_of,
        counts=pd.concat(counts, ignore_index=True),
        stock=stock,
        money=pd.concat(money, ignore_index=True),
        units=units,
        left_out=left,
        not_in_yet=broken_outside(snapshot),
        wait_days=snapshot.wait_days,
        record=snapshot.foretold,
        season=(float(even.mean()), float(np.quantile(even, tail)), float(np.quantile(even, 1 - tail))),
        found=tuple(found_opened(snapshot.table, snapshot.as_of - pd.Timedelta(days=SPANS["year"]))),
        currency=snapshot.lifetimes.shop.currency,
    )


def _put_in(snapshot: Snapshot) -> dict[tuple[str, str], str]:
    """What goes in when a part fails today: the last of those that followed it."""
    after = {
        (s.component, s.old): s.new
        for s in snapshot.lifetimes.shop.names.supersessions
        if s.effective_on is None or pd.Timestamp(s.effective_on) <= snapshot.as_of
    }
    out = {}
    for component, part in snapshot.parts:
        last = part
        while (component, last) in after:
            last = after[component, last]
        out[component, part] = last
    return out


def _stock(snapshot: Snapshot, running: pd.DataFrame, chance: np.ndarray) -> pd.DataFrame:
    put_in, shop = _put_in(snapshot), snapshot.lifetimes.shop
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
        rows.append(["stated", "", stated, *(stated * whole[c] for c in ("expected", "lower", "upper"))])
    back = records.returns[(records.returns["cause"] != "no fault") & records.returns["cost"].notna()]
    # what else was mended at that return is part of its cost; a return with several first failures is shared among them
    cost = back.groupby("event")["cost"].sum()
    first = back[back["order"] != "followed"].drop_duplicates(["event", "component"])
    each = first.assign(own=first["event"].map(cost) / first["event"].map(first["event"].value_counts()))
    if len(each) >= _COSTS_NEEDED:
        total = _drawn_costs(each, running, chance)
        tail = (1 - LEVEL) / 2
        for payer, own in {"": np.sum([*total.values()], axis=0), **(total if len(total) > 1 else {})}.items():
            limits = map(float, np.quantile(own, [tail, 1 - tail]))
            rows.append(["recorded", payer, float(each["own"].mean()), float(own.mean()), *limits])
    return pd.DataFrame(rows, columns=["basis", "payer", "one_comeback", "expected", "lower", "upper"])


def _drawn_costs(each: pd.DataFrame, running: pd.DataFrame, chance: np.ndarray) -> dict[str, np.ndarray]:
    """Cost of the comebacks (_DRAWN,) by who pays: each comeback costs what one on record did, of its component where there are enough."""
    rng = np.random.default_rng(SEED)
    payer = each["paid_by"].fillna("").replace("", _UNTOLD).to_numpy(object)
    cost, every = each["own"].to_numpy(float), np.arange(len(each))
    pools = {c: at for c, at in each.groupby("component").indices.items() if len(at) >= _COSTS_NEEDED}
    total = {name: np.zeros(_DRAWN) for name in sorted(set(payer))}
    draw = np.arange(_DRAWN) % len(chance)
    for component, at in running.groupby("component", sort=True).indices.items():
        number = np.zeros(_DRAWN, int)
        count = running["count"].to_numpy()[at]
        for k in range(len(chance)):
            mine = np.flatnonzero(draw == k)
            number[mine] = rng.binomial(count, chance[k, at], size=(len(mine), len(at))).sum(1)
        picked = rng.choice(pools.get(component, every), number.sum())
        place = np.repeat(np.arange(_DRAWN), number)
        for name, own in total.items():
            own += np.bincount(place, cost[picked] * (payer[picked] == name), minlength=_DRAWN)
    return total


def unit_chances(snapshot: Snapshot, miles: float = MILES) -> tuple[pd.DataFrame, int]:
    """Each unit's chance in the ``snapshot`` of coming back within its next ``miles``, whatever the component, and how
    many lives had no fit.

    A unit none of whose parts has a fit stands last, its chance NaN. Columns: serial, power_hp, weight_lb, use, years
    (in service), odometer_known, chance, likeliest (component), its_chance.
    """
    frames, left = [], 0
    for (component, _), own in snapshot.parts.items():
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
        at = snapshot.lifetimes.table.iloc[own.lives.rows[which]]
        frames.append(
            pd.DataFrame(
                {
                    "serial": at["serial"].to_numpy(), "component": component, "chance": mean,
                    "power_hp": at["power_hp"].to_numpy(float), "weight_lb": at["weight_lb"].to_numpy(float),
                    "use": at["use"].to_numpy(), "years": at["unit_days"].to_numpy(float) / DAYS_A_YEAR,
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
    """How many are ``found`` to come back, and what they will cost. filled: lives whose power or weight had to be
    filled in, out of so many (``of``)."""
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
    parts = [*year[["component", "expected", "lower", "upper"]].itertuples(index=False, name=None)]
    said.append(reason(Forecasts.COMPONENTS, components=parts))
    money = found.money[found.money["span"] == "year"]
    shares = money[money["payer"] != ""]
    money = money[money["payer"] == ""]
    for row in money.itertuples():
        code = Forecasts.AT_STATED_COST if row.basis == "stated" else Forecasts.AT_RECORDED_COST
        said.append(
            reason(code, one_comeback=row.one_comeback, expected=row.expected, upper=row.upper, currency=found.currency)
        )
    said += reason_if(Forecasts.NO_COST, money.empty)
    if len(shares):
        told = [*shares[["payer", "expected", "upper"]].itertuples(index=False, name=None)]
        said.append(reason(Forecasts.WHO_PAYS, shares=told, currency=found.currency))
    said += reason_if(Forecasts.NOT_IN_YET, found.not_in_yet >= 0.5, broken=found.not_in_yet, wait_days=found.wait_days)
    notes = []
    if found.record:
        expected, came = (sum(told) for told in zip(*found.record, strict=True))
        notes.append(reason(Forecasts.RECORD, quarters=len(found.record), came=came, expected=expected))
    mean, lower, upper = found.season
    notes.append(reason(Forecasts.UNEVEN, times=mean, lower=lower, upper=upper))
    notes.append(reason(Forecasts.NOT_COUNTED))
    notes += reason_if(Forecasts.FOUND_OPENED, found.found, parts=found.found)
    notes += reason_if(Forecasts.FILLED, filled, filled=filled, lives=of)
    table = counts.replace({"component": {"": "all"}})[["span", "component", "units", "expected", "lower", "upper"]]
    return Answer(question, tuple(said), table, tuple(notes))


def stock_answer(found: Forecast) -> Answer:
    """What to keep on the shelf for what was ``found``."""
    question = reason(Question.STOCK)
    need = found.stock[found.stock["keep"] > 0].sort_values(
        ["keep", "component", "part"], ascending=[False, True, True], kind="stable"
    )
    if need.empty:
        return nothing(question, Stock.NOTHING, found.stock)
    said = [reason(Stock.KEEP, parts=[*need[["part", "keep"]].itertuples(index=False, name=None)], chance=STOCKED)]
    money = need["money_tied_up"].sum(min_count=1)
    if money == money:
        unpriced = need[need["price_each"].isna()]["part"].tolist()
        said.append(reason(Stock.TIES_UP, tied_up=money, unpriced=unpriced, currency=found.currency))
    return Answer(question, (*said, *reason_if(Stock.FOUND_OPENED, found.found, parts=found.found)), found.stock)


def units_answer(found: Forecast, shown: int = 20) -> Answer:
    """Each unit's own chance as ``found``; its table stops after the ``shown`` likeliest."""
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
    notes += reason_if(NextMiles.NO_CHANCE, blank, units=blank)
    notes += reason_if(NextMiles.LIVES_LEFT_OUT, found.left_out, lives=found.left_out)
    return Answer(question, said, units.head(shown), tuple(notes))


# ---- was the word kept -----------------------------------------------------------------------------------------------
#: quarters from a forecast to the day it is held against
BACK = {"quarter": 1, "year": 4}
_COLUMNS = ["made_on", "span", "component", "units", "expected", "lower", "upper", "came", "inside"]
_ALARM_COLUMNS = [
    "first_raised", "family", "component", "group", "units", "came_then", "expected_then", "threshold", "standing", "came_since",
    "expected_since", "verdict",
]  # fmt: skip


def forecasts_kept(
    snapshots: list[Snapshot], running: dict[tuple[int, str], tuple[pd.DataFrame, np.ndarray]]
) -> pd.DataFrame:
    """Each earlier forecast with what came (see _COLUMNS). snapshots: a quarter apart, oldest first. running: lives and
    chances of snapshot i for a span, as (i, "quarter") or (i, "year")."""
    rows = []
    for (i, span), (lives, chance) in sorted(running.items()):
        if not len(lives):
            continue
        now = snapshots[i + BACK[span]]
        came = came_later(lives, snapshots[i].table, now.table[now.table["stopped"]])
        days = days_between(snapshots[i], now)
        told = count_forecast(lives, with_level(chance, level_of(snapshots[i], days)))
        for row in told.itertuples():
            mine = came.sum() if row.component == "" else came[(lives["component"] == row.component).to_numpy()].sum()
            inside = bool(row.lower <= mine <= row.upper)
            foretold = [row.component, row.units, row.expected, row.lower, row.upper]
            rows.append([snapshots[i].as_of, span, *foretold, int(mine), inside])
    return pd.DataFrame(rows, columns=_COLUMNS)


def alarms_kept(watched: list[Watched]) -> pd.DataFrame:
    """Every alarm of the quarters replayed (``watched``, oldest first), once, with what came of it after: first_raised,
    family, component, group, units, came_then, expected_then, came_since, expected_since (had it been like the others),
    verdict (CameSince)."""
    rows: dict[tuple, dict] = {}
    for i, quarter in enumerate(watched):
        for alarm in quarter.alarms.itertuples():
            single = alarm.family in THIS_QUARTER
            key = (alarm.family, alarm.component, alarm.group, *([quarter.end] if single else []))
            if key in rows:
                continue
            rows[key] = {
                "first_raised": quarter.end,
                "family": alarm.family,
                "component": alarm.component,
                "group": alarm.group,
                "units": alarm.units,
                "came_then": alarm.came,
                "expected_then": alarm.expected,
                "threshold": alarm.threshold,
                "standing": False,
                **_since(alarm, watched[i + 1 :], single),
            }
            if watched and not single:
                last = _row(watched[-1], alarm)
                rows[key]["standing"] = bool(last is not None and last.alarm)
    return pd.DataFrame(list(rows.values()), columns=_ALARM_COLUMNS)


def _row(quarter: Watched, alarm):
    tests = quarter.tests
    own = tests[
        (tests["family"] == alarm.family) & (tests["component"] == alarm.component) & (tests["group"] == alarm.group)
    ]
    return next(own.itertuples(), None)


def _since(alarm, later: list[Watched], single: bool) -> dict:
    none = {"came_since": np.nan, "expected_since": np.nan, "verdict": CameSince.RAISED_NOW}
    if not later:
        return none
    then = _row(later[0] if single else later[-1], alarm)
    if then is None:
        return none | {"verdict": CameSince.NO_LONGER_LOOKED_AT}
    came = then.came - (0 if single else alarm.came)
    expected = max(then.expected - (0 if single else alarm.expected), 1e-9)
    if came <= 0 and alarm.family in INSTALL:
        verdict = CameSince.RUN_ITS_COURSE
    elif (poisson.sf(came - 1, expected) if alarm.came > alarm.expected else poisson.cdf(came, expected)) <= 0.05:
        verdict = CameSince.BORNE_OUT
    elif expected * 2 < 3:  # three expected at twice the rate: none would be a surprise
        verdict = CameSince.TOO_EARLY
    else:
        verdict = CameSince.NOT_BORNE_OUT
    return {"came_since": int(came), "expected_since": float(expected), "verdict": verdict}


def kept_answer(
    forecasts: pd.DataFrame, alarms: pd.DataFrame, first: pd.Timestamp | None, held: pd.DataFrame | None = None
) -> Answer:
    """Hits, misses, coverage so far: of what reviews said (``held``: review.said.said_held), then of ``forecasts`` and ``alarms`` made again by
    today's program, the ``first`` of them on that day."""
    question = reason(Question.KEPT, first=first)
    if forecasts.empty:
        return nothing(question, Kept.NO_QUARTER_BEFORE, forecasts)
    said = _word_kept(held)
    whole = forecasts[forecasts["component"] == ""]
    for span, code in (("quarter", Kept.QUARTERS), ("year", Kept.YEARS)):
        own = whole[whole["span"] == span]
        if len(own):
            sums = {
                "inside": int(own["inside"].sum()),
                "came": int(own["came"].sum()),
                "expected": own["expected"].sum(),
            }
            said.append(reason(code, forecasts=len(own), level=LEVEL, **sums))
    parts = forecasts[(forecasts["component"] != "") & (forecasts["span"] == "quarter")]
    if len(parts):
        within = int(parts["inside"].sum())
        too_sure = bool(binomtest(within, len(parts), LEVEL, alternative="less").pvalue < 0.05)
        said.append(reason(Kept.COMPONENTS, inside=within, forecasts=len(parts), too_sure=too_sure))
    missed = whole.loc[~whole["inside"], ["span", "made_on", "came", "lower", "upper"]]
    said += [reason(Kept.MISSED, **row) for row in missed.to_dict("records")]
    old = alarms[alarms["came_since"].notna()]
    if len(old):
        said.append(reason(Kept.ALARMS, verdicts=old["verdict"].value_counts().sort_index().to_dict()))
    else:
        said.append(reason(Kept.NO_ALARM_YET))
    return Answer(question, tuple(said), forecasts.replace({"component": {"": "all"}}))


def _word_kept(held: pd.DataFrame | None) -> list[Reason]:
    """Forecasts as they were said, by the date they were said on."""
    whole = held[held["component"] == ""] if held is not None and len(held) else None
    if whole is None or whole.empty:
        return [reason(Kept.NOTHING_SAID)]
    said = []
    for span, own in whole.groupby("what", sort=False):
        sums = {
            "inside": int(own["inside"].sum()),
            "came": int(own["came"].sum()),
            "expected": float(own["expected"].sum()),
        }
        said.append(reason(Kept.SAID, span=span, forecasts=len(own), first=own["as_of"].min(), level=LEVEL, **sums))
    missed = whole.loc[~whole["inside"].astype(bool), ["what", "as_of", "came", "lower", "upper"]]
    return said + [reason(Kept.SAID_MISSED, **row) for row in missed.to_dict("records")]
