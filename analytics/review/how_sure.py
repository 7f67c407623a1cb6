"""How sure are we of the records: the headline figures when what is taken for granted is taken otherwise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import pandas as pd

from analytics.cores import longest_first
from analytics.driveline.load import Loads, make_loads
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes, make_lifetimes, with_rows
from analytics.models.cells import curve
from analytics.ratings.basis import few_known, part_lives
from analytics.ratings.bound import rate_part
from analytics.ratings.held import weakest_margin
from analytics.ratings.limit_evidence import Beside, evidence_of, rounded_down
from analytics.ratings.options import Options
from analytics.ratings.pooling import options_of
from analytics.ratings.published import known_before, price_over_comeback, published_hp
from analytics.ratings.settings import RatingSettings
from analytics.ratings.sheet import found_at_teardown, spared
from analytics.ratings.verdict import judge
from analytics.ratings.whatif import with_loss
from analytics.reasons import Figure, HowSure, Question, ReadAs, Reason, reason, reason_if
from analytics.records.load import NOT_RECORDED, Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer
from analytics.review.snapshot import fill_unknown

SHARES = (1.0, 0.85, 0.7, 0.5)
#: from crank to wheels of an automatic (common practice, no source)
LOSSES = (0.15, 0.20)
_BACK_YEARS = 2.0
COLUMNS = ["figure", "what", "reading", "value", "proven_hp", "published_hp", "verdict", "same_as_stands"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to take the records. how: which; table: their lifetimes; settings: of the rating; share: reported, NaN where left open;
    counts: whether it can change a share of units on days, which needs neither power, weight nor miles."""

    how: Reason
    table: pd.DataFrame
    settings: RatingSettings
    share: float = math.nan
    counts: bool = False


def _readings(records: Records, lifetimes: Lifetimes, options: Options) -> list[Reading]:
    """The records as they stand, then with one thing taken otherwise at a time."""
    base = replace(options.settings, replicates=0, draws=0, explain=False)
    table = lifetimes.table
    out = [Reading(reason(ReadAs.IT_STANDS), table, base, counts=True)]
    out += [Reading(reason(ReadAs.REPORTED, share=s), table, replace(base, share=s), s, True) for s in SHARES]
    unclear = table["ended"].eq("failed") & (table["cause"].eq("unclear") | table["order"].eq("unclear"))
    if unclear.any():
        how = reason(ReadAs.UNCLEAR_OUT, failures=int(table.loc[unclear, "count"].sum()))
        out.append(Reading(how, spared(table, unclear), base, counts=True))
    for loss in LOSSES:
        other, moved = with_loss(records, loss)
        if moved:
            how = reason(ReadAs.WHEEL_LOSS, loss=loss, powers=moved)
            out.append(Reading(how, make_lifetimes(other).table, base))
    filled, missing = fill_unknown(table)
    if missing:
        out.append(Reading(reason(ReadAs.FILLED), filled, base))
    out.append(Reading(reason(ReadAs.LIKE_THE_READ), table, replace(base, selection=False, decline=False)))
    return out


def how_sure(records: Records, lifetimes: Lifetimes, progress: Callable[[str], None] | None = None) -> Answer:
    """The share back within two years per component, and the power each limited part can take, under every reading of
    ``records`` and their ``lifetimes``. progress: called with a line of text for each part."""
    return how_sure_begun(records, lifetimes, progress)()


def how_sure_begun(
    records: Records, lifetimes: Lifetimes, progress: Callable[[str], None] | None = None
) -> Callable[[], Answer]:
    """What gives the answer of `how_sure` when called: other processes are at it meanwhile (analytics.cores). records, lifetimes, progress: as there."""
    options = options_of(lifetimes, None)
    every = _readings(records, lifetimes, options)
    asked = [item for pair in _parts(lifetimes, records) if (item := _asked(*pair, every, records, lifetimes, options))]
    powers = longest_first(_powers, asked, _long)
    loads = None if records.parts.empty else make_loads(records, lifetimes)
    rows = [row for reading in every if reading.counts for row in _shares_back(reading, lifetimes)]

    def taken() -> Answer:
        for item, found in zip(asked, powers, strict=True):
            if progress is not None:
                progress(f"readings of {item[0]} {item[1]}")
            rows.extend(_held(row, item[0], item[1], lifetimes.shop.weight.classes[0], loads) for row in found)
        return _answer(pd.DataFrame(rows, columns=[*COLUMNS[:-1]]), options)

    return taken


def _answer(frame: pd.DataFrame, options: Options) -> Answer:
    stands = frame[_as_it_stands(frame)].set_index(["figure", "what"])["verdict"]
    frame["same_as_stands"] = [
        bool(v == stands.get((f, w), v))
        for f, w, v in zip(frame["figure"], frame["what"], frame["verdict"], strict=True)
    ]
    frame = frame.sort_values(["figure", "what"], kind="stable", ignore_index=True)[COLUMNS]
    question = reason(Question.HOW_SURE, back_years=_BACK_YEARS)
    return Answer(question, tuple(_verdicts_said(frame, options)) or (reason(HowSure.NOTHING),), frame)


def _as_it_stands(frame: pd.DataFrame) -> pd.Series:
    return frame["reading"].map(lambda how: how.code is ReadAs.IT_STANDS).astype(bool)


