"""How good the answer for one truck is: invented shops with a known truth, 30 trucks each as they come.

The shops, their dirt and their habit are those of `studies.worth`, with three components of two parts each: six years of records, the dearer
part where the published limit of the cheaper does not reach, a truck beyond both of any component turned away; the limits begin at .7, 1.0 or
1.35 of the truth, shop by shop. Then 30 trucks more come, of the same kinds, and for each is asked what to fit. Owners follow the answer: one
keeps to his published limits and fits what is shown to last ("told"), the other lets the records decide, a third fits what price and expected
comebacks make cheapest within the limits; where there is no answer these do as the habit does. A fourth fits what is advised: within his limits what
the answer puts in place of a part that is shown, or of none ("read"). And trucks are asked for that no shop has seen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.advice.adviser import Adviser
from analytics.advice.answer import Advice, Choice, ComponentAdvice
from analytics.advice.truck import Wish
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.options import options_for
from analytics.records.frames import shop_of_frames
from analytics.records.load import load_records
from analytics.whole import whole_file
from studies import worth
from studies.resumable import resume, versions_used

BLOCKS, TABLE = "advice_blocks.csv", "advice.csv"
FIRST_SEED = 1101
TRUCKS = 30
COMEBACK, CHEAPER = 4000.0, 500.0
COMPONENTS = ("shaft", "converter", "drum")
OWNERS = ("told", "read", "records", "money")
_USES = ("street", "towing")
_PARTS = range(len(worth.PARTS))
_DAY = worth.QUARTERS * worth.QUARTER_DAYS


@dataclass(frozen=True, slots=True, eq=False)
class Builder:
    """An invented shop that builds its trucks with all the COMPONENTS. owners: of the limits of each, which fit the same trucks; prices: of
    each its parts'; start: of its limits, against the truth."""

    owners: tuple[worth.Owner, ...]
    prices: tuple[tuple[float, ...], ...]
    start: float


def part_of(component: str, part: int) -> str:
    """What the shop calls a ``part`` of a ``component``, by its place."""
    return f"{component[0].upper()}-{part + 1}"


def builder(seed: int) -> Builder:
    """The shop of a ``seed``."""
    rng = np.random.default_rng([20_261_127, seed])
    first = worth.invent(seed)
    shops = [first]
    for _ in COMPONENTS[1:]:
        truth = worth.drawn_truth(rng)
        shops.append(
            replace(
                first,
                truth=truth,
                truth_hp=truth.rated_hp,
                life_miles=truth.lives(first.power_hp, first.weight_lb, first.use, rng),
                told=rng.random(first.told.shape) < 0.85,
            )
        )
    start = worth.STARTS[seed % len(worth.STARTS)]
    owners = tuple(worth.unchanged(shop, start) for shop in shops)
    away = np.any([o.fitted == len(worth.PARTS) for o in owners], axis=0)
    for owner in owners:
        owner.fitted[away] = len(worth.PARTS)
    prices = tuple((CHEAPER, CHEAPER * float(rng.uniform(1.3, 2.5))) for _ in COMPONENTS)
    return Builder(owners, prices, start)


def sheets_of(shop: Builder) -> dict[str, pd.DataFrame]:
    """What the ``shop`` has on record after six years, as text: one sheet of builds with a column a component, the others one below the other."""
    own = [worth.sheets_of(owner, _DAY) for owner in shop.owners]
    sheets = {"builds": own[0]["builds"].drop(columns="shaft"), "readings": own[0]["readings"]}
    for name, one in zip(COMPONENTS, own, strict=True):
        called = {worth.PARTS[i]: part_of(name, i) for i in _PARTS}
        sheets["builds"][name] = one["builds"]["shaft"].map(called)
        for sheet in ("returns", "limits"):
            one[sheet] = one[sheet].assign(component=name)
        one["limits"]["part"] = one["limits"]["part"].map(called)
    return sheets | {
        sheet: pd.concat([one[sheet] for one in own], ignore_index=True) for sheet in ("returns", "limits")
    }


