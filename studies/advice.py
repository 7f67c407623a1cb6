"""How good the answer for one truck is: invented shops with a known truth, 50 trucks each as they come.

The shops, their dirt and their habit are those of `studies.worth`: six years of records, two parts, the dearer where the published limit
of the cheaper does not reach; each limit begins at .7, 1.0 or 1.35 of the truth, shop by shop. Then 50 trucks more come, of the same kinds,
and for each is asked what to fit. Two owners follow the answer: one keeps to his published limits whatever the records support, the
other lets the records decide, a third fits what price and expected comebacks make cheapest within the limits; where there is no answer these do as the habit does.
A fourth, who reads to the end, keeps to his limits and there fits what the answer puts in its place ("read"). And trucks are asked for that no shop has seen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.advice.adviser import Adviser
from analytics.advice.answer import Advice, ComponentAdvice
from analytics.advice.truck import Wish
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.options import options_for
from analytics.records.frames import shop_of_frames
from analytics.records.load import load_records
from analytics.whole import whole_file
from studies import worth
from studies.resumable import resume, versions_used

BLOCKS, TABLE = "advice_blocks.csv", "advice.csv"
FIRST_SEED = 801
TRUCKS = 50
COMEBACK, CHEAPER = 4000.0, 500.0
_USES = ("street", "towing")


def asked_of(seed: int, replicates: int) -> Iterator[tuple[str, Advice, worth.Owner, np.ndarray, list[float]]]:
    """Each truck asked about: its kind ("as they come" or in what it lies outside), the advice, the shop's owner, the share that truly fails of
    each part, and the prices."""
    shop = worth.invent(seed)
    owner = worth.unchanged(shop, worth.STARTS[seed % len(worth.STARTS)])
    rng = np.random.default_rng([20_261_127, seed])
    prices = [CHEAPER, CHEAPER * float(rng.uniform(1.3, 2.5))]
    day = worth.QUARTERS * worth.QUARTER_DAYS
    settings = worth.SETTINGS | {"costs": {"comeback": COMEBACK, "parts": dict(zip(worth.PARTS, prices, strict=True))}}
    as_of = worth.FIRST_DAY + dt.timedelta(days=int(day))
    records = load_records(shop_of_frames(worth.sheets_of(owner, day), settings), as_of)
    options = options_for(records.shop)
    options = replace(options, settings=replace(options.settings, replicates=replicates))
    adviser = Adviser(records, make_lifetimes(records), options)
    come = rng.integers(0, len(shop.day), TRUCKS)
    power = shop.power_hp[come] * np.exp(0.03 * rng.standard_normal(TRUCKS))
    weight = shop.weight_lb[come] * np.exp(0.03 * rng.standard_normal(TRUCKS))
    trucks = [("as they come", *t) for t in zip(power, weight, np.array(_USES)[shop.use[come]], strict=True)]
    middle = float(np.median(shop.power_hp)), float(np.median(shop.weight_lb))
    strong, weak, heavy, light = (f(v) for v in (shop.power_hp, shop.weight_lb) for f in (np.max, np.min))
    trucks += [
        ("too strong", 1.2 * strong, middle[1], "street"),
        ("too weak", 0.8 * weak, middle[1], "street"),
        ("too heavy", middle[0], 1.15 * heavy, "street"),
        ("too light", middle[0], 0.85 * light, "street"),
        ("another use", *middle, "sled"),
        ("strong and heavy", 0.98 * strong, 0.98 * heavy, "towing"),
    ]
    for kind, hp, lb, use in trucks:
        advice = adviser.ask(Wish(float(hp), f"{lb:.0f} lb as driven", str(use)))
        code = np.array([_USES.index(use) if use in _USES else 1])
        lost = shop.truth.lost(np.array([float(hp)]), np.array([float(lb)]), code, worth.LIFE_MILES)[:, 0]
        yield kind, advice, owner, lost, prices


def one_shop(replicates: int, seed: int) -> pd.DataFrame:
    """A row per truck asked about: what was advised and what is true of it."""
    rows = []
    for kind, advice, owner, lost, prices in asked_of(seed, replicates):
        (own,) = advice.components
        cost = [price + COMEBACK * share for price, share in zip(prices, lost, strict=True)]
        limits = [c.published.power_hp if c.published else np.inf for c in own.choices]
        covers = [i for i, hp in enumerate(limits) if advice.truck.power_hp <= hp]
        good = [i for i, share in enumerate(lost) if share <= 1 - worth.RELIABILITY]
        by_habit = covers[0] if covers else len(lost) - 1
        by_truth = good[0] if good else int(np.argmin(lost))
        told, records, money = (_at(own, choice) for choice in (own.pick, own.cheaper or own.pick, own.by_money))
        read = _at(own, own.pick or own.instead)
        shown = own.choices[records] if records >= 0 else None
        rows.append(
            {
                "kind": kind,
                "start": worth.STARTS[seed % len(worth.STARTS)],
                "law": owner.shop.truth.law,
                "power_hp": advice.truck.power_hp,
                "weight_lb": advice.truck.weight_lb,
                "like": _like(owner, advice),
                "outside": bool(advice.outside),
                "told": told,
                "records": records,
                "habit": by_habit,
                "truth": by_truth,
                "lost_told": lost[told] if told >= 0 else np.nan,
                "lost_records": lost[records] if records >= 0 else np.nan,
                "estimate": shown.chance.estimate if shown and shown.chance else np.nan,
                "high": shown.chance.high if shown and shown.chance else np.nan,
                "low": shown.chance.low if shown and shown.chance else np.nan,
                "cost_told": cost[told if told >= 0 else by_habit],
                "cost_records": cost[records if records >= 0 else by_habit],
                "money": money,
                "lost_money": lost[money] if money >= 0 else np.nan,
                "cost_money": cost[money if money >= 0 else by_habit],
                "read": read,
                "lost_read": lost[read] if read >= 0 else np.nan,
                "cost_read": cost[read if read >= 0 else by_habit],
                "cost_habit": cost[by_habit],
                "cost_truth": cost[by_truth],
                "lost_habit": lost[by_habit],
            }
        )
    frame = pd.DataFrame(rows).round(4)
    frame.insert(0, "seed", seed)
    return frame.assign(replicates=replicates, versions=versions_used())


def _like(owner: worth.Owner, advice: Advice) -> int:
    """Trucks of the shop, whatever it wrote down of them, within a sixth of the power and weight and of the use asked about."""
    shop, truck = owner.shop, advice.truck
    gaps = np.abs(np.log(shop.power_hp / truck.power_hp)), np.abs(np.log(shop.weight_lb / truck.weight_lb))
    same = np.array(_USES)[shop.use] == truck.uses[0]
    return int((same & (owner.fitted < len(worth.PARTS)) & (gaps[0] < 1 / 6) & (gaps[1] < 1 / 6)).sum())


def _at(own: ComponentAdvice, choice: object) -> int:
    """The place of a part among those of the component; -1 for none."""
    return next((i for i, c in enumerate(own.choices) if c is choice), -1)


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


def summarise(trucks: pd.DataFrame) -> pd.DataFrame:
    """measure, value, of: every measure with its figure and how many it rests on; shares of shops and of trucks as they come."""
    own, strange = trucks[trucks["kind"] == "as they come"], trucks[trucks["kind"] != "as they come"]
    rows: list[tuple[str, float, int]] = []
    for name in ("told", "read", "records", "money"):
        given = own[own[name] >= 0]
        by_shop = 1 - given.groupby("seed")[f"lost_{name}"].mean()
        rows += [
            (f"{name}: trucks answered", len(given) / len(own), len(own)),
            (f"{name}: true share that lasts", 1 - float(given[f"lost_{name}"].mean()), len(given)),
            (f"{name}: shops with at least .90 lasting", float((by_shop >= worth.RELIABILITY).mean()), len(by_shop)),
            (f"{name}: worst shop", float(by_shop.min()), len(by_shop)),
            (f"{name}: parts truly good for 90 of 100", float((given[f"lost_{name}"] <= 0.1).mean()), len(given)),
            (f"{name}: cost over that of the truth", *_ratio(own, f"cost_{name}", "cost_truth")),
            (f"{name}: cost over that of the habit", *_ratio(own, f"cost_{name}", "cost_habit")),
            (f"{name}: cost over the truth, where answered", *_ratio(given, f"cost_{name}", "cost_truth")),
            (f"{name}: cost over the habit, where answered", *_ratio(given, f"cost_{name}", "cost_habit")),
        ]
    shown = own[own["high"].notna()]
    rows += [
        ("habit: cost over that of the truth", *_ratio(own, "cost_habit", "cost_truth")),
        ("habit: true share that lasts", 1 - float(own["lost_habit"].mean()), len(own)),
        ("upper end held", float((shown["lost_records"] <= shown["high"]).mean()), len(shown)),
        ("lower end held", float((shown["lost_records"] >= shown["low"]).mean()), len(shown)),
        ("outside: recognised", float(strange["outside"].mean()), len(strange)),
        ("outside: advised all the same", float((strange["told"] >= 0).mean()), len(strange)),
    ]
    for name, some in (("none like them", own["like"] == 0), ("ten or more like them", own["like"] >= 10)):
        rows.append((f"as they come, {name}: called outside", float(own.loc[some, "outside"].mean()), int(some.sum())))
    rows += [
        (f"outside, {kind}: recognised", float(o["outside"].mean()), len(o)) for kind, o in strange.groupby("kind")
    ]
    return pd.DataFrame(rows, columns=["measure", "value", "of"]).assign(shops=trucks["seed"].nunique()).round(4)


def _ratio(frame: pd.DataFrame, over: str, under: str) -> tuple[float, int]:
    return float(frame[over].sum() / frame[under].sum()), len(frame)
