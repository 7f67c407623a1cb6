"""The sheet: a rating per part, weight class and use, against what is published."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from typing import ParamSpec

import numpy as np
import pandas as pd

from analytics.cores import longest_first
from analytics.errors import AnalyticsError
from analytics.lifetimes.opened import found_damaged
from analytics.lifetimes.schema import CLOCKS
from analytics.lifetimes.table import Lifetimes, with_rows
from analytics.models.lifedata import ANY_WEIGHT, LifeData, opened_of
from analytics.ratings.basis import few_known, part_lives
from analytics.ratings.bound import RatingBound, rate_weights, with_enough
from analytics.ratings.fits import PartFits, fit_part
from analytics.ratings.held import held_by_margin
from analytics.ratings.lasting import by_miles, lasts_though_not_shown, lasts_unfailed
from analytics.ratings.limit_evidence import Beside, LimitEvidence, evidence_of, no_higher, rounded_down
from analytics.ratings.openings import openings_to_raise
from analytics.ratings.options import Options, for_component, for_use
from analytics.ratings.pooling import options_of
from analytics.ratings.published import known_before, price_over_comeback, published_hp
from analytics.ratings.verdict import Judgement, judge, under_lighter
from analytics.reasons import Lives, Reason, Refused, Rests, Verdict, reason, reason_if
from analytics.records.cover import over, same_edge
from analytics.records.load import NOT_RECORDED, Records
from analytics.records.measures import COMPETITION

COLUMNS = [
    "component", "part", "weight_up_to", "use", "clock", "life", "life_miles", "reliability", "confidence", "estimate_hp", "bound_hp",
    "upper_hp", "demonstrated_hp", "second_opinion_hp", "units", "failures", "miles", "highest_power_hp", "published_hp", "known_hp",
    "supported_hp", "with_known_hp", "proposed_hp", "trial_hp", "verdict", "why",
]  # fmt: skip
#: a use gets rows of its own from this many failures on
_USE_FAILURES, _USE_LIVES = 3, 30

Asked = ParamSpec("Asked")


@dataclass(frozen=True, slots=True)
class PartRating:
    """All that is known of one part: its lives, what was left out of them, a rating per weight and use.

    fits: made once for all its bounds (None: no failure). unclear: failures with an unclear cause or order. hidden: those found at a teardown, not by coming back. rows: (n,) where each life of ``data`` stands in the table of lifetimes. otherwise: the bound in hp at (weight, use) if the failures whose cause or order is unclear were not the part's own
    (first-order, moved by the calibration of the published bound). use: where it has a target of its own, and only its lives are
    meant, counted as that is.
    """

    component: str
    part: str
    data: LifeData
    rows: np.ndarray
    notes: tuple[Reason, ...]
    fits: PartFits | None
    bounds: tuple[RatingBound, ...]
    unclear: int
    hidden: int
    otherwise: dict[tuple[float, str], float]
    use: str = ""


@dataclass(frozen=True, slots=True)
class Ratings:
    """``table``: COLUMNS, one row per component, part, weight class (inf: any weight, none on record) and use, unrounded; why:
    a `Reason` for the verdict. ``parts``: what each rests on. apart: the same by uses with a target of their own, whose rows come last.
    left_out: parts that could not be rated."""

    records: Records
    lifetimes: Lifetimes
    options: Options
    parts: tuple[PartRating, ...]
    table: pd.DataFrame
    left_out: tuple[Reason, ...]
    apart: tuple[PartRating, ...] = ()

    def __repr__(self) -> str:
        return f"Ratings({self.records.shop.name!r}, as of {self.records.as_of:%Y-%m-%d}: {len(self.table)} rows)"

    def part(self, component: str, part: str) -> PartRating:
        """One part by name; raises AnalyticsError where it is not rated."""
        for rated in self.parts:
            if (rated.component, rated.part) == (component, part):
                return rated
        raise AnalyticsError(
            f"no rating for {component} {part}: rated are {', '.join(f'{p.component} {p.part}' for p in self.parts)}"
        )


def ratings_begun(
    records: Records,
    lifetimes: Lifetimes,
    options: Options | None = None,
    progress: Callable[[str], None] | None = None,
    only: Collection[tuple[str, str]] | None = None,
    own_uses: bool = True,
) -> Callable[[], Ratings]:
    """Rate every part on record, or ``only`` some, each (component, part): what gives the ratings when called, with other processes at them
    meanwhile (analytics.cores). ``records``; lifetimes: of the same. options: default options_for(records.shop). own_uses: rows for each use by
    itself as well. progress: called with a line of text for each part. Raises AnalyticsError where one of ``only`` is not on record."""
    say = progress or (lambda _: None)
    chosen = options_of(lifetimes, options)
    table = lifetimes.table
    named = table[~table["part"].isin([NOT_RECORDED, ""])]
    others = {c: sorted(named.loc[named["component"] == c, "part"].unique()) for c in records.shop.components}
    targets, asked = records.shop.targets.uses, []
    for component, part in _parts_asked(others, only):
        its = for_component(chosen, component, part)
        asked.append((component, part, its, own_uses, ""))
        for use in _promised_apart(named, component, part, targets) if own_uses else ():
            asked.append((component, part, for_use(for_component(chosen, component), targets[use]), False, use))
    every = _rated(lifetimes, asked)

    def taken() -> Ratings:
        parts: list[PartRating] = []
        apart: list[PartRating] = []
        rows: list[list[object]] = []
        late: list[list[object]] = []
        left_out: list[Reason] = []
        for (component, part, own, _, use), rated in zip(asked, every, strict=True):
            say(f"rated {component} {part}")
            if isinstance(rated, Reason):
                left_out.append(rated)
                continue
            rated = _asking_for_openings(rated, records, own, others[component])
            (apart if use else parts).append(rated)
            (late if use else rows).extend(_rows(rated, records, own, others[component]))
        table = held_by_margin(pd.DataFrame(rows + late, columns=COLUMNS), records, lifetimes)
        return Ratings(records, lifetimes, chosen, tuple(parts), table, tuple(left_out), tuple(apart))

    return taken


def _at_once(begun: Callable[Asked, Callable[[], Ratings]]) -> Callable[Asked, Ratings]:
    return lambda *asked, **told: begun(*asked, **told)()


#: the ratings asked for as of `ratings_begun`, waited for
make_ratings = _at_once(ratings_begun)


def _parts_asked(parts: dict[str, list[str]], only: Collection[tuple[str, str]] | None) -> list[tuple[str, str]]:
    """Every (component, part) of the ``parts`` of each component, or ``only`` those. Raises AnalyticsError where one is none of them."""
    pairs = [(component, part) for component in parts for part in parts[component]]
    unknown = [pair for pair in only or () if pair not in pairs]
    if unknown:
        have = ", ".join(f"{component} {part}" for component, part in pairs) or "none"
        raise AnalyticsError(
            f"there is no rating for {' '.join(unknown[0])}: no such part is on record. There are: {have}."
        )
    return pairs if only is None else [pair for pair in pairs if pair in only]


def _rated(lifetimes: Lifetimes, asked: list[tuple[str, str, Options, bool, str]]) -> Iterator[PartRating | Reason]:
    """Each part asked for (see `_rate`), from its own rows of the table: they are all that another process is sent. Begun at once."""
    table, places, items = lifetimes.table, [], []
    for component, part, *more in asked:
        at = np.flatnonzero(((table["component"] == component) & (table["part"] == part)).to_numpy())
        own = with_rows(lifetimes, table.iloc[at])
        places.append(at)
        items.append((own, component, part, *more))
    every = zip(places, longest_first(_rate, items, _long, keep=True), strict=True)
    return (rated if isinstance(rated, Reason) else replace(rated, rows=at[rated.rows]) for at, rated in every)


def _long(asked: tuple) -> tuple[bool, int]:
    """How long an item of `_rated` takes beside others: a part that never failed has nothing to fit."""
    table = asked[0].table
    return bool(table["ended"].eq("failed").any()), len(table)


def _promised_apart(named: pd.DataFrame, component: str, part: str, uses: Collection[str]) -> list[str]:
    """Uses with a target of their own that the part is on record in."""
    on_record = set(named.loc[(named["component"] == component) & (named["part"] == part), "use"])
    return [use for use in uses if use in on_record]


def _rate(
    lifetimes: Lifetimes, component: str, part: str, options: Options, own_uses: bool, use: str = ""
) -> PartRating | Reason:
    """One part; ``use``: its lives in that use alone, under the options of its own target."""
    try:
        lives = part_lives(lifetimes, component, part, use=use or None, hidden_apart=True)
    except AnalyticsError as err:
        return reason(Refused.PART, component=component, part=f"{part} ({use})" if use else part, why=str(err))
    data, notes = lives.data, lives.notes
    table, elsewhere = lifetimes.table, lifetimes.shop.targets.uses
    of_use = table["use"] == use if use else ~table["use"].isin(list(elsewhere))
    its = ((table["component"] == component) & (table["part"] == part) & of_use).to_numpy()
    own = table[its]
    missing = _missing_note(own, np.isin(np.flatnonzero(its), lives.rows))
    weights = class_weights(data, lifetimes.shop.weight.classes, options)
    if use:
        weights = _as_heavy_as_reached(data, weights, options)
    fits = _fits(data, options)
    harshest = _harshest(data, weights, options, fits, component)
    bounds = [replace(b, use=use) for b in harshest]
    bounds += _by_use(harshest, data, weights, options, fits) if own_uses else []
    told_apart = found_damaged(own) & (opened_of(data) is not None)
    unclear = own["ended"].eq("failed") & ~told_apart & (own["cause"].eq("unclear") | own["order"].eq("unclear"))
    otherwise: dict[tuple[float, str], float] = {}
    if unclear.any():
        other = part_lives(lifetimes, component, part, spared(own, unclear), use=use or None, hidden_apart=True).data
        otherwise = _read_otherwise(other, bounds, weights, options)
    return PartRating(
        component=component,
        part=part,
        data=data,
        rows=lives.rows,
        notes=(*notes, *missing),
        fits=fits,
        bounds=tuple(bounds),
        unclear=int(own.loc[unclear, "count"].sum()),
        hidden=found_at_teardown(own),
        otherwise=otherwise,
        use=use,
    )


def _harshest(
    data: LifeData, weights: tuple[float, ...], options: Options, fits: PartFits | None, component: str
) -> tuple[RatingBound, ...]:
    """A bound of the ``component`` per weight for the harshest use, with the share that lasts where power is not shown to matter."""
    bounds = _at(data, weights, None, options, fits)

    def lasts(bound: RatingBound) -> tuple[Reason, ...]:
        if fits is None:
            return lasts_unfailed(bound, data, options.settings, component)
        return lasts_though_not_shown(bound, fits, options.settings, component)

    return tuple(replace(b, reasons=(*b.reasons, *lasts(b))) for b in bounds)


def _by_use(
    harshest: tuple[RatingBound, ...],
    data: LifeData,
    weights: tuple[float, ...],
    options: Options,
    fits: PartFits | None,
) -> list[RatingBound]:
    """A bound per weight for each use with enough on record; those of the ``harshest`` one are there already."""
    quick = replace(options, settings=replace(options.settings, explain=False))
    found: list[RatingBound] = []
    for use in _own_uses(data, options):
        same = {b.use for b in harshest} == {use}
        found += (
            [replace(b, reasons=_own_reasons(b)) for b in harshest] if same else _at(data, weights, use, quick, fits)
        )
    return found


def _read_otherwise(
    other: LifeData, bounds: list[RatingBound], weights: tuple[float, ...], options: Options
) -> dict[tuple[float, str], float]:
    """The bounds by weight and use if failures of unclear cause or order were not the part's own, as the lives ``other`` have it."""
    first = replace(options, settings=replace(options.settings, explain=False))
    fits = _fits(other, first)
    found: dict[tuple[float, str], float] = {}
    for use in dict.fromkeys(b.use for b in bounds):
        mains = [b for b in bounds if b.use == use]
        named = use if use in other.use_names and use else None
        found |= {
            (b.weight_lb, use): _moved(b, main)
            for b, main in zip(_at(other, weights, named, first, fits, full=False), mains, strict=True)
        }
    return found


