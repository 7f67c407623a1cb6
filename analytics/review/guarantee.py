"""How long a guarantee each power band could carry at a stated cost per unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.models.distributions import averaged, survival_of
from analytics.models.lifedata import NOTHING, split_days
from analytics.reasons import Guarantee, Lasts, Question, brief, reason
from analytics.records.measures import DAYS_A_MONTH, DAYS_A_YEAR
from analytics.records.shop import Shop
from analytics.review.answer import Answer, nothing
from analytics.review.repeats import mean_comebacks
from analytics.review.snapshot import (
    AGEING,
    DRAWS,
    SEED,
    PartSnapshot,
    Snapshot,
    chance_of,
    common_level,
    from_entry,
    past_of,
    stand_in,
)

MONTHS = np.r_[1:37, 39:121:3]
MILES = np.arange(1_000, 150_001, 1_000)
LEVEL = 0.90
NAN = float("nan")
#: guarantees looked at where shop.toml names none, as shares of what a comeback costs
_SHARES = (0.02, 0.05, 0.10)
#: builds this recent stand for those to come; a band needs so many, and so many followed to the age promised
_YEARS = 3.0
_FEWEST = 10
#: failures of its own below which a band is promised nothing: the limits held the truth too rarely, and from below (data/evidence)
OWN_FAILURES = 3
#: units followed from their first day, below which all units speak of install errors
_FOLLOWED = 50
TRUCKS = 80
#: failures' worth of trust that a band fails as the fits say. Chosen among 1 and 4 on simulated shops (data/evidence)
_PRIOR = 1.0
#: levels of a band, of all parts and of install errors to each draw of the fits: by one apiece the end of a range moved with the seed by a standard deviation
#: of 4%, by eight by 2% (the demo's four bands at 1, 3 and 6 years, 8 seeds)
_LEVELS = 8


@dataclass(frozen=True, slots=True, repr=False)
class BandCost:
    """One band. months, miles: (_LEVELS DRAWS, K) expected comebacks per unit within each of MONTHS, or of MILES, all components
    together, reported or not. seen_months, seen_miles: as far as enough units of the band have been followed. year: mean
    comebacks per unit within a year on record, with limits; NaN where none came back or too few were followed. failures:
    of the band's own parts, on record."""

    band: str
    built: int
    a_year: float
    months: np.ndarray
    miles: np.ndarray
    seen_months: float
    seen_miles: float
    year: tuple[float, float, float]
    failures: int

    @property
    def told(self) -> bool:
        """Whether enough of the band failed for its cost to be told."""
        return self.failures >= OWN_FAILURES

    def __repr__(self) -> str:
        return brief(self, "band", "built", in_a_year=self.months[:, 11].mean())


def allowed_costs(shop: Shop) -> list[float]:
    """What the guarantee may cost a unit: as the shop states, else the shares _SHARES of a comeback; nothing where no cost is
    stated."""
    comeback, own = shop.cost_of("comeback"), shop.cost_of("guarantee_per_unit")
    return [own] if own else [s * comeback for s in _SHARES] if comeback else []


