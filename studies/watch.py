"""How often the quarterly watch cries wolf, how often it finds what is there, and whether its forecasts hold.

Invented shops like the demo's are drawn, with all the dirt of its sheets, and their quarters replayed: each with the records
as they stood. In the quiet shops nothing is wrong (no bad lot, no bad month, the new revision no better than the old); in
the others there is what the demo has.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.lifetimes.later import came_later
from analytics.ratings.backtest import quarter_ends
from analytics.ratings.predict import count_chances, interval_of
from analytics.reasons import Family
from analytics.review.door import level_of, running_chances, with_level, with_record
from analytics.review.expected import LEVEL, at_stake, days_between
from analytics.review.snapshot import Snapshot, snapshot_at
from analytics.review.watch import BUDGET, THIS_QUARTER, _judged, joint_thresholds, life_tests, watch
from analytics.whole import whole_file
from analytics.words.review.alarms import FAMILY
from studies.resumable import resume
from studies.simulate.demo import demo_files, demo_truth
from studies.simulate.fleet import FleetTruth

SEED = 20_260_302
UNITS = 900
QUARTERS = 16
SPANS = {"quarter": 91.0, "year": 365.0}
LAST = pd.Timestamp("2024-12-31")
SHOPS = ("quiet", "demo")
#: a lot as many times as bad as the others, and how many fleets are drawn with each
TIMES, LOT_FLEETS = (1, 2, 5, 10), 400
#: share of the trucks of such a fleet whose part would usually have failed by then: .6 of a lot of 20, and as few as of the demo's converters (.25)
USUAL = (0.03, 0.0125)


def quiet_truth() -> FleetTruth:
    """The demo's shop with nothing wrong: no bad lot, no bad month, a revision that changes nothing."""
    truth = demo_truth()
    calm = []
    for component in truth.components:
        old = {p.superseded_by: p for p in component.parts if p.superseded_by}
        parts = tuple(replace(p, findings=old[p.part].findings) if p.part in old else p for p in component.parts)
        calm.append(replace(component, parts=parts, bad_lots={}, install_months={}))
    return replace(truth, components=tuple(calm))


def one_shop(
    shop: str, seed: int, folder: str | Path, quarters: int = QUARTERS, units: int = UNITS, first: int | None = None
) -> pd.DataFrame:
    """Draw a shop into ``folder`` and replay its quarters, the ``first`` so many or all. One row per quarter: alarms raised for the first time (each as
    "family: component group"), and the whole shop's forecasts with what came."""
    files, _ = demo_files(units, seed, quiet_truth() if shop == "quiet" else demo_truth())
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    rows, seen = [], set()
    snapshots: list[Snapshot] = []
    for end in quarter_ends(LAST, quarters)[: None if first is None else first + 1]:
        now = snapshot_at(folder, end)
        if not snapshots:
            snapshots.append(now)
            continue
        before = snapshots[-1]
        foreseen = running_chances(before, days_between(before, now))
        now = with_record(now, before, foreseen)
        snapshots.append(now)
        watched = watch(before, now, at_stake(before, now, foreseen))
        loud = [(a.family, a.component, a.group) for a in watched.alarms.itertuples()]
        new = [a for a in loud if a not in seen or a[0] in THIS_QUARTER]
        seen.update(loud)
        row = {
            "shop": shop, "seed": seed, "quarter_end": f"{end:%Y-%m-%d}", "looks": len(watched.tests), "new_alarms": len(new),
            "alarms": "; ".join(f"{FAMILY[f]}: {c} {g}".strip() for f, c, g in new),
        }  # fmt: skip
        rows.append(
            row
            | _forecast("quarter", before, now)
            | (_forecast("year", snapshots[-5], now) if len(snapshots) > 4 else {})
        )
        snapshots = snapshots[-5:]
    return pd.DataFrame(rows)


def _forecast(span: str, before: Snapshot, now: Snapshot) -> dict[str, float]:
    """What was foreseen at ``before`` for the units then running, and what came of them by ``now``."""
    running, chance = running_chances(before, SPANS[span])
    chance = with_level(chance, level_of(before, SPANS[span]))
    pmf = count_chances(chance, running["count"].to_numpy(), np.full(len(chance), 1 / len(chance)))
    lower, upper = interval_of(pmf, LEVEL)
    came = float(came_later(running, before.table, now.table[now.table["stopped"]]).sum())
    expected = float(chance.mean(0) @ running["count"].to_numpy())
    return {f"{span}_expected": expected, f"{span}_lower": lower, f"{span}_upper": upper, f"{span}_came": came}