def _fits(data: LifeData, options: Options) -> PartFits | None:
    return fit_part(data, options.promise.life, options.settings) if data.failures else None


def found_at_teardown(own: pd.DataFrame) -> int:
    """Failures among a part's ``own`` rows of the table of lifetimes that were found when a unit was opened for something else."""
    return int(own.loc[found_damaged(own), "count"].sum())


def spared(table: pd.DataFrame, marked: pd.Series) -> pd.DataFrame:
    """The table of lifetimes as it reads if the failures ``marked`` (n,) were not the part's own: taken out, still good, at that age."""
    uppers = {c: table[c].mask(marked & table[c].notna(), np.inf) for c in (f"upper_{clock}" for clock in CLOCKS)}
    return table.assign(ended=table["ended"].mask(marked, "removed"), cause=table["cause"].mask(marked, ""), **uppers)


def _moved(other: RatingBound, main: RatingBound) -> float:
    """The first-order bound of the other reading, moved by the calibration of the main one: a failure or two apart, they
    need the same. Its demonstration or cap stands as it is."""
    if other.demonstrated_only or other.capped or not math.isfinite(other.bound_hp):
        return other.bound_hp
    calibrated = min((r.calibrated for r in main.by_distribution), default=math.nan)
    first = min((r.first_order for r in main.by_distribution), default=math.nan)
    return (
        other.bound_hp * math.exp(min(calibrated - first, 0.0)) if math.isfinite(calibrated - first) else other.bound_hp
    )


