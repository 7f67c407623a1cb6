"""The whole road on invented shops: dirty sheets in, published bounds out, held against the truth they were drawn from.

Each shop is the demo drawn with another seed: same parts and troubles, other trucks, failures and dirt. Its sheets are
written, read back, rated as an owner would, and every bound of a use not stated is compared with the true rating.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.lifetimes.table import make_lifetimes
from analytics.models.lifedata import LifeData
from analytics.ratings.bound import RatingBound
from analytics.ratings.lasting import by_miles
from analytics.ratings.options import options_for
from analytics.ratings.sheet import PartRating, make_ratings, supported_hp
from analytics.reasons import Rests
from analytics.records.load import load_records
from analytics.whole import whole_file
from studies.resumable import resume, versions_used
from studies.simulate.demo import demo_truth, write_demo
from studies.simulate.fleet import FleetTruth

BLOCKS, TABLE = "demo_blocks.csv", "demo_shops.csv"
FIRST_SEED = 1001
SHARE = "share that lasts"
#: parts whose life hardly follows power get a share that lasts, no power
NO_POWER = "no power"
WITHIN = "lightest class, truth within the powers on record, all damage counted"
UNITS = 900
_SHARES = (Rests.LASTS_UP_TO, Rests.LASTS_IN_WEAKEST, Rests.LASTS_AT_ANY_POWER)


def one_shop(seed: int, units: int = UNITS) -> pd.DataFrame:
    """One row per bound on the sheet of the demo shop with this seed: component, part, weight_lb, use (the use the number
    is for; blank: all together, held against the mix of uses on record), failures,
    bound_hp, proposed_hp, estimate_hp, cap_hp (the highest power with experience), true_hp (of the damage that brings a truck back), true_all_hp (with the damage that
    only a teardown shows, in trucks nobody opened too), how, and where a share that lasts is told: share_hp, up to which it holds, share_least and, at that power, share_true."""
    with tempfile.TemporaryDirectory() as folder:
        write_demo(folder, units=units, seed=seed)
        records = load_records(folder)
        options = options_for(records.shop)
        options = replace(options, settings=replace(options.settings, explain=False))
        lifetimes = make_lifetimes(records)
        # as a shop that does not say when it looks for damage that only a teardown shows: `studies.hidden` is of one that does
        lifetimes = replace(lifetimes, opened=lifetimes.opened.iloc[:0])
        ratings = make_ratings(records, lifetimes, options, own_uses=False)
    truth = demo_truth()
    rows = []
    for rated in ratings.parts:
        for bound in rated.bounds:
            seen = [f.finding for f in truth.component(rated.component).part(rated.part).findings if not f.at_teardown]
            true, true_all = (
                true_rating(
                    truth,
                    rated.component,
                    rated.part,
                    options.promise.life_miles,
                    options.promise.reliability,
                    bound.weight_lb,
                    mix_of(rated.data, bound.rated_use),
                    findings,
                )
                for findings in (seen, None)
            )
            rows.append(
                {
                    "component": rated.component,
                    "part": rated.part,
                    "weight_lb": bound.weight_lb,
                    "use": bound.rated_use,
                    "failures": bound.failures,
                    "bound_hp": bound.bound_hp,
                    "proposed_hp": supported_hp(rated, bound, options),
                    "estimate_hp": bound.estimate_hp,
                    "cap_hp": bound.seen.cap_hp,
                    "true_hp": true,
                    "true_all_hp": true_all,
                    "how": _how(rated.component, bound),
                    **_share(truth, rated, bound, seen),
                }
            )
    return pd.DataFrame(rows)


def _share(truth: FleetTruth, rated: PartRating, bound: RatingBound, findings: list[str]) -> dict[str, float]:
    """What the sheet tells of the share that lasts, and the truth of it at the power up to which it is told; NaN where it tells none."""
    told = next((r.values for r in bound.reasons if r.code in _SHARES), None)
    if told is None:
        return dict.fromkeys(("share_hp", "share_least", "share_true"), math.nan)
    power = told.get("power_hp", told.get("highest_hp"))
    true = sum(
        share
        * float(
            truth.survival(
                rated.component, rated.part, bound.promise.life_miles, power, bound.weight_lb, use, findings=findings
            )
        )
        for use, share in mix_of(rated.data, bound.rated_use).items()
    )
    return {"share_hp": power, "share_least": told["at_least"], "share_true": true}


def _how(component: str, bound: RatingBound) -> str:
    """What the ``bound`` rests on; "no power" where the sheet publishes the share that lasts instead, "share" where it has no power to offer but tells
    the share up to one, "none" where it has no number."""
    if by_miles(component, bound):
        return NO_POWER
    if not np.isfinite(bound.bound_hp):
        return "share" if bound.has(*_SHARES) else "none"
    if bound.has(Rests.AS_SIBLINGS):
        return "as siblings"
    return "demonstrated" if bound.demonstrated_only else "capped" if bound.capped else "modelled"


def true_rating(
    truth: FleetTruth,
    component: str,
    part: str,
    miles: float,
    reliability: float,
    weight_lb: float,
    shares: dict[str, float],
    findings: list[str] | None = None,
) -> float:
    """The highest power in hp at which ``reliability`` of a mix of uses outlives ``miles``, by bisection on log power; inf
    where no power is too high. shares: of each use, adding up to 1. findings: those that count, default all."""
    if len(shares) == 1:
        return truth.rating(component, part, miles, reliability, weight_lb, next(iter(shares)), findings=findings)

    def survives(log_power: float) -> bool:
        power = math.exp(log_power)
        return (
            sum(
                s * float(truth.survival(component, part, miles, power, weight_lb, u, findings=findings))
                for u, s in shares.items()
            )
            >= reliability
        )

    low, high = 0.0, math.log(1e6)
    if survives(high):
        return math.inf
    for _ in range(60):
        mid = (low + high) / 2
        low, high = (mid, high) if survives(mid) else (low, mid)
    return math.exp(low)


def mix_of(data: LifeData, use: str) -> dict[str, float]:
    """The use named, or the mix of uses on record where the rating is for all of them together."""
    if use:
        return {use: 1.0}
    counts = np.bincount(data.use, data.weight, len(data.use_names))
    named = {name: float(n) for name, n in zip(data.use_names, counts, strict=True) if name and n}
    return {name: n / sum(named.values()) for name, n in named.items()}


def run(
    out: str | Path,
    shops: int = 100,
    units: int = UNITS,
    first_seed: int = FIRST_SEED,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Rate ``shops`` demo shops, seeds ``first_seed`` on; those already in ``out`` are not repeated. Returns the summary."""
    path = Path(out) / BLOCKS
    seeds = [(seed,) for seed in range(first_seed, first_seed + shops)]
    resume(path, ["seed"], seeds, partial(_rows, units), progress=progress, blank="nan")
    table = summarise(pd.read_csv(path, keep_default_na=False, na_values=["nan"]))
    with whole_file(path.with_name(TABLE)) as part:
        table.to_csv(part, index=False)
    return table