def run(out: str | Path, shops: int = 40, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """Replay ``shops`` quiet shops and half as many of the demo's kind, going on from what ``out`` holds already; write
    watch_quarters.csv (one row per quarter), watch.csv (the summary) and watch_lots.csv (`lots`). Returns the summary. Same seed, same tables."""
    path = Path(out) / "watch_quarters.csv"
    wanted = [(s, i) for i in range(shops) for s in SHOPS if s == "quiet" or i % 2 == 0]
    resume(path, ["shop", "seed"], [(s, seed_of(s, i)) for s, i in wanted], _in_a_folder, progress=progress)
    table = summary(pd.read_csv(path, keep_default_na=False, na_values=[""]))
    for name, made in (("watch.csv", table), ("watch_lots.csv", lots())):
        with whole_file(path.with_name(name)) as part:
            made.to_csv(part, index=False)
    return table


def fleet(rng: np.random.Generator, usual: float) -> pd.DataFrame:
    """480 trucks of one part: 24 lots of 20, 20 months, three builders, hazards that differ, ``usual`` in the mean."""
    n = 480
    return pd.DataFrame(
        {
            "component": "shaft", "part": "A", "lot": [f"L{k // 20}" for k in range(n)], "month": [f"M{k // 24}" for k in range(n)],
            "builder": [f"b{k % 3}" for k in range(n)], "count": 1, "hazard": usual * rng.gamma(2.0, 0.5, n), "install_risk": 1.0,
            "failure": False, "install": False, "serial": np.arange(n), "spell": 1, "told_failure": True, "told_install": True,
        }
    )  # fmt: skip


def caught(times: float, seed: int, usual: float = USUAL[0]) -> bool:
    """Whether a lot ``times`` as bad as the 23 others of such a fleet is an alarm, once so many (``usual``) of its trucks would usually have failed."""
    rng = np.random.default_rng([SEED, seed])
    table = fleet(rng, usual)
    bad = (table["lot"] == "L5").to_numpy()
    table["failure"] = rng.random(len(table)) < -np.expm1(-table["hazard"] * np.where(bad, times, 1))
    looks = _judged(life_tests(table), joint_thresholds(table))
    return bool(looks.loc[(looks["family"] == Family.LOT_LIFE) & (looks["group"] == "L5"), "alarm"].any())


def lots(fleets: int = LOT_FLEETS) -> pd.DataFrame:
    """For lots as many ``times`` as bad, where so many ``usual`` fail: in how many ``fleets`` it is ``caught``, with the standard error. The same fleets for each."""
    kinds = [(usual, times) for usual in USUAL for times in TIMES]
    share = [float(np.mean([caught(times, seed, usual) for seed in range(fleets)])) for usual, times in kinds]
    table = pd.DataFrame(kinds, columns=["usual", "times"]).assign(fleets=fleets, caught=share)
    return table.assign(se=np.sqrt(table["caught"] * (1 - table["caught"]) / fleets).round(4), seed=SEED)


def seed_of(shop: str, i: int) -> int:
    """Seed of the i-th shop of its kind."""
    return int(np.random.SeedSequence([SEED, SHOPS.index(shop), i]).generate_state(1)[0] % 10**6)


def _in_a_folder(shop: str, seed: int) -> pd.DataFrame:
    with tempfile.TemporaryDirectory() as folder:
        return one_shop(shop, seed, folder)


def summary(quarters: pd.DataFrame) -> pd.DataFrame:
    """One row per kind of shop: quarters, share with a new alarm and its standard error, alarms by family, what of the
    planted was found, and coverage of the whole shop's forecasts."""
    rows = []
    for shop, own in quarters.groupby("shop", sort=False):
        loud, told = own["new_alarms"] > 0, own["alarms"].fillna("")
        fleets = own.groupby("seed")
        row = {
            "shop": shop,
            "fleets": own["seed"].nunique(),
            "quarters": len(own),
            "quarters_with_alarm": int(loud.sum()),
            "share": float(loud.mean()),
            "se": float(
                fleets["new_alarms"].apply(lambda n: (n > 0).mean()).std(ddof=1) / np.sqrt(own["seed"].nunique())
            ),
            "alarms": int(own["new_alarms"].sum()),
        }
        row |= {f"alarms {FAMILY[f]}": int(told.str.count(f"{FAMILY[f]}:").sum()) for f in BUDGET}
        for name, words in (
            ("bad lot found", "converter TC-1/10"),
            ("bad month found", "install errors: clutch pack 2022-09"),
        ):
            row[name] = float(told.str.contains(words, regex=False).groupby(own["seed"]).any().mean())
        for span in SPANS:
            some = own[own[f"{span}_came"].notna()]
            inside = (some[f"{span}_came"] >= some[f"{span}_lower"]) & (some[f"{span}_came"] <= some[f"{span}_upper"])
            by_fleet = inside.groupby(some["seed"]).mean()
            row |= {
                f"{span}_forecasts": len(some),
                f"{span}_covered": float(inside.mean()),
                f"{span}_se": float(by_fleet.std(ddof=1) / np.sqrt(len(by_fleet))),
                f"{span}_expected": float(some[f"{span}_expected"].mean()),
                f"{span}_came": float(some[f"{span}_came"].mean()),
            }
        rows.append(row | {"seed": SEED, "units": UNITS, "level": LEVEL})
    return pd.DataFrame(rows)