def _own_reasons(bound: RatingBound) -> tuple[Reason, ...]:
    of_several = (Rests.USES_HELD, Rests.MIX_OF_USES, Rests.USE_NOT_STATED)
    return tuple(r for r in bound.reasons if r.code not in of_several)


def _at(
    data: LifeData,
    weights: tuple[float, ...],
    use: str | None,
    options: Options,
    fits: PartFits | None,
    full: bool = True,
) -> tuple[RatingBound, ...]:
    return rate_weights(data, weights, use, options.promise, options.settings, options.seed, fits, full)


def class_weights(data: LifeData, edges: tuple[float, ...], options: Options) -> tuple[float, ...]:
    """Upper edge, lb, of each class between the ``edges``; the open top class at the heaviest weight that several
    trucks of ``data`` reach (see the ``options``), if above the last edge; inf alone where no weight is on record."""
    if (data.log_weight == math.log(ANY_WEIGHT)).all():
        return (math.inf,)
    top = _heaviest(data, options)
    return (*edges, top) if over(top, edges[-1]) else edges


def _as_heavy_as_reached(data: LifeData, weights: tuple[float, ...], options: Options) -> tuple[float, ...]:
    """Of the ``weights`` of the classes those that several trucks reach, then the heaviest that they do."""
    if weights == (math.inf,):
        return weights
    top = _heaviest(data, options)
    reached = tuple(w for w in weights if not over(w, top))
    return reached if reached and same_edge(reached[-1], top) else (*reached, top)


