"""How sure are we of the records: the headline figures when what is taken for granted is taken otherwise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.models.cells import curve
from analytics.ratings.basis import part_lives
from analytics.ratings.bound import RatingSettings, rate_part
from analytics.ratings.options import Options, options_for
from analytics.ratings.sheet import judge, propose, spared
from analytics.ratings.whatif import with_loss
from analytics.records.limits import limit_for
from analytics.records.load import NOT_RECORDED, Records
from analytics.review.answer import Answer, listed, percent, plural
from analytics.review.quarter import YEAR_DAYS
from analytics.review.stands import fill_unknown

SHARES = (1.0, 0.85, 0.7, 0.5)
#: from crank to wheels of an automatic (common practice, no source)
LOSSES = (0.15, 0.20)
_AS_IS = "as it stands"
_BACK_YEARS = 2.0
COLUMNS = ["figure", "what", "reading", "value", "proven_hp", "published_hp", "verdict", "same_as_stands"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to take the records. table: their lifetimes; settings: of the rating; share: reported, NaN where left open;
    counts: whether it can change a share of units on days, which needs neither power, weight nor miles."""

    name: str
    table: pd.DataFrame
    settings: RatingSettings
    share: float = math.nan
    counts: bool = False


def readings(records: Records, lifetimes: Lifetimes, options: Options) -> list[Reading]:
    """The records as they stand, then with one thing taken otherwise at a time."""
    base = replace(options.settings, replicates=0, draws=0, explain=False)
    table = lifetimes.table
    out = [Reading(_AS_IS, table, base, counts=True)]
    out += [Reading(f"{percent(s)} of failures reported", table, replace(base, share=s), s, True) for s in SHARES]
    unclear = table["ended"].eq("failed") & (table["cause"].eq("unclear") | table["order"].eq("unclear"))
    if unclear.any():
        out.append(
            Reading(
                f"{plural(int(table.loc[unclear, 'count'].sum()), 'unclear failure')} not the part's own",
                spared(table, unclear),
                base,
                counts=True,
            )
        )
    for loss in LOSSES:
        other, moved = with_loss(records, loss)
        if moved:
            out.append(
                Reading(f"wheel powers lose {percent(loss)} ({moved:,} of them)", make_lifetimes(other).table, base)
            )
    filled, missing = fill_unknown(table)
    if missing:
        out.append(Reading("unknown powers and weights at the median of the use", filled, base))
    out.append(
        Reading(
            "unknown miles: owners who were read drive like the others",
            table,
            replace(base, selection=False, decline=False),
        )
    )
    return out


def how_sure(records: Records, lifetimes: Lifetimes, progress: Callable[[str], None] | None = None) -> Answer:
    """The share back within two years per component, and the power each limited part can take, under every reading."""
    question = "How sure are we of the records?"
    options = options_for(records.shop)
    every = readings(records, lifetimes, options)
    rows = [row for reading in every if reading.counts for row in _shares_back(reading, lifetimes)]
    for component, part, failures in _parts(lifetimes, records):
        if progress is not None:
            progress(f"readings of {component} {part}")
        rows += _powers(component, part, failures, every, records, lifetimes, options)
    frame = pd.DataFrame(rows, columns=[*COLUMNS[:-1]])
    stands = frame[frame["reading"] == _AS_IS].set_index(["figure", "what"])["verdict"]
    frame["same_as_stands"] = [
        bool(v == stands.get((f, w), v))
        for f, w, v in zip(frame["figure"], frame["what"], frame["verdict"], strict=True)
    ]
    frame = frame.sort_values(["figure", "what"], kind="stable", ignore_index=True)[COLUMNS]
    return Answer(
        question,
        tuple(_words(frame, options)) or ("Nothing has failed often enough for a figure that could change.",),
        frame,
        f"One thing at a time. Share back: days since new, one minus Kaplan-Meier at {_BACK_YEARS:g} years, divided by the share reported. Power: "
        "best estimate, and proven by the first-order bound in the lightest class (the ratings page calibrates it, and is a little lower), against "
        "the limit published there. As it stands the reporting share is left open, about 80 % with a prior. A verdict that another reading turns "
        "round is not to be acted on until what it hangs on is known.",
    )


