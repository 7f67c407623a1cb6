"""What following the sheet is worth: invented shops replayed for six years, the same trucks for every owner.

A shop builds one component from two parts, the dearer where the limit of the cheaper does not reach; a truck beyond both is turned
away. Each limit begins at .7, 1.0 or 1.35 of the truth. Five owners: one never changes it; one sets it just below the first failure
(the habit); one does what the sheet says, each quarter after the first year; one weighs all that records could tell
(`studies.best_odds`); one knows the truth from the first day.

A comeback is a part that fails within the target life. A truck is refused where a part is passed over that the truth allows for its
class. The records are what a shop would have: 85% of failures reported, one odometer in five read, powers and weights missing
(mostly of trucks that never came back), kilowatts among the horsepower, returns entered twice and for units nobody built.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analytics.lifetimes.table import make_lifetimes
from analytics.models.distributions import standard_quantile, survival_of
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings
from analytics.records.frames import shop_of_frames
from analytics.records.load import load_records
from analytics.whole import whole_file
from studies.resumable import resume, versions_used

BLOCKS, TABLE, OF_HABIT = "worth_runs.csv", "worth.csv", "worth_of_habit.csv"
LIFE_MILES, RELIABILITY = 50_000.0, 0.9
STARTS = (0.7, 1.0, 1.35)
OWNERS = (
    "never changes",
    "just below the first failure",
    "follows the sheet",
    "tries too",
    "best odds",
    "knows the truth",
)
#: comebacks that one truck refused is worth
PRICES = (5, 10, 20)
QUARTERS, QUARTER_DAYS = 24, 365.25 / 4
EDGES_LB = (7500.0, 9000.0)
#: the weight that stands for a class
CLASS_LB = np.array([7500.0, 9000.0, 10_500.0])
_CLASS = ("7500 lb", "9000 lb", "over 9000 lb")
PARTS = ("P-1", "P-2")
_USES = ("street", "towing")
FIRST_DAY = dt.date(2018, 1, 1)
_STEP_HP = 25.0
#: share of failures the shop hears of
TOLD = 0.85
#: the first quarter with a look at the records
FIRST_LOOK = 3
#: shops on which the rule's constants were chosen; the study begins above them
FIRST_SEED = 501


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """How the parts of an invented shop live: star hp (the rating in the lightest class), shape, effects of power and weight, (parts,); law;
    harsher: effect of the harsher use."""

    star: np.ndarray
    shape: np.ndarray
    by_power: np.ndarray
    by_weight: np.ndarray
    law: str
    harsher: float

    def lost(self, power_hp: np.ndarray, weight_lb: np.ndarray, use: np.ndarray, miles: float) -> np.ndarray:
        """Share (parts, n) of such trucks whose part fails within the ``miles``."""
        z = np.log(miles / LIFE_MILES) - (
            self.by_power[:, None] * np.log(power_hp / self.star[:, None])
            + self.by_weight[:, None] * np.log(weight_lb / CLASS_LB[0])
            + self.harsher * use
        )
        return 1 - survival_of(self.shape[:, None] * z + standard_quantile(RELIABILITY, self.law), self.law)

    def lives(
        self, power_hp: np.ndarray, weight_lb: np.ndarray, use: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        """Miles (parts, n) that each part would last in such trucks, drawn."""
        u = rng.random((len(PARTS), len(power_hp)))
        z = np.log(-np.log(u)) if self.law == "weibull" else ndtri(u)
        return np.exp(
            np.log(LIFE_MILES)
            + (z - standard_quantile(RELIABILITY, self.law)) / self.shape[:, None]
            + self.by_power[:, None] * np.log(power_hp / self.star[:, None])
            + self.by_weight[:, None] * np.log(weight_lb / CLASS_LB[0])
            + self.harsher * use
        )

    @property
    def rated_hp(self) -> np.ndarray:
        """(parts, classes): the rating of each class in the harsher use."""
        by_weight = self.by_weight[:, None] * np.log(CLASS_LB / CLASS_LB[0])
        return np.exp(np.log(self.star)[:, None] - (by_weight + self.harsher) / self.by_power[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class InventedShop:
    """Trucks (n,) in the order they come, and what would become of each with each part, (parts, n).

    day: of the build, from the first. line: how strictly the limit is read that day. truth_hp: (parts, classes), the rating in the
    harsher use. life_miles, told: whether a failure would be reported. read_share: of its age at which an odometer is read, NaN: never.
    blank_power, blank_weight: what the shop did not write down, (n,) chance ranks.
    """

    day: np.ndarray
    power_hp: np.ndarray
    weight_lb: np.ndarray
    use: np.ndarray
    miles_a_day: np.ndarray
    line: np.ndarray
    truth_hp: np.ndarray
    life_miles: np.ndarray
    told: np.ndarray
    read_share: np.ndarray
    blank: np.ndarray
    truth: Truth

    @property
    def weight_class(self) -> np.ndarray:
        return np.searchsorted(EDGES_LB, self.weight_lb, side="left")


def drawn_truth(rng: np.random.Generator) -> Truth:
    """Ratings of 450 to 650 hp and 1.3 to 1.6 times that, shapes 1.4 to 2.6, life falling with power to the 0.8 to 4.5, in one of three log-normal lives."""
    star = rng.uniform(450, 650) * np.array([1.0, rng.uniform(1.3, 1.6)])
    shape = rng.uniform(1.4, 2.6, len(PARTS))
    by_power = -np.exp(rng.uniform(np.log(0.8), np.log(4.5), len(PARTS)))
    by_weight = -rng.uniform(0.5, 2.5, len(PARTS))
    law = "lognormal" if rng.random() < 1 / 3 else "weibull"
    return Truth(star, shape, by_power, by_weight, law, harsher=-rng.uniform(0.0, 0.4))


def invent(seed: int) -> InventedShop:
    """A shop of 120 to 240 trucks a year, about as strong as the rating of its cheaper part."""
    rng = np.random.default_rng([20_261_126, seed])
    n = int(rng.integers(120, 241) * QUARTERS / 4)
    truth = drawn_truth(rng)
    use = (rng.random(n) < 0.4).astype(int)
    power = np.exp(np.log(truth.star[0] * 1.05) + 0.33 * rng.standard_normal(n))
    weight = np.exp(np.log(7300.0) + 0.16 * rng.standard_normal(n))
    life = truth.lives(power, weight, use, rng)
    return InventedShop(
        day=np.sort(rng.uniform(0, QUARTERS * QUARTER_DAYS, n)),
        power_hp=power,
        weight_lb=weight,
        use=use,
        miles_a_day=np.exp(np.log(np.array([28.0, 40.0])[use]) + 0.5 * rng.standard_normal(n)),
        line=np.exp(0.04 * rng.standard_normal(n)),
        truth_hp=truth.rated_hp,
        life_miles=life,
        told=rng.random((len(PARTS), n)) < TOLD,
        read_share=np.where(rng.random(n) < 0.2, rng.random(n), np.nan),
        blank=rng.random((2, n)),
        truth=truth,
    )


class Owner:
    """An owner at work. limits: (parts, classes) hp, today's; tried: how far he tries the parts above them; first: those he began with. fitted: part of each truck, -1 not
    yet come, the number of parts: turned away."""

    def __init__(self, shop: InventedShop, start: float):
        self.shop, self.first = shop, shop.truth_hp * start
        self.limits, self.tried = self.first.copy(), np.zeros_like(self.first)
        self.fitted = np.full(len(shop.day), -1)
        self.kept: list[tuple[int, int, float, float]] = []  # accepted: part, class, day, hp

    def build(self, quarter: int) -> None:
        """Fit the trucks of a quarter, each with the weakest part that reaches it."""
        came = (self.shop.day >= quarter * QUARTER_DAYS) & (self.shop.day < (quarter + 1) * QUARTER_DAYS)
        at = np.flatnonzero(came)
        reach = (self.shop.power_hp * self.shop.line)[at] <= np.maximum(self.limits, self.tried)[
            :, self.shop.weight_class[at]
        ]
        self.fitted[at] = np.where(reach.any(0), reach.argmax(0), len(PARTS))

    def failed(self, part: int, day: float) -> tuple[np.ndarray, np.ndarray]:
        """Trucks with the part, and whether each has come back by that day."""
        at = np.flatnonzero(self.fitted == part)
        run = self.shop.miles_a_day[at] * (day - self.shop.day[at])
        return at, (self.shop.life_miles[part, at] < run) & self.shop.told[part, at]

    def score(self) -> dict[str, int]:
        """comebacks within the life, and good trucks refused."""
        shop, trucks = self.shop, np.arange(len(self.fitted))
        with_part = self.fitted < len(PARTS)
        own = shop.life_miles[self.fitted[with_part], trucks[with_part]]
        good = shop.power_hp <= shop.truth_hp[:, shop.weight_class]
        passed_over = self.fitted > np.arange(len(PARTS))[:, None]
        return {"comebacks": int((own < LIFE_MILES).sum()), "refused": int((good & passed_over).sum())}


def sheets_of(owner: Owner, day: float) -> dict[str, pd.DataFrame]:
    """What the shop has on record by a day: builds, returns, readings and limits, as text, with the dirt of real sheets."""
    shop = owner.shop
    at = np.flatnonzero((owner.fitted >= 0) & (owner.fitted < len(PARTS)))
    part = owner.fitted[at]
    run = shop.miles_a_day[at] * (day - shop.day[at])
    life = shop.life_miles[part, at]
    back = (life < run) & shop.told[part, at]
    serial = [f"U-{i:04d}" for i in at]
    before = 20_000 + 97 * at % 60_000  # what the truck had run when the unit went in
    # what came back is written up better than what did not
    blank = shop.blank[:, at] < np.where(back, 0.02, 0.10)
    builds = pd.DataFrame(
        {
            "serial": serial,
            "built_on": _dates(shop.day[at]),
            "odometer_at_install": [f"{m:.0f}" for m in before],
            "power": np.where(blank[0], "", _powers(shop.power_hp[at], shop.blank[1, at])),
            "weight": np.where(blank[1], "", [f"{w:.0f} lb" for w in shop.weight_lb[at]]),
            "use": np.array(_USES)[shop.use[at]],
            "shaft": np.array(PARTS)[part],
        }
    )
    failed_on = shop.day[at] + life / shop.miles_a_day[at]
    rows = np.flatnonzero(back)
    returns = pd.DataFrame(
        {
            "serial": [serial[i].lower() if at[i] % 3 == 0 else f" {serial[i]} " for i in rows],
            "component": "shaft",
            "failed_on": _dates(failed_on[rows]),
            "odometer": [f"{before[i] + life[i]:.0f}" if at[i] % 10 else "" for i in rows],
            "cause": "part",
        }
    )
    if len(returns):
        twice = returns.iloc[::25]
        unknown = returns.iloc[:1].assign(serial="U-99999")
        returns = pd.concat([returns, twice, unknown], ignore_index=True)
    read_on = shop.day[at] + shop.read_share[at] * (day - shop.day[at])
    seen = (
        (shop.read_share[at] > 0)
        & (read_on - shop.day[at] > 30)
        & ~(life < shop.miles_a_day[at] * (read_on - shop.day[at]))
    )
    readings = pd.DataFrame(
        {
            "serial": np.array(serial)[seen],
            "read_on": _dates(read_on[seen]),
            "odometer": [f"{m:.0f}" for m in (before + shop.miles_a_day[at] * (read_on - shop.day[at]))[seen]],
        }
    )
    return {"builds": builds, "returns": returns, "readings": readings, "limits": _limits(owner)}


def _dates(days: np.ndarray) -> list[str]:
    return [(FIRST_DAY + dt.timedelta(days=int(d))).isoformat() for d in days]


def _powers(power: np.ndarray, rank: np.ndarray) -> list[str]:
    """Some in kilowatts."""
    return [f"{p * 0.745699872:.1f} kW" if r > 0.9 else f"{p:.0f} hp" for p, r in zip(power, rank, strict=True)]


def _limits(owner: Owner) -> pd.DataFrame:
    columns = "component part weight_up_to power_limit effective_on reason basis".split()
    first = [
        ["shaft", name, kind, f"{owner.first[i, c]:.0f} hp", FIRST_DAY.isoformat(), "supplier's word", ""]
        for i, name in enumerate(PARTS)
        for c, kind in enumerate(_CLASS)
    ]
    later = [
        ["shaft", PARTS[i], _CLASS[c], f"{hp:.0f} hp", _dates(np.array([day]))[0], "accepted", "records"]
        for i, c, day, hp in owner.kept
    ]
    return pd.DataFrame(first + later, columns=columns)


SETTINGS = {
    "shop": {"name": "Invented", "records_start": FIRST_DAY.isoformat()},
    "components": {"shaft": "shaft"},
    "weight": {"classes": list(EDGES_LB)},
    "targets": {"miles": LIFE_MILES, "reliability": RELIABILITY, "confidence": 0.9},
}


def _look(owner: Owner, day: float, replicates: int) -> pd.DataFrame:
    """The rows of the sheet, with the place of each limit: part_at, class_at."""
    as_of = FIRST_DAY + dt.timedelta(days=int(day))
    records = load_records(shop_of_frames(sheets_of(owner, day), SETTINGS), as_of)
    options = options_for(records.shop)
    options = replace(options, settings=replace(options.settings, explain=False, replicates=replicates, draws=0))
    table = make_ratings(records, make_lifetimes(records), options, own_uses=False).table
    table = table[table["use"] == ""]
    return table.assign(
        part_at=[PARTS.index(p) for p in table["part"]],
        class_at=[int(np.searchsorted(EDGES_LB, w, side="left")) for w in table["weight_up_to"]],
    )


def follow(shop: InventedShop, start: float, replicates: int, tries: bool = False) -> tuple[Owner, dict[str, float]]:
    """The owner who accepts what the sheet says, each quarter from the fourth on, and where he ``tries`` fits parts as far above their limits as it says; with what it said. first_right: quarter of
    the first raise of a limit that is too low, or lower of one that is too high, NaN: never; the middle of the parts' lightest class."""
    owner = Owner(shop, start)
    said = {"looks": 0, "raises": 0, "raised_above": 0, "wrong_lower": 0, "lowers": 0, "tried": 0, "tried_above": 0}
    first_right = np.full(len(PARTS), np.inf)
    wrong = np.zeros(len(PARTS), bool)
    for quarter in range(QUARTERS):
        owner.build(quarter)
        if quarter < FIRST_LOOK:
            continue
        day = (quarter + 1) * QUARTER_DAYS
        owner.tried[:] = 0.0
        for row in _look(owner, day, replicates).itertuples():
            said["looks"] += 1
            if tries and row.trial_hp > owner.limits[row.part_at, row.class_at]:
                owner.tried[row.part_at, row.class_at] = row.trial_hp
                said["tried"] += 1
                said["tried_above"] += row.trial_hp > shop.truth_hp[row.part_at, row.class_at]
            if row.verdict not in ("raise", "lower"):
                continue
            i, c, raised = row.part_at, row.class_at, row.verdict == "raise"
            old, true, new = owner.limits[i, c], shop.truth_hp[i, c], float(row.proposed_hp)
            said["raises" if raised else "lowers"] += 1
            said["raised_above"] += raised and new > true
            if c == 0 and not raised and old == owner.first[i, c] and old <= true * 1.001:
                wrong[i] = True
            if c == 0 and old == owner.first[i, c] and raised == (start < 1):
                first_right[i] = min(first_right[i], quarter + 1)
            owner.limits[i, c] = new
            owner.kept.append((i, c, day, new))
    said["wrong_lower"] = int(wrong.sum())
    middle = float(np.median(first_right))
    return owner, {**said, "first_right": middle if start != 1 else np.nan}