# ---- expected comebacks ----------------------------------------------------------------------------------------------
def _driving_of(own: PartSnapshot, snapshot: Snapshot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log miles a day per use (DRAWS, uses), its spread (DRAWS,) and the log of the later over the earlier rate (DRAWS,)."""
    model, _ = own.fit.fitted()
    lay, theta = model.layout, own.theta
    if lay.uses:
        mu = theta[:, lay.mu]
        mu = np.repeat(mu, len(model.data.use_names), 1) if lay.uses == 1 else mu
        at = lay.place("decline")
        later = theta[:, at] if at is not None else np.full(len(theta), lay.fixed_decline)
        return mu, np.exp(theta[:, lay.tau]), later
    d = snapshot.settings.driving(own.lives.data)
    return np.tile(d.mu, (len(theta), 1)), np.full(len(theta), d.tau), np.full(len(theta), d.decline)


def _uses_of(own: PartSnapshot, trucks: pd.DataFrame) -> np.ndarray:
    """Use codes (n,) of the part's fit; a use it has not seen counts as its most common one."""
    data = own.fit.fitted()[0].data
    common = int(np.argmax(np.bincount(data.use, data.weight, minlength=len(data.use_names))))
    return np.array([data.use_names.index(u) if u in data.use_names else common for u in trucks["use"]])


def covariates_of(own: PartSnapshot, trucks: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Covariates (n, q) of ``trucks`` (power_hp, weight_lb, use, count) in the fit of a part (``own``), and their
    shares (n,)."""
    model, _ = own.fit.fitted()
    loads = zip(trucks["power_hp"], trucks["weight_lb"], _uses_of(own, trucks), strict=True)
    x = np.array([np.r_[1.0, model.covariates(np.log(p), np.log(w), u)] for p, w, u in loads])
    count = trucks["count"].to_numpy(float)
    return x, count / count.sum()


def typical(trucks: pd.DataFrame) -> pd.DataFrame:
    """At most TRUCKS of the ``trucks``, evenly spaced by power, whatever the order of the rows."""
    trucks = trucks.sort_values(["power_hp", "weight_lb", "use", "serial"], kind="stable")
    if len(trucks) <= TRUCKS:
        return trucks
    return trucks.iloc[np.linspace(0, len(trucks) - 1, TRUCKS).round().astype(int)]


def _failing(own: PartSnapshot, snapshot: Snapshot, trucks: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Share of new ``trucks`` (power_hp, weight_lb, use, count) failed within each of MONTHS (DRAWS, K) and MILES (DRAWS, L)."""
    model, _ = own.fit.fitted()
    x, count = covariates_of(own, trucks)
    use = _uses_of(own, trucks)
    theta = own.theta
    beta, eta = np.exp(theta[:, :1]), theta[:, model.layout.gamma] @ x.T

    def by(log_miles: np.ndarray) -> np.ndarray:
        """Failed by that many miles, (DRAWS, trucks)."""
        return 1 - survival_of(beta * (log_miles - np.log(model.life_miles)) - eta, model.distribution)

    in_miles = np.stack([by(np.log(m)) @ count for m in MILES], 1)
    mu, tau, later = _driving_of(own, snapshot)
    s, weight = model.nodes
    in_months = np.empty((len(theta), len(MONTHS)))
    for k, month in enumerate(MONTHS):
        before, after = split_days(np.zeros(1), np.array([month * DAYS_A_MONTH]), model.change_days)
        exposure = np.log(np.maximum(before + np.exp(later)[:, None] * after, NOTHING))
        u = beta * (mu[:, use] + exposure - np.log(model.life_miles)) - eta
        (survive,) = averaged(u, beta[:, 0] * tau, s, [weight[None, None]], model.distribution)
        in_months[:, k] = (1 - survive[:, 0]) @ count
    return in_months, in_miles


def _without_fit(snapshot: Snapshot, component: str, part: str, per_day: float) -> tuple[np.ndarray, np.ndarray]:
    """The same where neither the part nor its component has a fit: gamma draws of the level, the hazard growing as AGEING says."""
    failures, run = past_of(snapshot, component, part)
    rate = np.random.default_rng(SEED).permutation(np.random.default_rng(SEED + 1).gamma(failures, 1 / run, DRAWS))
    return (
        -np.expm1(-rate[:, None] * (MONTHS * DAYS_A_MONTH) ** AGEING),
        -np.expm1(-rate[:, None] * (MILES / per_day) ** AGEING),
    )


def band_cost(snapshot: Snapshot, band: str) -> BandCost | None:
    """Expected comebacks of the trucks in the ``snapshot`` built in a power ``band`` lately, all components together;
    None where none were built."""
    units = snapshot.lifetimes.units
    every = units[units["first_band"].astype(str) == band]
    lately = every[every["begun_on"] >= snapshot.as_of - pd.Timedelta(days=round(_YEARS * DAYS_A_YEAR))]
    table = snapshot.table
    first = table[(table["spell"] == 1) & (table["segment"] == 1) & table["unit"].isin(lately.index)]
    if first.empty:
        return None
    # one tuned before it came in sight is not seen at the load it went out with
    as_sent = first[first["power_band"].astype(str) == band]
    per_day = _usual_miles_a_day(snapshot)
    months, miles = np.zeros((DRAWS, len(MONTHS))), np.zeros((DRAWS, len(MILES)))
    for _, own in (as_sent if len(as_sent) else first).groupby("component", sort=True):
        total = own["count"].sum()
        for (component, part), trucks in own.groupby(["component", "part"], sort=True):
            share = trucks["count"].sum() / total
            part_snapshot = stand_in(snapshot, component, part)
            trucks = typical(trucks)
            if part_snapshot is None or part_snapshot.fit.model is None:
                a, b = _without_fit(snapshot, component, part, per_day)
            else:
                a, b = _failing(part_snapshot, snapshot, trucks)
            months += share * a
            miles += share * b
    came, expected = _came_and_expected(snapshot, every.index.to_numpy())
    # of each draw several, with levels of their own: the ends of a range are its twentieth
    months, miles, expected = (np.concatenate([drawn] * _LEVELS) for drawn in (months, miles, expected))
    held = (_band_factor(came, expected) * common_level(len(expected)))[:, None]
    months, miles = months * held, miles * held
    install = _install(snapshot, len(expected))[:, None]  # mostly in the first weeks: counted from the first day
    ages = np.sort(np.repeat(every["days"].to_numpy(float), every["count"]))[::-1]
    seen_miles = np.sort(every["miles"].dropna().to_numpy(float))[::-1]
    return BandCost(
        band,
        int(lately["count"].sum()),
        float(lately["count"].sum())
        / min(_YEARS, max((snapshot.as_of - units["begun_on"].min()).days / DAYS_A_YEAR, 1 / 12)),
        months + install,
        miles + install,
        float(ages[_FEWEST - 1]) / DAYS_A_MONTH if len(ages) >= _FEWEST else 0.0,
        float(seen_miles[_FEWEST - 1]) if len(seen_miles) >= _FEWEST else 0.0,
        _year_on_record(snapshot, every.index.to_numpy()),
        int(came),
    )


def _year_on_record(snapshot: Snapshot, units: np.ndarray) -> tuple[float, float, float]:
    """Mean comebacks per unit within a year among ``units``, with 95% limits."""
    own = snapshot.lifetimes.units.index.isin(units)
    try:
        mean = mean_comebacks(snapshot.records, snapshot.lifetimes, own)
    except NotEnoughData:
        return NAN, NAN, NAN
    if mean.last_time < DAYS_A_YEAR:
        return NAN, NAN, NAN
    at = mean.mean_at(DAYS_A_YEAR).iloc[0]
    return float(at["mean"]), float(at["lower"]), float(at["upper"])


def _came_and_expected(snapshot: Snapshot, units: np.ndarray) -> tuple[float, np.ndarray]:
    """Failures on record among the parts in ``units``, and those their fits expect over the time each was followed (DRAWS,)."""
    came, expected = 0.0, np.zeros(DRAWS)
    unit, stopped, count = (snapshot.table[c].to_numpy() for c in ("unit", "stopped", "count"))
    for (component, part), own in snapshot.parts.items():
        which = np.flatnonzero(np.isin(unit[own.lives.rows], units))
        if not len(which):
            continue
        begun, days = from_entry(own.lives.data)
        chance = chance_of(own, past_of(snapshot, component, part), begun, which, days[which])
        at = own.lives.rows[which]
        # expected over the time to the failure, or to the end: the hazard summed up, not the chance
        expected += -np.log1p(-np.minimum(chance, 1 - 1e-12)) @ count[at]
        came += float((stopped[at] * count[at]).sum())
    return came, expected


def _band_factor(came: float, expected: np.ndarray) -> np.ndarray:
    """By how much the units of a band fail more (or less) than the fits say, in the shape of ``expected``: gamma given what came, shrunk to 1."""
    return np.random.default_rng(SEED + 3).gamma(came + _PRIOR, 1 / (expected + _PRIOR))


def _usual_miles_a_day(snapshot: Snapshot) -> float:
    once = snapshot.lifetimes.units
    known = once[(once["miles_days"] > 30) & (once["miles"] > 0)]
    return float((known["miles"] / known["miles_days"]).median()) if len(known) else 30.0


def _install(snapshot: Snapshot, draws: int) -> np.ndarray:
    """Install errors per unit built, (draws,): gamma with the prior of Jeffreys, from units followed from their first day; from
    all, where those are fewer than _FOLLOWED."""
    table = snapshot.table
    begun = set(table.loc[(table["spell"] == 1) & (table["segment"] == 1) & (table["entry_days"] <= 0), "unit"])
    every = snapshot.lifetimes.units
    followed = every.index.isin(begun)
    units = float(every.loc[followed, "count"].sum())
    own = table["unit"].isin(begun)
    if units < _FOLLOWED:
        units, own = float(every["count"].sum()), own | True
    seen = float(table.loc[table["install"] & (table["spell"] == 1) & own, "count"].sum())
    return np.random.default_rng(SEED + 2).gamma(seen + 0.5, 1 / units, draws)


# ---- length ----------------------------------------------------------------------------------------------------------
def longest(cost: np.ndarray, grid: np.ndarray, allowed: float) -> np.ndarray:
    """Longest of ``grid`` (K,) at which the cost (B, K), rising, is still allowed: (B,), between its points; 0 where the
    first is too dear already, inf where even the last is not."""
    cost = np.atleast_2d(cost)
    below = (cost <= allowed).sum(1)
    at = np.clip(below, 1, len(grid) - 1)
    rows = np.arange(len(cost))
    low, high = cost[rows, at - 1], cost[rows, at]
    share = np.where(high > low, (allowed - low) / np.where(high > low, high - low, 1), 0.0)
    found = grid[at - 1] + np.clip(share, 0, 1) * (grid[at] - grid[at - 1])
    return np.where(below == 0, 0.0, np.where(below == len(grid), np.inf, found))


_COLUMNS = [
    "power_band", "built", "a_year", "allowed_per_unit", "months", "months_lower", "months_upper", "seen_months", "guarantee_months",
    "guarantee_miles", "back_in_12_months", "back_lower", "back_upper", "year_on_record", "in_words",
]  # fmt: skip


def band_costs(snapshot: Snapshot) -> tuple[BandCost, ...]:
    """The power bands of the ``snapshot`` of which enough were built lately, from low to high."""
    found = (band_cost(snapshot, band) for band in snapshot.lifetimes.shop.band_labels())
    return tuple(f for f in found if f is not None and f.built >= _FEWEST)


def guarantee(snapshot: Snapshot, costs: tuple[BandCost, ...]) -> Answer:
    """The guarantee each power band could carry at the costs allowed by the shop of the ``snapshot``, from the models;
    one row per band and cost. costs: as `band_costs` makes them."""
    question = reason(Question.GUARANTEE, years=_YEARS, level=LEVEL, fewest=_FEWEST)
    shop = snapshot.lifetimes.shop
    empty = pd.DataFrame(columns=_COLUMNS)
    comeback, allowed = shop.cost_of("comeback"), allowed_costs(shop)
    if not comeback:
        return nothing(question, Guarantee.NO_COST, empty)
    failures = int(snapshot.table.loc[snapshot.table["stopped"], "count"].sum())
    if failures < shop.checks.failures_to_fit:
        return nothing(
            question, Guarantee.TOO_FEW_FAILURES, empty, failures=failures, needed=shop.checks.failures_to_fit
        )
    own = bool(shop.cost_of("guarantee_per_unit"))
    said = [
        reason(Guarantee.COSTS, comeback=comeback, allowed=allowed, stated=own, shares=_SHARES, currency=shop.currency)
    ]
    rows: list[dict] = []
    middle = allowed[(len(allowed) - 1) // 2]
    for band in shop.band_labels():
        found = next((c for c in costs if c.band == band), None)
        if found is None:
            said.append(reason(Guarantee.TOO_FEW_BUILT, band=band, fewest=_FEWEST, years=_YEARS))
            continue
        lasts = {amount: _row(found, amount, comeback) for amount in allowed}
        rows += lasts.values()
        said.append(
            reason(Guarantee.BAND, band=band, allowed=middle, lasts=lasts[middle]["in_words"], currency=shop.currency)
        )
    said.append(reason(Guarantee.NO_ADVICE))
    return Answer(question, tuple(said), pd.DataFrame(rows, columns=_COLUMNS))


def _row(found: BandCost, amount: float, comeback: float) -> dict[str, object]:
    """One row of the table: what is not told is NaN."""
    row = {
        "power_band": found.band,
        "built": found.built,
        "a_year": found.a_year,
        "allowed_per_unit": amount,
        "seen_months": found.seen_months,
        "year_on_record": found.year[0],
    }
    if not found.told:
        row |= dict.fromkeys((c for c in _COLUMNS if c not in row), NAN)
        return row | {"in_words": reason(Lasts.TOO_FEW_FAILURES, failures=found.failures, needed=OWN_FAILURES)}
    budget = amount / comeback
    middle = float(longest(found.months.mean(0), MONTHS, budget)[0])
    low, high = _limits(longest(found.months, MONTHS, budget))
    low_miles, _ = _limits(longest(found.miles, MILES, budget))
    year = found.months[:, 11]
    back, (back_low, back_high) = float(year.mean()), np.quantile(year, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    months = float(np.floor(min(low, found.seen_months)))
    miles = float(np.floor(min(low_miles, found.seen_miles) / 1000) * 1000)
    if found.year[1] > back_high:
        months = miles = 0.0
        told = reason(Lasts.MORE_THAN_EXPECTED, on_record=found.year[0], at_least=found.year[1], expected=back)
    elif months < 1:
        told = reason(Lasts.NO_MONTH, back_at_once=float(found.months[:, 0].mean()), back_in_a_year=back)
    else:
        told = reason(
            Lasts.MONTHS,
            months=int(months),
            miles=miles,
            limits=None if found.seen_months < low else (middle, low, high),
            longest=int(MONTHS[-1]),
            back_in_a_year=(back, float(back_low), float(back_high)),
            on_record=found.year[0],
            failures=found.failures,
        )
    return row | {
        "months": middle,
        "months_lower": low,
        "months_upper": high,
        "guarantee_months": months,
        "guarantee_miles": miles,
        "back_in_12_months": back,
        "back_lower": float(back_low),
        "back_upper": float(back_high),
        "in_words": told,
    }


def _limits(length: np.ndarray) -> tuple[float, float]:
    ordered = np.sort(length)
    k = (1 - LEVEL) / 2 * len(ordered)
    return float(ordered[int(np.floor(k))]), float(ordered[int(np.ceil(len(ordered) - k)) - 1])