def _heaviest(data: LifeData, options: Options) -> float:
    """The weight in lb that several trucks reach, in whole hundreds."""
    heavy = np.sort(np.repeat(np.exp(data.log_weight), data.weight.astype(int)))[::-1]
    return math.floor(heavy[min(options.settings.cap.rank, len(heavy)) - 1] / 100 + 1e-9) * 100.0


def _own_uses(data: LifeData, options: Options) -> list[str]:
    """Uses with failures and lives enough for rows of their own, where there is more than one use."""
    if not options.settings.use_terms or len(data.use_names) < 2:
        return []
    failures = np.bincount(data.use, data.weight * data.failed, len(data.use_names))
    lives = np.bincount(data.use, data.weight, len(data.use_names))
    return [
        name
        for k, name in enumerate(data.use_names)
        if name and failures[k] >= _USE_FAILURES and lives[k] >= _USE_LIVES
    ]


def covered_uses(rated: PartRating, options: Options) -> tuple[str, ...]:
    """Uses that the general rows of the part (``rated`` under ``options``) speak for: with enough failures to be one the harshest was taken from; where nothing has failed, with
    lives enough. () where no use is on record."""
    data = rated.data if rated.fits is None else rated.fits.rated
    if not any(data.use_names) or not options.settings.use_terms:
        return ()
    counted, least = data.weight, float(_USE_LIVES)
    if rated.data.failures:
        counted, least = data.weight * data.failed, options.settings.use_failures
    return tuple(data.use_names[k] for k in with_enough(np.bincount(data.use, counted, len(data.use_names)), least))


