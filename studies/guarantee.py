"""Whether the limits of what a guarantee would cost hold the truth: invented shops whose every chance is known.

Shops like the demo's with nothing wrong (`watch.quiet_truth`), dirt and all. The comebacks per unit that the review expects of
each power band within so many months are held against the true ones of the very trucks built there lately.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.models.quadrature import rate_nodes
from analytics.records.measures import DAYS_A_MONTH, DAYS_A_YEAR
from analytics.review.guarantee import LEVEL, MONTHS, OWN_FAILURES, band_costs
from analytics.review.snapshot import snapshot_of
from analytics.whole import whole_file
from studies.resumable import resume, versions_used
from studies.simulate.demo import demo_files
from studies.simulate.fleet import Fleet, FleetTruth, day_number, draw_fleet
from studies.watch import UNITS, quiet_truth

FIRST_SEED = 6001
ASKED = (12, 24, 36, 60)
YEARS = 3.0
REPORTING = ("left to its prior", "stated")


def true_comebacks(truth: FleetTruth, trucks: pd.DataFrame, months: float) -> float:
    """Mean over ``trucks`` (power_hp, weight_lb, use and a column part:COMPONENT each) of the number of components that bring a
    new one back within ``months``, install errors too, each component counted once; damage seen at a teardown only is not."""
    node, weight = rate_nodes(1.0)
    days, total = months * DAYS_A_MONTH, 0.0
    for component in truth.components:
        for (part, use), own in trucks.groupby([f"part:{component.component}", "use"]):
            u = truth.use(use)
            miles = u.miles_per_day * days * np.exp(u.miles_log_sd * node)
            found = [f.finding for f in component.part(part).findings if not f.at_teardown]
            alive = truth.survival(
                component.component, part, miles[None], own["power_hp"].to_numpy()[:, None],
                own["weight_lb"].to_numpy()[:, None], use, findings=found,
            )  # fmt: skip
            total += float((1 - alive @ weight).sum())
        total += component.install_share * -np.expm1(-days / component.install_days) * len(trucks)
    return total / len(trucks)


def recent(fleet: Fleet) -> pd.DataFrame:
    """The trucks of a drawn fleet built in its last YEARS."""
    since = day_number(fleet.truth.as_of) - round(YEARS * DAYS_A_YEAR)
    return fleet.units[(fleet.units["built_day"] >= since) & ~fleet.units["before_records"]]


def one_shop(seed: int, reporting: str = REPORTING[0], units: int = UNITS) -> pd.DataFrame:
    """One row per power band and each of ASKED: comebacks per unit expected, with limits, and the true number. reporting: what
    shop.toml says of the share of failures that is reported, one of REPORTING."""
    from analytics.records.load import load_records

    truth = quiet_truth()
    files, _ = demo_files(units, seed, truth)
    if reporting == REPORTING[1]:
        files["shop.toml"] += f"\n[ratings]\nreporting_share = {truth.comebacks.reporting_share}\n".encode()
    trucks = recent(draw_fleet(truth, units, seed))
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        snapshot = snapshot_of(load_records(folder))
    shop, rows = snapshot.lifetimes.shop, []
    band = pd.Series(np.searchsorted(shop.power.bands, trucks["power_hp"], side="right"), trucks.index)
    for cost in band_costs(snapshot):
        own = trucks[band == shop.band_labels().index(cost.band)]
        for months in ASKED:
            drawn = cost.months[:, int(np.flatnonzero(months == MONTHS)[0])]
            lower, upper = np.quantile(drawn, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
            rows.append(
                [
                    seed,
                    reporting,
                    cost.band,
                    months,
                    cost.seen_months,
                    cost.failures,
                    drawn.mean(),
                    lower,
                    upper,
                    true_comebacks(truth, own, months),
                ]
            )
    columns = ["seed", "reporting", "band", "months", "seen_months", "failures", "expected", "lower", "upper", "true"]
    return pd.DataFrame(rows, columns=columns).round(5).assign(versions=versions_used())


def run(out: str | Path, shops: int = 40, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """``shops`` shops, those in guarantee_shops.csv of ``out`` not again; writes that file and the table of `summarise`, guarantee.csv."""
    path = Path(out) / "guarantee_shops.csv"
    pieces = [(seed, told) for seed in range(FIRST_SEED, FIRST_SEED + shops) for told in REPORTING]
    resume(path, ["seed", "reporting"], pieces, one_shop, progress=progress)
    table = summarise(pd.read_csv(path))
    with whole_file(path.with_name("guarantee.csv")) as part:
        table.round(6).to_csv(part, index=False)
    return table


def summarise(shops: pd.DataFrame) -> pd.DataFrame:
    """Per band and age, and over all: shops, share of limits that hold the truth with its standard error, share that lie below it
    (the guarantee would cost more) and above it; means of expected and true. Bands with fewer failures of their own than the
    review asks for are counted apart."""
    rows = []
    enough = shops["failures"] >= OWN_FAILURES
    groups = []
    for name, some in (("all", shops[enough]), (f"fewer than {OWN_FAILURES} failures of their own", shops[~enough])):
        groups += [
            (told, name, months, own) for (told, months), own in some.groupby(["reporting", "months"], sort=False)
        ]
    groups += [(*key, own) for key, own in shops[enough].groupby(["reporting", "band", "months"], sort=False)]
    for reporting, band, months, own in groups:
        held = (own["true"] >= own["lower"]) & (own["true"] <= own["upper"])
        by_shop = held.groupby(own["seed"]).mean()
        rows.append(
            {
                "reporting": reporting,
                "band": band, "months": months, "shops": own["seed"].nunique(), "limits": len(own), "covered": held.mean(),
                "se": by_shop.std(ddof=1) / np.sqrt(len(by_shop)), "too_low": (own["true"] > own["upper"]).mean(),
                "too_high": (own["true"] < own["lower"]).mean(), "expected": own["expected"].mean(), "true": own["true"].mean(),
                "level": LEVEL, "first_seed": FIRST_SEED,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)