def adviser_of(shop: Builder, replicates: int) -> Adviser:
    """Who answers for the ``shop``. replicates: simulated fleets of each calibration."""
    parts = {
        part_of(name, i): price
        for name, prices in zip(COMPONENTS, shop.prices, strict=True)
        for i, price in enumerate(prices)
    }
    settings = worth.SETTINGS | {
        "components": {name: name for name in COMPONENTS},
        "costs": {"comeback": COMEBACK, "parts": parts},
    }
    records = load_records(shop_of_frames(sheets_of(shop), settings), worth.FIRST_DAY + dt.timedelta(days=int(_DAY)))
    options = options_for(records.shop)
    options = replace(options, settings=replace(options.settings, replicates=replicates))
    return Adviser(records, make_lifetimes(records), options)


def trucks_of(seed: int, shop: Builder) -> Iterator[tuple[str, float, float, str]]:
    """Trucks asked about: kind ("as they come" or in what it lies outside the records of the ``shop``), hp, lb and use."""
    rng, own = np.random.default_rng([20_261_128, seed]), shop.owners[0].shop
    come = rng.integers(0, len(own.day), TRUCKS)
    power = own.power_hp[come] * np.exp(0.03 * rng.standard_normal(TRUCKS))
    weight = own.weight_lb[come] * np.exp(0.03 * rng.standard_normal(TRUCKS))
    for hp, lb, use in zip(power, weight, own.use[come], strict=True):
        yield "as they come", float(hp), float(lb), _USES[use]
    middle = float(np.median(own.power_hp)), float(np.median(own.weight_lb))
    strong, weak, heavy, light = (float(f(v)) for v in (own.power_hp, own.weight_lb) for f in (np.max, np.min))
    yield "too strong", 1.2 * strong, middle[1], "street"
    yield "too weak", 0.8 * weak, middle[1], "street"
    yield "too heavy", middle[0], 1.15 * heavy, "street"
    yield "too light", middle[0], 0.85 * light, "street"
    yield "another use", *middle, "sled"
    yield "strong and heavy", 0.98 * strong, 0.98 * heavy, "towing"


def one_shop(replicates: int, seed: int) -> pd.DataFrame:
    """A row per truck asked about and component: what was advised and what is true of it."""
    shop = builder(seed)
    adviser = adviser_of(shop, replicates)
    rows = []
    for number, (kind, hp, lb, use) in enumerate(trucks_of(seed, shop)):
        advice = adviser.ask(Wish(hp, f"{lb:.0f} lb as driven", use))
        truck = {
            "truck": number,
            "kind": kind,
            "start": shop.start,
            "power_hp": round(hp, 1),
            "weight_lb": round(lb),
            "like": _like(shop.owners[0], advice),
            "outside": bool(advice.outside),
        }
        code = np.array([_USES.index(use) if use in _USES else 1])
        for name, owner, prices in zip(COMPONENTS, shop.owners, shop.prices, strict=True):
            lost = owner.shop.truth.lost(np.array([hp]), np.array([lb]), code, worth.LIFE_MILES)[:, 0]
            (own,) = (c for c in advice.components if c.component == name)
            rows.append(truck | {"component": name, "law": owner.shop.truth.law} | _answered(own, lost, prices, hp))
        build = dict(zip(("lasts", "lasts_low", "lasts_high"), advice.whole.lasts, strict=True))
        for row in rows[-len(COMPONENTS) :]:
            row |= build | {"unknown": len(advice.whole.unknown)}
    frame = pd.DataFrame(rows).round(4)
    frame.insert(0, "seed", seed)
    return frame.assign(replicates=replicates, versions=versions_used())


def _answered(own: ComponentAdvice, lost: np.ndarray, prices: tuple[float, ...], power_hp: float) -> dict[str, float]:
    """What was advised in one component and what is true of it: places of parts, what is lost of each and what is told of it, and its price."""
    by_part: dict[str, Choice] = {c.part: c for c in own.choices}
    choices = [by_part.get(part_of(own.component, i)) for i in _PARTS]
    limits = [c.published.power_hp if c and c.published else np.inf for c in choices]
    good = [i for i in _PARTS if lost[i] <= 1 - worth.RELIABILITY]
    covers = [i for i in _PARTS if power_hp <= limits[i]]
    row: dict[str, float] = {
        "told": _at(choices, own.pick),
        "read": _at(choices, own.instead or own.pick),
        "records": _at(choices, own.cheaper or own.pick),
        "money": _at(choices, own.by_money),
        "habit": covers[0] if covers else len(lost) - 1,
        "truth": good[0] if good else int(np.argmin(lost)),
    }
    for i, choice in enumerate(choices):
        chance = choice.chance if choice else None
        row |= {f"price_{i}": round(prices[i], 1), f"lost_{i}": float(lost[i])}
        row |= {f"{e}_{i}": getattr(chance, e) if chance else np.nan for e in ("estimate", "low", "high")}
    return row