def habit(shop: InventedShop, start: float) -> Owner:
    """The owner who sets a limit just below the weakest truck that came back within it, for its class and the heavier ones."""
    owner = Owner(shop, start)
    for quarter in range(QUARTERS):
        owner.build(quarter)
        for part in range(len(PARTS)):
            at, back = owner.failed(part, (quarter + 1) * QUARTER_DAYS)
            for c in range(len(_CLASS)):
                hit = back & (shop.weight_class[at] <= c) & (shop.power_hp[at] <= owner.limits[part, c])
                if hit.any():
                    below = np.ceil(shop.power_hp[at][hit].min() / _STEP_HP - 1) * _STEP_HP
                    owner.limits[part, c:] = np.minimum(owner.limits[part, c:], below)
    return owner


def unchanged(shop: InventedShop, start: float) -> Owner:
    """The owner whose limits stay as they are."""
    owner = Owner(shop, start)
    for quarter in range(QUARTERS):
        owner.build(quarter)
    return owner


def of_the_best_odds(shop: InventedShop, start: float, seed: int) -> tuple[Owner, dict[str, float]]:
    """The owner of `studies.best_odds`, and his looks."""
    from studies.best_odds import best_odds

    owner, looks, raised_above = best_odds(shop, start, seed)
    return owner, {"looks": looks, "raised_above": raised_above}