def _missing_note(own: pd.DataFrame, rated: np.ndarray) -> tuple[Reason, ...]:
    """Whether power and weight are known mostly for the parts that failed, those filled in (``rated``, (n,) bool) apart."""
    missing = own["power_hp"].isna() | (own["weight_lb"].isna() & own["weight_lb"].notna().any())
    missing &= ~rated
    failed = own["ended"] == "failed"
    if not missing.any() or not failed.any() or failed.all():
        return ()
    of_failed, of_others = float(missing[failed].mean()), float(missing[~failed].mean())
    if of_others - of_failed > 0.10:
        return (reason(Lives.MISSING_OF_OTHERS, of_failed=of_failed, of_others=of_others),)
    if of_failed - of_others > 0.10:
        return (reason(Lives.MISSING_OF_FAILED, of_failed=of_failed, of_others=of_others),)
    return ()


# ---- from a bound to a verdict -------------------------------------------------------------------------------------
def supported_hp(rated: PartRating, bound: RatingBound, options: Options) -> float:
    """The ``bound`` of a part ``rated``, or the one under the other reading of unclear failures if that is lower, rounded down to the step of the
    ``options``."""
    other = rated.otherwise.get((bound.weight_lb, bound.use), math.nan)
    return rounded_down(
        float(np.fmin(bound.bound_hp, other)) if math.isfinite(bound.bound_hp) else math.nan, options.step_hp
    )


def _beside(
    rated: PartRating, records: Records, options: Options, others: Collection[str]
) -> Iterator[tuple[RatingBound, Beside]]:
    """Each bound of the part with what its limit is held against beside it. others: the parts of the component."""
    trucks = pd.DataFrame(
        {
            "component": rated.component,
            "part": rated.part,
            "use": [b.use for b in rated.bounds],
            "weight_lb": [b.weight_lb for b in rated.bounds],
            "day": records.as_of,
        }
    )
    found = zip(rated.bounds, published_hp(records.limits, trucks), known_before(records.limits, trucks), strict=True)
    lost = price_over_comeback(records.shop, rated.part, others, 1 - options.promise.reliability)
    # particulars known mostly for what came back make a part look weaker than it is
    biased = any(n.code is Lives.MISSING_OF_OTHERS for n in rated.notes)
    for bound, limit, known in found:
        supported = supported_hp(rated, bound, options)
        few = few_known(rated.notes)
        yield bound, Beside(supported, float(limit), options.step_hp, lost, known, biased, rated.hidden, few)


def _evidence(
    rated: PartRating, records: Records, options: Options, others: Collection[str]
) -> list[tuple[LimitEvidence, float]]:
    """Per bound of the part: the evidence on the limit, and the limit in hp (NaN: none). others: the parts of the component."""
    lightest: dict[str, LimitEvidence] = {}
    out = []
    for bound, rest in _beside(rated, records, options, others):
        evidence = evidence_of(bound, rest, rated.data, options.settings)
        evidence = replace(evidence, any_power=by_miles(rated.component, bound))
        if bound.use in lightest:
            evidence = no_higher(evidence, lightest[bound.use])
        lightest[bound.use] = evidence
        out.append((evidence, rest.published_hp))
    return out


def _asking_for_openings(rated: PartRating, records: Records, options: Options, others: Collection[str]) -> PartRating:
    """The part ``rated``, its bounds saying how many more openings would raise a limit that hidden damage keeps down. others: as for `_beside`."""
    if opened_of(rated.data) is None:
        return rated
    bounds = []
    for bound, beside in _beside(rated, records, options, others):
        more = openings_to_raise(bound, rated.data, rated.fits, beside, options)
        bounds.append(replace(bound, reasons=(*bound.reasons, *reason_if(Rests.MORE_OPENINGS, more, more=more))))
    return replace(rated, bounds=tuple(bounds))