def _like(owner: worth.Owner, advice: Advice) -> int:
    """Trucks of the shop, whatever it wrote down of them, within a sixth of the power and weight and of the use asked about."""
    shop, truck = owner.shop, advice.truck
    gaps = np.abs(np.log(shop.power_hp / truck.power_hp)), np.abs(np.log(shop.weight_lb / truck.weight_lb))
    same = np.array(_USES)[shop.use] == truck.uses[0]
    return int((same & (owner.fitted < len(worth.PARTS)) & (gaps[0] < 1 / 6) & (gaps[1] < 1 / 6)).sum())


def _at(choices: list[Choice | None], choice: Choice | None) -> int:
    """The place of a part among those of the component; -1 for none."""
    return next((i for i, c in enumerate(choices) if c is choice and c is not None), -1)


def run(
    out: str | Path,
    shops: int = 40,
    replicates: int = 100,
    jobs: int = 1,
    first_seed: int = FIRST_SEED,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Ask ``shops`` invented shops, seeds ``first_seed`` on; those already in ``out`` are not repeated. replicates: simulated fleets of each
    calibration, as the product uses. Returns the summary, which is kept as advice.csv beside the trucks."""
    path = Path(out) / BLOCKS
    seeds = [(seed,) for seed in range(first_seed, first_seed + shops)]
    resume(path, ["seed"], seeds, partial(one_shop, replicates), jobs, progress)
    table = summarise(pd.read_csv(path))
    with whole_file(path.with_name(TABLE)) as part:
        table.to_csv(part, index=False)
    return table


def _of(rows: pd.DataFrame, what: str, place: pd.Series) -> pd.Series:
    """``what`` (price, lost) of the part at each row's ``place``; NaN where that is -1."""
    both = rows[[f"{what}_{i}" for i in _PARTS]].to_numpy()
    at = place.to_numpy()
    return pd.Series(np.where(at < 0, np.nan, both[np.arange(len(rows)), at.clip(0)]), rows.index)


def _cost(rows: pd.DataFrame, place: pd.Series) -> pd.Series:
    """Price and comebacks of the part at each row's ``place``; of the habit's where that is -1."""
    at = place.where(place >= 0, rows["habit"])
    return _of(rows, "price", at) + COMEBACK * _of(rows, "lost", at)


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """measure, value, of, se: every measure with its figure, how many it rests on and, of shares that held and of costs, the standard error over shops (the
    answers of one lean on the same records); of components of trucks as they come, of whole builds, and of shops."""
    rows = rows.reset_index(drop=True)
    own, strange = rows[rows["kind"] == "as they come"], rows[rows["kind"] != "as they come"]
    trucks = strange.drop_duplicates(["seed", "truck"])
    found = [*_followed(own), *_ends(own), *_builds(own)]
    found += [
        (
            "habit: cost over that of the truth",
            *_ratio(_cost(own, own["habit"]), _cost(own, own["truth"]), own["seed"]),
        ),
        ("habit: true share that lasts", 1 - float(_of(own, "lost", own["habit"]).mean()), len(own)),
        ("outside: recognised", float(trucks["outside"].mean()), len(trucks)),
        ("outside: advised all the same", float((strange["told"] >= 0).mean()), len(strange)),
    ]
    come = own.drop_duplicates(["seed", "truck"])
    for name, some in (("none like them", come["like"] == 0), ("ten or more like them", come["like"] >= 10)):
        found.append(
            (f"as they come, {name}: called outside", float(come.loc[some, "outside"].mean()), int(some.sum()))
        )
    found += [
        (f"outside, {kind}: recognised", float(o["outside"].mean()), len(o)) for kind, o in trucks.groupby("kind")
    ]
    table = pd.DataFrame([(*row, np.nan)[:4] for row in found], columns=["measure", "value", "of", "se"])
    return table.assign(shops=rows["seed"].nunique()).round(4)


def _followed(own: pd.DataFrame) -> Iterator[tuple]:
    """What becomes of those who follow the answer, component by component."""
    truth, habit = _cost(own, own["truth"]), _cost(own, own["habit"])
    for name in OWNERS:
        lost, cost = _of(own, "lost", own[name]), _cost(own, own[name])
        given = own[name] >= 0
        by_shop = 1 - lost[given].groupby(own["seed"]).mean()
        yield f"{name}: components answered", float(given.mean()), len(own)
        yield f"{name}: true share that lasts", 1 - float(lost[given].mean()), int(given.sum())
        yield f"{name}: shops with at least .90 lasting", float((by_shop >= worth.RELIABILITY).mean()), len(by_shop)
        yield f"{name}: worst shop", float(by_shop.min()), len(by_shop)
        yield f"{name}: parts truly good for 90 of 100", float((lost[given] <= 0.1).mean()), int(given.sum())
        for whom, other in (("truth", truth), ("habit", habit)):
            yield f"{name}: cost over that of the {whom}", *_ratio(cost, other, own["seed"])
            yield (
                f"{name}: cost over the {whom}, where answered",
                *_ratio(cost[given], other[given], own["seed"][given]),
            )


def _ends(own: pd.DataFrame) -> Iterator[tuple]:
    """How often the ends of the share that fails held the truth: of every part told of, and of those picked because their upper end is low."""
    each = pd.concat(
        [
            own[["seed"]].assign(
                lost=own[f"lost_{i}"], low=own[f"low_{i}"], high=own[f"high_{i}"], picked=own["records"] == i
            )
            for i in _PARTS
        ]
    )
    each = each[each["high"].notna()]
    for name, some in (("every part with a figure", each), ("parts supported", each[each["picked"]])):
        yield f"upper end held, {name}", *_held(some["lost"] <= some["high"], some["seed"])
        yield f"lower end held, {name}", *_held(some["lost"] >= some["low"], some["seed"])


def _builds(own: pd.DataFrame) -> Iterator[tuple]:
    """Whole builds: of those whose every component has a figure, whether the ends of the chance that nothing fails held the truth; and how many last
    of those whose every part fitted is shown to."""
    place = own["read"].where(own["read"] >= 0, own["records"])
    rows = own.assign(
        lasts_truly=np.log1p(-_of(own, "lost", place)), answered=(own["told"] >= 0) & (own["told"] == own["read"])
    )
    builds = rows.groupby(["seed", "truck"], as_index=False).agg(
        truly=("lasts_truly", "sum"),
        low=("lasts_low", "first"),
        high=("lasts_high", "first"),
        middle=("lasts", "first"),
        unknown=("unknown", "first"),
        answered=("answered", "all"),
    )
    builds["truly"] = np.exp(builds["truly"])
    known, all_told = builds[builds["unknown"] == 0], builds[builds["answered"]]
    yield "builds: every component with a figure", len(known) / len(builds), len(builds)
    yield "builds: lower end of what lasts held", *_held(known["truly"] >= known["low"], known["seed"])
    yield "builds: upper end of what lasts held", *_held(known["truly"] <= known["high"], known["seed"])
    yield "builds: every component supported", len(all_told) / len(builds), len(builds)
    yield (
        "builds supported: lower end of what lasts held",
        *_held(all_told["truly"] >= all_told["low"], all_told["seed"]),
    )
    yield "builds supported: told to last, best estimate", float(all_told["middle"].mean()), len(all_told)
    yield "builds supported: truly last", float(all_told["truly"].mean()), len(all_told)
    sure = builds[builds["low"] >= worth.RELIABILITY]
    yield "builds told that 90 of 100 last whole: truly last", float(sure["truly"].mean()), len(sure)


def _held(held: pd.Series, seed: pd.Series) -> tuple[float, int, float]:
    """Share held, of how many, and its standard error over shops."""
    return _ratio(held.astype(float), pd.Series(1.0, held.index), seed)


def _ratio(over: pd.Series, under: pd.Series, seed: pd.Series) -> tuple[float, int, float]:
    """A ratio of sums, of how many, and its standard error over shops (Cochran, Sampling Techniques, 1977, 2.11, from memory); NaN of none."""
    if not len(over):
        return np.nan, 0, np.nan
    by = pd.DataFrame({"over": over, "under": under}).groupby(seed).sum()
    ratio, shops = float(over.sum() / under.sum()), len(by)
    spread = float(((by["over"] - ratio * by["under"]) ** 2).sum())
    return ratio, len(over), float(np.sqrt(spread * shops / max(shops - 1, 1)) / under.sum())
