"""Questions to a shop's records, as functions: how long parts last, what they may be rated at, what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, TypedDict, Unpack

from analytics.api.own_units import said_in
from analytics.api.results import (
    AdviceResult,
    AnswerResult,
    CutoffResult,
    ForecastResult,
    LoadResult,
    MeasuredResult,
    RatingResult,
    ReviewResult,
    SurvivalResult,
    grouped,
)
from analytics.errors import AnalyticsError, NotEnoughData

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from analytics.api.shop import Progress, ShopRecords
    from analytics.models.cells import Clock
    from analytics.ratings.sheet import Ratings
    from analytics.review.answer import Answer

#: what survival may be asked by
BY = ("part", "power_band", "weight_class", "use", "lot", "builder")
_CLOCKS = ("days", "miles", "runs")
_in_its_units = said_in(lambda shop: shop.records.shop.units)


class Effort(TypedDict, total=False):
    """How long a cut-off may be searched for."""

    draws: int
    refits: int


@_in_its_units
def survival(shop: ShopRecords, component: str, by: Sequence[str] = (), clock: Clock = "days") -> SurvivalResult:
    """Share of a component's parts that have not come back, by age.

    component: as shop.toml names it. by: one curve for each value of these columns together, of part, power_band (hp),
    weight_class (lb), use, lot, builder; a part whose power, weight or use changed counts in each as long as it ran there.
    clock: the age in days, miles or runs (passes or pulls) since the part was fitted. Install errors, parts broken by another
    and parts taken out whole are censored. Curves stop where fewer are followed than at_risk_to_show of shop.toml.

    Raises AnalyticsError where the component, a column or the clock is not known.

    Method: Kaplan and Meier, Journal of the American Statistical Association 53 (1958) 457-481, with late entry; limits by
    Greenwood's variance.

    >>> curves = analytics.survival(small, "input shaft", by=["part"])
    >>> curves.groups[["part", "parts", "failures"]]
               part  parts  failures
    0             A     40         9
    1             B     40         5
    2  not recorded     14         0
    """
    from analytics.models.cells import curve, observed

    component = _component(shop, component)
    by = (by,) if isinstance(by, str) else tuple(by)
    for column in by:
        if column not in BY:
            raise AnalyticsError(f"survival by {column!r}: give one or more of {', '.join(BY)}.")
    if clock not in _CLOCKS:
        raise AnalyticsError(f"clock {clock!r}: must be one of {', '.join(_CLOCKS)}.")
    least = shop.records.shop.checks.at_risk_to_show
    own = shop.lifetimes.table[shop.lifetimes.table["component"] == component]
    curves, groups = [], []
    for values, rows in grouped(own, by):
        named = dict(zip(by, values, strict=True))
        seen = observed(rows, clock)
        end = {"followed_to": float("nan"), **dict.fromkeys(("survival", "lower", "upper"), float("nan"))}
        try:
            line = curve(rows, clock)
            frame = line.to_frame()
            frame = frame[frame["time"] <= line.reliable_until(least)]
            end = {"followed_to": line.reliable_until(least), **frame.iloc[-1][["survival", "lower", "upper"]]}
            curves.append(frame.assign(**named))
        except NotEnoughData:
            pass
        counts = {name: getattr(seen, name) for name in ("failures", "left_out", "left_out_failed")}
        groups.append(named | {"parts": seen.units + seen.left_out} | counts | end)
    return SurvivalResult(shop.records, shop.lifetimes, component, by, clock, _curves(curves, by), _groups(groups, by))


def _curves(curves: list[pd.DataFrame], by: tuple[str, ...]) -> pd.DataFrame:
    import pandas as pd

    columns = [*by, "time", "at_risk", "failed", "censored", "survival", "lower", "upper"]
    return pd.concat(curves, ignore_index=True)[columns] if curves else pd.DataFrame(columns=columns)


def _groups(groups: list[dict], by: tuple[str, ...]) -> pd.DataFrame:
    import pandas as pd

    columns = ["parts", "failures", "left_out", "left_out_failed", "followed_to", "survival", "lower", "upper"]
    return pd.DataFrame(groups, columns=[*by, *columns])


@_in_its_units
def rate(
    shop: ShopRecords,
    component: str | None = None,
    part: str | None = None,
    *,
    life_miles: float | None = None,
    reliability: float | None = None,
    confidence: float | None = None,
    progress: Progress | None = None,
) -> RatingResult:
    """The highest power at which enough of a part last, with confidence, by weight class and use, against what is published.

    component, part: which to rate; left out, all of them. life_miles: the target life in miles. reliability: the share that
    shall reach it, from 0.5 to below 1. confidence: how sure, likewise. Each by default as in shop.toml. The settings of
    [ratings] there hold here too. progress: called with a line of text at each stage.

    Raises AnalyticsError where component or part is not on record, or a target cannot be.

    Method: an accelerated-life regression with a lower confidence bound calibrated by simulation (Meeker and Escobar,
    Statistical Methods for Reliability Data, 1998, chapters 8, 9 and 17), its coverage measured in data/evidence.

    >>> rated = analytics.rate(shop, component="output shaft", part="OS-B", life_miles=50_000, reliability=0.9, confidence=0.9)
    >>> rated.table[["weight_up_to", "bound_hp", "demonstrated_hp", "units", "failures", "published_hp", "verdict"]]
       weight_up_to    bound_hp  demonstrated_hp  units  failures  published_hp               verdict
    0        7500.0  965.851537              NaN  108.0       0.0        1500.0  not shown either way
    1        9000.0  780.410528              NaN  108.0       0.0        1500.0  not shown either way
    """
    from analytics.ratings.options import options_for
    from analytics.ratings.sheet import make_ratings

    options = options_for(shop.records.shop, life_miles, reliability, confidence)
    only = None if component is None and part is None else _parts(shop, component, part)
    return _rated(make_ratings(shop.records, shop.lifetimes, options, progress, only))


def _rated(ratings: Ratings) -> RatingResult:
    from analytics.ratings.follow_up import FollowUp
    from analytics.words.ratings.sheet import sheet_table
    from analytics.words.saying import say_all

    return RatingResult(FollowUp(ratings), sheet_table(ratings), say_all(ratings.left_out))


@_in_its_units
def review(shop: ShopRecords, *, progress: Progress | None = None) -> ReviewResult:
    """The quarterly review: every question of the owner, answered for the quarter that the as-of date lies in.

    The last eight quarters are replayed, each with the records as they stood, so a folder is read again for each; it must not
    have changed since. shop: as read. progress: called with a line of text at each stage.

    Raises RecordsError where the folder cannot be read any more.

    Method: with each answer (``.answers[name].method``).

    >>> quarter = analytics.review(small)  # doctest: +SKIP
    >>> print(quarter.answers["came_back"])
    Nothing came back in 2024 Q1, with 80 units in service.
    """
    from analytics.ratings.options import options_for
    from analytics.ratings.sheet import ratings_begun
    from analytics.review.fleet_view import fleet_view_begun
    from analytics.review.one_sheet import make_sheet
    from analytics.review.outlook import outlook_begun
    from analytics.review.quarterly import review_of
    from analytics.words.answers import told_table

    records, lifetimes = shop.records, shop.lifetimes
    options = options_for(records.shop)
    # what each default costs stands on the page of the ratings alone
    options = replace(options, settings=replace(options.settings, explain=False))
    # the other cores look at the past, which most of the rest waits for, and rate while this one sorts and counts
    seen = outlook_begun(records, lifetimes, records.shop, progress=progress)
    ratings = ratings_begun(records, lifetimes, options, progress)
    made = review_of(records, lifetimes, progress)
    outlook = seen(made)
    then = outlook.before
    before = None if then is None else ratings_begun(then.records, then.lifetimes, options, progress, own_uses=False)
    viewed = fleet_view_begun(records, lifetimes, made.span, outlook.snapshot, progress)
    now, earlier = ratings(), None if before is None else before()
    fleet = viewed()
    sheet = make_sheet(made, outlook, fleet, now, earlier)
    answers = {
        name: AnswerResult(records, answer)
        for part in (made, outlook, fleet)
        for name, answer in _answers(part).items()
    }
    return ReviewResult(made, outlook, fleet, sheet, told_table(a.said for a in answers.values()), answers)


def _answers(part: object) -> dict[str, Answer]:
    """The answers of one part of a review by name; of a component: "component ..."."""
    from analytics.review.answer import Answer

    told: dict[str, Answer] = {}
    for field in fields(part):  # type: ignore[arg-type]
        value = getattr(part, field.name)
        if isinstance(value, Answer):
            told[field.name] = value
        elif field.name == "components":
            told |= {f"component {name}": answer for name, answer in value.items()}
    return told


@_in_its_units
def forecast(shop: ShopRecords) -> ForecastResult:
    """Comebacks of the next quarter and year, their cost, what to stock, and each unit's own chance.

    Of the units now running, with 90% intervals; only comebacks that are reported count.

    Raises AnalyticsError where the settings of [ratings] are not understood.

    Method: the fits of the ratings, carried on from each unit's age, their uncertainty drawn from the posterior; how often the
    intervals held is measured in data/evidence. The shop's own past quarters are foretold again, and what came of them moves the next.

    >>> analytics.forecast(shop).table[["span", "component", "expected", "lower", "upper"]].iloc[2]
    span             quarter
    component      converter
    expected  ...
    lower  ...
    upper  ...
    """
    from analytics.kept import once
    from analytics.records.load import as_typed
    from analytics.review.forecast import forecast as forecast_of
    from analytics.review.outlook import past
    from analytics.review.snapshot import snapshot_of

    now = snapshot_of(shop.records, shop.lifetimes)
    found = once(forecast_of, (past(as_typed(shop.records.shop), now).snapshots[-1],))
    return ForecastResult(shop.records, found.counts, found.stock, found.money, found.units, found)


@_in_its_units
def cutoff(
    shop: ShopRecords,
    component: str,
    below: str,
    above: str,
    *,
    margin: float = 0.8,
    finding: str | None = None,
    progress: Progress | None = None,
    **effort: Unpack[Effort],
) -> CutoffResult:
    """Where one part should end and the next begin, or that the records can't say.

    component; below, above: the part under the boundary and the one over it. margin: least share of the old life that counts
    as no worse, over 0 to 1. finding: look at one way of failing alone. progress: called with a line of text at each stage.
    effort: ``draws``, permutations behind a p-value (999), and ``refits``, bootstrap samples behind an interval (200).

    Raises AnalyticsError where component or parts are not on record, RecordsError where shop.toml states no cost of a comeback
    or of a part.

    Method: with each verdict (``.table``); how often the verdicts are right is measured in data/evidence.

    >>> edge = analytics.cutoff(small, "input shaft", "A", "B", draws=99, refits=20)
    >>> edge.table[["question", "verdict"]].head(2)
             question     verdict
    0   step in power  can't tell
    1  step in weight  can't tell
    """
    from analytics.cutoffs.argument import Asked, make_argument
    from analytics.words.cutoffs.argument import claim, verdicts_table

    component = _component(shop, component)
    asked = Asked(component, below, above, margin, finding, **effort)
    argument = make_argument(shop.records, shop.lifetimes, asked, progress=progress)
    return CutoffResult(argument, verdicts_table(argument), claim(argument))


@_in_its_units
def load(
    shop: ShopRecords,
    strength: str | None = None,
    *,
    life_miles: float | None = None,
    reliability: float | None = None,
    confidence: float | None = None,
    progress: Progress | None = None,
) -> LoadResult:
    """The torque at every part, with what the tyres would leave of it beside, against what the part is made like; and ratings on it.

    strength: what the ratings run on: power (hp), torque (lb ft) or margin (load over strength); by default as in shop.toml.
    life_miles, reliability, confidence, progress: see rate.

    Raises AnalyticsError where a target cannot be, RecordsError where [driveline] of shop.toml is not understood.

    Method: textbook formulas, each with its source in the driveline modules; no design calculation.

    >>> loads = analytics.load(small)
    >>> loads
    LoadResult(Small, as of 2024-03-31, rated on power: 3 parts, 0 suspects)
    """
    from analytics.ratings.load_review import make_load_review
    from analytics.ratings.options import options_for
    from analytics.words.load import loads_table, ratings_table, suspects_table

    options = options_for(shop.records.shop, life_miles, reliability, confidence, strength)
    made = make_load_review(shop.records, shop.lifetimes, options, progress)
    return LoadResult(made, loads_table(made.loads), ratings_table(made.ratings), suspects_table(made))


@_in_its_units
def advise(
    shop: ShopRecords, power_hp: str | float, weight_lb: str | float = "", use: str = "", **more: object
) -> AdviceResult:
    """What one truck should be built with: part by part the cheapest that is shown to last, or one that is likely to and costs less with its comebacks
    counted, and where the next money is best spent.

    power_hp, weight_lb: a number in hp at the crank and lb as driven, or a text as people say it ("about 700", "540 kW", "650 whp",
    "3.9 t"; without a unit in those of [units]). use: one of the shop's, or several ("tows, and strip on Sundays": the harsher governs). more: measured_at ("wheels");
    one of life (miles), passes, months (by default the miles of shop.toml); own, a dict of the truck's figures (torque, engine_rpm, stall_ratio, stall_rpm,
    first_gear, overdrive, axle_ratio, tyre_diameter, driven_wheels, driven_share, shift_time, oil_temperature, trailer_weight, line_pressure, converter_pressure). What takes seconds is kept in the user's cache
    folder and made anew when a figure changes.

    Raises AnalyticsError with the question to ask where something is missing or cannot be.

    Method: the rating turned round (`rate`): the share that fails at this power, weight and use, with the same calibrated bound; margins by
    textbook formulas (`load`). How often it is right is measured in data/evidence.

    >>> answer = analytics.advise(small, power_hp=600, weight_lb=7000, use="street")
    >>> answer.table[["component", "part", "advised", "price"]]
         component part  advised  price
    0  input shaft    A     True  400.0
    1  input shaft    B    False  800.0
    2    converter    C     True    NaN
    """
    from analytics.advice.adviser import adviser_of
    from analytics.advice.truck import wish_of
    from analytics.records.cells import POWER, WEIGHT, written
    from analytics.words.advice import advice_table

    told = ((power_hp, POWER), (weight_lb, WEIGHT))
    power, weight = (written(float(v), kind, kind.unit) if isinstance(v, int | float) else v for v, kind in told)
    advice = adviser_of(shop.records, shop.lifetimes).ask(wish_of(power=power, weight=weight, use=use, **more))
    return AdviceResult(advice, advice_table(advice))


def measured(folder: str | Path | None = None) -> MeasuredResult:
    """What was measured about the methods: how often ratings, forecasts, the watch, guarantees and verdicts are right.

    folder: where the tables of the studies lie; by default those that came with the package.

    Raises AnalyticsError where the table of the study of ratings is not there.

    Method: simulated fleets with a known truth (data/evidence/README.md); coverage with its binomial standard error.

    >>> analytics.measured().table[["cell", "fleets", "covered", "se"]].shape[1]
    4
    """
    from pathlib import Path

    from analytics.places import evidence_folder
    from analytics.words.evidence import read_study

    place = evidence_folder() if folder is None else Path(folder)
    return MeasuredResult(place, read_study(place))


def _component(shop: ShopRecords, typed: str) -> str:
    """The component as the records name it."""
    name = " ".join(str(typed).split()).casefold()
    if name not in shop.records.shop.components:
        raise AnalyticsError(
            f"{typed!r} is no component of this shop. There are: {', '.join(shop.records.shop.components)}."
        )
    return name


def _parts(shop: ShopRecords, component: str | None, part: str | None) -> list[tuple[str, str]]:
    """Parts on record by these names, in the order of the ratings."""
    from analytics.records.load import NOT_RECORDED

    own = None if component is None else _component(shop, component)
    known = shop.lifetimes.table[["component", "part"]].drop_duplicates()
    known = known[~known["part"].isin([NOT_RECORDED, ""])]
    order = list(shop.records.shop.components)
    pairs = sorted(known.itertuples(index=False, name=None), key=lambda pair: (order.index(pair[0]), pair[1]))
    of_component = [pair for pair in pairs if own in (None, pair[0])]
    found = [pair for pair in of_component if part in (None, pair[1])]
    if not found:
        have = ", ".join(f"{c} {p}" for c, p in of_component) or "none"
        raise AnalyticsError(
            f"no {own or 'part'} {part or ''} is on record.".replace("  ", " ") + f" There are: {have}."
        )
    return found