def _shares_back(reading: Reading, lifetimes: Lifetimes) -> list[list]:
    rows = []
    for component in lifetimes.shop.components:
        own = reading.table[reading.table["component"] == component]
        if not len(own):
            continue
        try:
            line = curve(own, "days")
            if line.reliable_until(lifetimes.shop.checks.at_risk_to_show) < _BACK_YEARS * DAYS_A_YEAR:
                continue
            back = 1 - float(line.survival_at(_BACK_YEARS * DAYS_A_YEAR).survival[0])
        except NotEnoughData:
            continue
        share = 1.0 if math.isnan(reading.share) else reading.share
        value = min(back / share, 1.0)
        rows.append([Figure.SHARE_BACK, component, reading.how, value, math.nan, math.nan, ""])
    return rows


def _parts(lifetimes: Lifetimes, records: Records) -> list[tuple[str, str]]:
    """Parts with a published limit and failures enough."""
    table, shop = lifetimes.table, lifetimes.shop
    named = {(r.component, r.part) for r in records.limits.itertuples()}
    own = table[counts_as_failure(table) & (table["part"] != NOT_RECORDED)]
    counts = own.groupby(["component", "part"])["count"].sum()
    return [(c, p) for (c, p), n in counts.items() if (c, p) in named and n >= shop.checks.failures_to_fit]


def _asked(
    component: str, part: str, every: list[Reading], records: Records, lifetimes: Lifetimes, options: Options
) -> tuple | None:
    """What `_powers` is asked of a part: its rows of each reading alone, since they are sent to another process; None where it has no
    limit at the lightest class."""
    weight = lifetimes.shop.weight.classes[0]
    truck = pd.DataFrame(
        {"component": [component], "part": [part], "use": [""], "weight_lb": [weight], "day": [lifetimes.as_of]}
    )
    published = float(published_hp(records.limits, truck)[0])
    if math.isnan(published):
        return None
    known = known_before(records.limits, truck)[0]
    of_component = lifetimes.table.loc[lifetimes.table["component"] == component, "part"].unique()
    lost = price_over_comeback(records.shop, part, of_component, 1 - options.promise.reliability)
    own = [replace(r, table=r.table[(r.table["component"] == component) & (r.table["part"] == part)]) for r in every]
    alone = with_rows(lifetimes, own[0].table)
    hidden = found_at_teardown(own[0].table)
    return (
        component,
        part,
        own,
        alone,
        options,
        Beside(math.nan, published, options.step_hp, lost, known, hidden=hidden),
    )


def _long(asked: tuple) -> tuple[bool, int]:
    """How long an item of `_asked` takes beside others: damage found at teardowns is rated twice."""
    _, _, _, alone, _, beside = asked
    return beside.hidden > 0, len(alone.table)


def _powers(
    component: str, part: str, every: list[Reading], lifetimes: Lifetimes, options: Options, beside: Beside
) -> list[list]:
    """A row per reading: the power the part can take, and what is proposed. A reading that leaves its rows and settings as they are is not rated again."""
    weight, published = lifetimes.shop.weight.classes[0], beside.published_hp
    rows: list[list] = []
    done: list[tuple[Reading, list]] = []
    for reading in every:
        found = next((f for r, f in done if r.settings == reading.settings and r.table.equals(reading.table)), None)
        if found is None:
            try:
                lives = part_lives(lifetimes, component, part, reading.table, hidden_apart=True)
                data, few = lives.data, few_known(lives.notes)
                settings = reading.settings.of(component, part)
                rated = rate_part(data, weight, None, options.promise, settings, options.seed)
                held = replace(beside, supported_hp=rounded_down(rated.bound_hp, options.step_hp), few_known=few)
                judged = judge(evidence_of(rated, held, data, settings), published, options)
                found = [rated.estimate_hp, held.supported_hp, published, judged.verdict, judged.proposed_hp]
            except AnalyticsError:
                found = [math.nan, math.nan, published, "no rating", math.nan]
            done.append((reading, found))
        rows.append([Figure.POWER, f"{component} {part}", reading.how, *found])
    return rows


def _held(row: list, component: str, part: str, weight_lb: float, loads: Loads | None) -> list:
    """A ``row`` of `_powers` without what is proposed; a raise is held where the sheet of ratings holds it."""
    *rest, verdict, proposed = row
    if verdict == "raise" and loads is not None and weakest_margin(loads, component, part, proposed, weight_lb, "") < 1:
        verdict = "keep"
    return [*rest, verdict]


def _verdicts_said(frame: pd.DataFrame, options: Options) -> list[Reason]:
    """What the table (COLUMNS) says: the span of each share, and which verdicts another reading turns round."""
    said = []
    for what, own in frame[frame["figure"] == Figure.SHARE_BACK].groupby("what", sort=False):
        stands = float(own.loc[_as_it_stands(own), "value"].iloc[0])
        if stands:
            worst = own.loc[own["value"].idxmax(), "reading"]
            said.append(
                reason(
                    HowSure.SHARE_BACK,
                    component=what,
                    share=stands,
                    years=_BACK_YEARS,
                    most_if=worst,
                    lower=float(own["value"].min()),
                    upper=float(own["value"].max()),
                )
            )
    firm, turned = [], []
    for what, own in frame[frame["figure"] == Figure.POWER].groupby("what", sort=False):
        stands = own.loc[_as_it_stands(own), "verdict"].iloc[0]
        other = own[~own["same_as_stands"]]
        span = (float(own["value"].min()), float(own["value"].max()))
        if other.empty:
            firm.append((what, stands, span))
        else:
            others = {v: list(o["reading"]) for v, o in other.groupby("verdict", sort=False)}
            turned.append(reason(HowSure.TURNED, what=what, verdict=stands, others=others, estimates_hp=span))
    said += reason_if(HowSure.FIRM, firm, verdicts=firm)
    said += turned
    said += reason_if(
        HowSure.ON_WHAT, firm or turned, life_miles=options.promise.life_miles, reliability=options.promise.reliability
    )
    return said