def _shares_back(reading: Reading, lifetimes: Lifetimes) -> list[list]:
    rows = []
    for component in lifetimes.shop.components:
        own = reading.table[reading.table["component"] == component]
        if not len(own):
            continue
        try:
            line = curve(own, "days")
            if line.reliable_until(lifetimes.shop.at_risk_to_show) < _BACK_YEARS * YEAR_DAYS:
                continue
            back = 1 - float(line.survival_at(_BACK_YEARS * YEAR_DAYS).survival[0])
        except NotEnoughData:
            continue
        share = 1.0 if math.isnan(reading.share) else reading.share
        value = min(back / share, 1.0)
        rows.append(
            [f"share back within {_BACK_YEARS:g} years", component, reading.name, value, math.nan, math.nan, ""]
        )
    return rows


def _parts(lifetimes: Lifetimes, records: Records) -> list[tuple[str, str, int]]:
    """Parts with a published limit and failures enough."""
    table, shop = lifetimes.table, lifetimes.shop
    named = {(r.component, r.part) for r in records.limits.itertuples()}
    own = table[(table["ended"] == "failed") & (table["cause"] != "install") & (table["part"] != NOT_RECORDED)]
    counts = own.groupby(["component", "part"])["count"].sum()
    return [(c, p, int(n)) for (c, p), n in counts.items() if (c, p) in named and n >= shop.failures_to_fit]


def _powers(
    component: str,
    part: str,
    failures: int,
    every: list[Reading],
    records: Records,
    lifetimes: Lifetimes,
    options: Options,
) -> list[list]:
    weight = lifetimes.shop.weight_classes[0]
    truck = pd.DataFrame(
        {"component": [component], "part": [part], "use": [""], "weight_lb": [weight], "day": [lifetimes.as_of]}
    )
    at = int(limit_for(records.limits, truck)[0])
    if at < 0:
        return []
    published = float(records.limits["power_limit_hp"].iat[at])
    rows = []
    for reading in every:
        try:
            data = part_lives(lifetimes, component, part, reading.table).data
            rated = rate_part(
                data,
                weight,
                None,
                options.life_miles,
                options.reliability,
                options.confidence,
                reading.settings,
                options.seed,
            )
        except AnalyticsError:
            rows.append(
                ["power it can take", f"{component} {part}", reading.name, math.nan, math.nan, published, "no rating"]
            )
            continue
        proposed = propose(rated.bound_hp, options.step_hp)
        verdict, _ = judge(rated, proposed, published, options)
        rows.append(
            ["power it can take", f"{component} {part}", reading.name, rated.estimate_hp, proposed, published, verdict]
        )
    return rows


def _words(frame: pd.DataFrame, options: Options) -> list[str]:
    lines = []
    shares = frame[frame["verdict"] == ""]
    for what, own in shares.groupby("what", sort=False):
        stands = float(own.loc[own["reading"] == _AS_IS, "value"].iloc[0])
        low, high = float(own["value"].min()), float(own["value"].max())
        if stands:
            worst = own.loc[own["value"].idxmax(), "reading"]
            lines.append(
                f"{what.capitalize()}: {percent(stands)} are on record as back within {_BACK_YEARS:g} years; {percent(low)} to {percent(high)} over the readings, most if {worst}."
            )
    firm, turned = [], []
    for what, own in frame[frame["verdict"] != ""].groupby("what", sort=False):
        stands = own.loc[own["reading"] == _AS_IS, "verdict"].iloc[0]
        other = own[~own["same_as_stands"]]
        low, high = own["value"].min(), own["value"].max()
        span = f"best estimate {low:,.0f} to {high:,.0f} hp" if np.isfinite(low) else "no best estimate"
        if other.empty:
            firm.append(f"{what} ({stands}; {span})")
        else:
            how = listed([f"“{v}” if {listed(list(o['reading']), 3)}" for v, o in other.groupby("verdict", sort=False)])
            turned.append(
                f"{what[:1].upper()}{what[1:]}: “{stands}” as it stands, but {how} ({span}). Not to be acted on until that is known."
            )
    if firm:
        lines.append(
            f"The verdict is the same under every reading for {listed(firm, 8)}: none of what is taken for granted here decides it."
        )
    lines += turned
    if firm or turned:
        lines.append(
            f"Verdicts are on the published limit at {options.life_miles:,.0f} miles and {percent(options.reliability)} surviving; they change nothing by themselves."
        )
    return lines