def _rows(units: int, seed: int) -> pd.DataFrame:
    rows = one_shop(seed, units).round(3)
    rows.insert(0, "seed", seed)
    return rows.assign(versions=versions_used())


def summarise(blocks: pd.DataFrame) -> pd.DataFrame:
    """Per part, per kind of bound and over all: shops, bounds given, rows without a number, share at or below the truth, its standard error over
    shops (rows of one shop lean on the same trucks), median of bound over the truth it is held against; share held of what is proposed. Rows that publish no power are left out."""
    asked = blocks[blocks["how"] != NO_POWER]
    given = asked[asked["bound_hp"].notna()].copy()
    given["held"] = given["bound_hp"] <= given["true_hp"] * (1 + 1e-9)
    given["proposed_held"] = given["proposed_hp"].isna() | (given["proposed_hp"] <= given["true_hp"] * (1 + 1e-9))
    given["ratio"] = given["bound_hp"] / given["true_hp"]
    first = _headline(given)
    within = first[first["true_all_hp"] <= first["cap_hp"]]
    groups = [("all", "any", given), ("all", "lightest class, any use", first)]
    of_all = within["bound_hp"] / within["true_all_hp"]
    within = within.assign(held=of_all <= 1 + 1e-9, ratio=of_all)
    groups.append(("all", WITHIN, within))
    groups += [("all", how, own) for how, own in given.groupby("how", sort=True)]
    hidden = given[given["true_all_hp"] < given["true_hp"] * (1 - 1e-9)]
    unseen = hidden.assign(
        held=hidden["bound_hp"] <= hidden["true_all_hp"], ratio=hidden["bound_hp"] / hidden["true_all_hp"]
    )
    groups.append(("all", "damage in trucks never opened counted too", unseen))
    for kind, rows_of in (("any", given), (WITHIN, within)):
        groups += [(f"{c} {p}", kind, own) for (c, p), own in rows_of.groupby(["component", "part"], sort=True)]
    size = [table.groupby(["component", "part"]).size() for table in (asked, given)]
    without = {" ".join(names): n for names, n in size[0].sub(size[1], fill_value=0).items()}
    without["all"] = len(asked) - len(given)
    shares = blocks[blocks["share_least"].notna()]
    ratio = shares["share_least"] / shares["share_true"]
    # none told to last where none does is no miss, though it has no ratio
    shares = shares.assign(held=shares["share_least"] <= shares["share_true"], ratio=ratio, proposed_held=math.nan)
    told = shares["how"].map(lambda how: "in its place" if how in ("share", NO_POWER) else "beside a power")
    groups += [(SHARE, how, own) for how, own in shares.groupby(told, sort=True)]
    groups += [
        (SHARE, f"{how}, of {what}", own) for (how, what), own in shares.groupby([told, shares["component"]], sort=True)
    ]
    rows = []
    for name, kind, own in (group for group in groups if len(group[2])):
        by_shop = own.groupby("seed")["held"].agg(["sum", "size"])
        share = float(own["held"].mean())
        spread = ((by_shop["sum"] - share * by_shop["size"]) ** 2).sum()
        shops = len(by_shop)
        rows.append(
            {
                "part": name,
                "kind": kind,
                "shops": shops,
                "bounds": len(own),
                "without": without[name] if kind == "any" else np.nan,
                "held": share,
                "se": float(np.sqrt(spread * shops / max(shops - 1, 1)) / len(own)),
                "proposed_held": float(own["proposed_held"].mean()),
                "median_ratio": float(own["ratio"].dropna().median()),
                "p95_ratio": float(own["ratio"].quantile(0.95)),
            }
        )
    return pd.DataFrame(rows)


def _headline(given: pd.DataFrame) -> pd.DataFrame:
    rows = given.sort_values(["seed", "component", "part", "weight_lb"], kind="stable")
    return rows.drop_duplicates(["seed", "component", "part"])