def one_run(replicates: int, seed: int, start: float) -> pd.DataFrame:
    """A shop from one start: a row per owner, with what the sheet said in that of the one who follows it."""
    shop = invent(seed)
    followed, said = follow(shop, start, replicates)
    trying, tried_said = follow(shop, start, replicates, tries=True)
    odds, odds_said = of_the_best_odds(shop, start, seed)
    owners = (unchanged(shop, start), habit(shop, start), followed, trying, odds, unchanged(shop, 1.0))
    rows = pd.DataFrame([o.score() for o in owners])
    rows.insert(0, "owner", OWNERS)
    rows.insert(0, "start", start)
    rows.insert(0, "seed", seed)
    for owner, what in zip(OWNERS[2:5], (said, tried_said, odds_said), strict=True):
        for name, value in what.items():
            rows.loc[rows["owner"] == owner, name] = value
    return rows.assign(trucks=len(shop.day), replicates=replicates, versions=versions_used())


def run(
    out: str | Path,
    shops: int = 40,
    replicates: int = 0,
    jobs: int = 1,
    first_seed: int = FIRST_SEED,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Replay ``shops`` shops from each start; those already in ``out`` are not repeated. replicates: simulated fleets of each
    calibration, 0: first-order bounds. Returns the summary, which is kept as worth.csv beside the runs."""
    path = Path(out) / BLOCKS
    pieces = [(seed, start) for seed in range(first_seed, first_seed + shops) for start in STARTS]
    resume(path, ["seed", "start"], pieces, partial(one_run, replicates), jobs, progress, blank="nan")
    kept = pd.read_csv(path)
    table = summarise(kept)
    for name, made in ((TABLE, table), (OF_HABIT, of_habit(kept))):
        with whole_file(path.with_name(name)) as part:
            made.to_csv(part, index=False)
    return table


def summarise(runs: pd.DataFrame) -> pd.DataFrame:
    """Per start and over all, a row per owner: shops, comebacks, refused, the cost at each of PRICES, and what the sheet said."""
    rows = []
    for name, chosen in [*((f"{s:g} of the truth", own) for s, own in runs.groupby("start")), ("all", runs)]:
        for owner, own in chosen.groupby("owner", sort=False):
            row = {"start": name, "owner": owner, "shops": own["seed"].nunique()}
            row |= {c: int(own[c].sum()) for c in ("comebacks", "refused")}
            row |= {f"cost_{p}": p * row["comebacks"] + row["refused"] for p in PRICES}
            if owner in OWNERS[2:5]:
                row |= {c: int(own[c].sum()) for c in ("looks", "raised_above")}
            if owner in OWNERS[2:4]:
                row |= {c: int(own[c].sum()) for c in ("raises", "lowers", "tried", "tried_above")}
                row["wrong_lower_share"] = own["wrong_lower"].sum() / (len(PARTS) * len(own))
                known = own["first_right"].dropna()
                row["first_right_quarter"] = float(known.median()) if len(known) else np.nan
            rows.append(row)
    return pd.DataFrame(rows)


def of_habit(runs: pd.DataFrame) -> pd.DataFrame:
    """Per start and over all, comebacks, refusals and cost of the owners who follow the sheet, as shares of the habit's, and the share of right limits that the sheet lowered;
    ``se``: standard error over shops, in which both see the same trucks (of a ratio of sums: Cochran, Sampling Techniques, 3rd ed. 1977, 6.4)."""
    costs = {f"cost_{p}": p * runs["comebacks"] + runs["refused"] for p in PRICES}
    runs = runs.assign(lowered=runs["wrong_lower"] / len(PARTS), **costs)
    rows = []
    for name, chosen in [*((f"{s:g} of the truth", own) for s, own in runs.groupby("start")), ("all", runs)]:
        by_shop = chosen.groupby(["owner", "seed"])[["comebacks", "refused", *costs, "lowered"]].sum()
        starts, base = chosen["start"].nunique(), by_shop.loc[OWNERS[1]]
        for owner in OWNERS[2:4]:
            for measure, own in by_shop.loc[owner].items():
                of = base[measure] if measure != "lowered" else pd.Series(float(starts), own.index)
                share, n = own.sum() / of.sum(), len(own)
                se = np.sqrt(n / (n - 1) * ((own - share * of) ** 2).sum()) / of.sum()
                rows.append({"start": name, "owner": owner, "measure": measure, "share": share, "se": se, "shops": n})
    return pd.DataFrame(rows).round(6).assign(replicates=int(runs["replicates"].iloc[0]))