def _rows(rated: PartRating, records: Records, options: Options, others: Collection[str]) -> list[list[object]]:
    rows, lighter = [], dict[str, Judgement]()
    for bound, (evidence, published) in zip(rated.bounds, _evidence(rated, records, options, others), strict=True):
        found = under_lighter(judge(evidence, published, options), lighter.get(bound.use), published)
        lighter[bound.use] = found
        rows.append(
            [
                rated.component,
                rated.part,
                bound.weight_lb,
                bound.use,
                bound.promise.counted,
                bound.promise.life,
                bound.promise.life_miles,
                bound.promise.reliability,
                bound.promise.confidence,
                bound.estimate_hp,
                bound.bound_hp,
                bound.upper_hp,
                bound.demonstrated_hp,
                bound.posterior_hp,
                bound.units,
                bound.failures,
                bound.seen.miles,
                bound.seen.highest_power_hp,
                published,
                evidence.known_hp,
                evidence.supported_hp,
                evidence.with_known_hp,
                found.proposed_hp,
                math.nan if _hurts_soonest(rated, bound) else found.trial_hp,
                found.verdict,
                found.why,
            ]
        )
    return rows


def _hurts_soonest(rated: PartRating, bound: RatingBound) -> bool:
    """Whether the ``bound`` of the part ``rated`` speaks for trucks that race or pull, where no part is tried above its limit: common practice, no source. One
    that names no use speaks for every use on record."""
    uses = (bound.rated_use,) if bound.rated_use else rated.data.use_names
    return not set(COMPETITION).isdisjoint(uses)


#: reasons that name powers beside the figure they bear on: rounded down as it is
_BESIDE = (Rests.AS_BEFORE, Rests.STOPPED_ALONE, Rests.HELD_AT_LIGHTER, Rests.BELOW_POWERS)
#: reasons that bear on a power alone
_OF_A_POWER = (*_BESIDE, Rests.FITTED_LATELY, Rests.UNCLEAR_FAILURES, Rests.UNDER_POWERS)


def as_rounded(why: Reason, options: Options) -> Reason:
    """A reason (``why``) of a rating, the powers in it rounded down as the figure beside them is, by the ``options``; a power on record stays."""
    if why.code not in _BESIDE:
        return why
    worked_out = {n: v for n, v in why.values.items() if n.endswith("_hp") and n != "lowest_hp"}
    return reason(why.code, **{**why.values, **{n: _step_down(v, options.step_hp) for n, v in worked_out.items()}})


def _step_down(power_hp: float, step_hp: float) -> float:
    return rounded_down(power_hp, step_hp) if math.isfinite(power_hp) and power_hp >= step_hp else power_hp


def qualifiers(rated: PartRating, bound: RatingBound, options: Options, why: Reason) -> tuple[Reason, ...]:
    """What a ``bound`` of the part ``rated`` hangs on, and nothing of powers where its verdict (``why``) names none; the other reading of unclear failures where it gives another
    figure; powers rounded as the ``options`` say."""
    rest = [as_rounded(r, options) for r in bound.reasons if r.code is not Rests.AT_LEAST]
    rest += reason_if(Rests.FOUND_AT_TEARDOWN, rated.hidden and opened_of(rated.data) is None, failures=rated.hidden)
    own, other = bound.bound_hp, rated.otherwise.get((bound.weight_lb, bound.use), math.nan)
    own_hp, other_hp = rounded_down(own, options.step_hp), rounded_down(other, options.step_hp)
    rest += reason_if(
        Rests.UNCLEAR_FAILURES,
        math.isfinite(other) and math.isfinite(own) and other_hp != own_hp,
        failures=rated.unclear,
        own_hp=own_hp,
        other_hp=other_hp,
    )
    return tuple(r for r in rest if why.code is not Verdict.ANY_POWER or r.code not in _OF_A_POWER)
