"""The ratings in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd

from analytics.models.checks import ModelTest
from analytics.ratings.bound import RatingBound
from analytics.ratings.driving import PowerAndDriving
from analytics.ratings.follow_up import BoldestMove, Proof
from analytics.ratings.ledger import history
from analytics.ratings.model_checks import ModelChecks
from analytics.ratings.options import Options
from analytics.ratings.sheet import PartRating, Ratings, qualifiers
from analytics.ratings.unknowns import AskFirst
from analytics.ratings.verdict import NOT_SHOWN
from analytics.ratings.whatif import RatingChanges
from analytics.reasons import Lives, Reason, Rests, Verdict
from analytics.records.parts import NOT_RECORDED
from analytics.words.phrases import at_least, capital, listed, numbered, plural, weight_class
from analytics.words.ratings.bound import DISTRIBUTION
from analytics.words.ratings.pictures import history_caption
from analytics.words.ratings.plan import ahead_words, plan_words
from analytics.words.ratings.sheet import lasting, offered, seen_words, sheet_table, trial
from analytics.words.ratings.whatif import change_words, move_words
from analytics.words.saying import say, say_all
from analytics.words.units import about_power, bare_power, counted, distance, name_of, power, run, weight

#: what stands one click below
FOLDED = {
    "trust": "How far to trust a rating",
    "verdicts": "Each verdict in a sentence",
    "shapes": "Whether the parts of a component wear alike",
    "move": "The rest of that move",
    "varied": "Every assumption varied",
    "proofs": "Limit by limit",
    "sheet": "Every part, weight class and use",
    "checks": "Checks, what each default cost, what was left out",
    "influence": "The units that move the estimate most (customers' data: keep in the shop)",
    "driving": "Miles a year by use, with the fit that allows for who gets an odometer reading",
    "ask": "The most telling unknowns (customers' data: keep in the shop)",
    "basis": "What these ratings rest on: target, settings, data",
}
_ORDER = ("lower", "raise", "keep", NOT_SHOWN)


def opening(ratings: Ratings) -> tuple[str, ...]:
    """What a rating means, with this shop's targets. ratings: of the shop."""
    options = ratings.options
    share = (
        f"allowing for failures nobody reported ({_silent(options)})"
        if options.settings.share is None
        else "assuming every failure was reported"
        if options.settings.share == 1
        else f"if {options.settings.share:.0%} of failures are reported"
    )
    lines = [
        f"From the records as of {ratings.records.as_of.day} {ratings.records.as_of:%B %Y}. A rating is the highest power at which we can be {options.promise.confidence:.0%} sure that {options.promise.reliability:.0%} of the parts last {distance(options.promise.life_miles)}."
    ]
    if ratings.table["bound_hp"].notna().any():
        lines.append(
            f"It should be right about {options.promise.confidence * 10:.0f} times in ten, {share}, if powers are as recorded at the build and the use is the one named. Nothing in the records can show failures that were never reported: phone owners chosen at random."
        )
    return (*lines, *_no_odometers(ratings), *_how_many_wrong(ratings))


def _no_odometers(ratings: Ratings) -> tuple[str, ...]:
    """What is worth most where no odometer is on record, and what to promise meanwhile."""
    bounds = [bound for part in ratings.parts for bound in part.bounds]
    if not bounds or not all(bound.has(Rests.NO_ODOMETER) for bound in bounds):
        return ()
    uses = sorted(
        set(ratings.lifetimes.table["use"].dropna()) - {"", NOT_RECORDED} - set(ratings.records.shop.targets.uses)
    )
    meanwhile = (
        f" Until then promise months, which need none: [targets.{uses[0]}] months = 36 in shop.toml, and so for each use."
        if uses
        else ""
    )
    return (
        f"Before anything else: read the odometers of ten trucks that still run, any ten. None is on record, so each figure in {name_of('distance')} "
        f"rests on what trucks are assumed to drive.{meanwhile}",
    )


def _how_many_wrong(ratings: Ratings) -> tuple[str, ...]:
    """How many figures may stand too high, lightest class, any use, and what looking again every quarter does."""
    table, sure = ratings.table, ratings.options.promise.confidence
    first = table[table["use"] == ""].drop_duplicates(["component", "part"])
    supported = int(first["supported_hp"].notna().sum())
    doubt = [why.values["too_high"] for why in first.loc[first["published_hp"].notna(), "why"]]
    doubt = [d for d in doubt if math.isfinite(d)]
    if supported < 2 or len(doubt) < 2:
        return ()
    return (
        f"Of the {len(doubt)} limits published for the lightest class about {numbered(sum(doubt), 1)} may stand above what the part takes; of the {supported} "
        f"figures supported about {numbered(supported * (1 - sure), 1)}, and the chance that all of them hold is about {sure**supported:.0%}. Looking every quarter "
        "picks the luckiest look, so a limit is raised only at half that doubt.",
    )


def _silent(options: Options) -> str:
    """How many of the failures that is taken to be, and on what."""
    if options.calls is None:
        return "about one in five, itself uncertain"
    called, found = options.calls
    return f"about {1 - options.settings.usual_share:.0%}, by {called} calls at random that found {found or 'none'}"


def verdicts(ratings: Ratings) -> tuple[str, ...]:
    """One sentence per part and verdict, any use; the loudest first. ratings: of the shop."""
    table = ratings.table
    table = table[(table["use"] == "") | table["use"].isin(list(ratings.records.shop.targets.uses))]
    known = table["supported_hp"].notna() | (table["use"] == "")
    shown = known.groupby([table[c] for c in ("component", "part", "use")]).transform("any")
    nothing = [
        f"{use}, to {counted(own['life'].iat[0], own['clock'].iat[0])} ({listed(own['part'].unique(), 30)})"
        for use, own in table[~shown].groupby("use", sort=False)
    ]
    table = table[shown]
    lines = [] if len(table) else ["No part could be rated; the reasons are below."]
    new = table["published_hp"].isna() & (table["verdict"] == "raise")
    for verdict, first in product(_ORDER, (False, True)):
        chosen = table[(table["verdict"] == verdict) & (new == first)]
        opening = "Not published yet, could be:" if first else _SAY[verdict]
        for _, own in chosen.groupby(["component", "part", "use"], sort=False):
            lines.append(_verdict(ratings, verdict, opening, list(own.itertuples())))
    if nothing:
        lines.append(
            f"Nothing is supported by the records of that use alone, so customers are to ask: {'; '.join(nothing)}."
        )
    lines.append(
        "Nothing changes by itself: a person accepts a proposal, and the ledger keeps who, when and on what evidence. Until then the customers' sheet is a draft that shows the lower figures."
    )
    return tuple(lines)


def _verdict(ratings: Ratings, verdict: str, opening: str, rows: Sequence) -> str:
    """What is to be done with the limits of a part for one use, in its weight classes (``rows``)."""
    of, lasts = rows[0], [lasting(ratings, r) for r in rows]
    steps = "; ".join(_change(verdict, r, lasted) for r, lasted in zip(rows, lasts, strict=True))
    if lasts[0] is not None:
        opening = f"{_cap(say(of.why))}:"
    name = f"{opening} {of.component} {of.part}"
    if of.use:
        return f"{name}, {of.use}, to {counted(of.life, of.clock)}: {steps}."
    alone = "" if lasts[0] is not None else _by_use(ratings, of.component, of.part)  # no power is told
    return f"{name}: {steps}.{alone}"


def _by_use(ratings: Ratings, component: str, part: str) -> str:
    """What the lightest class proves for each use alone, where that differs from the harshest."""
    rated = ratings.part(component, part)
    first = next((b for b in rated.bounds if not b.use), None)
    if first is None or not first.rated_use:
        return ""
    table = ratings.table
    own = table[
        (table["component"] == component) & (table["part"] == part) & (table["weight_up_to"] == first.weight_lb)
    ]
    own = own[~own["use"].isin(list(ratings.records.shop.targets.uses))]
    general = own.loc[own["use"] == "", "supported_hp"].max()
    alone = [_alone(r, general) for r in own[~own["use"].isin(["", first.rated_use])].itertuples()]
    harshest = f" That is for {first.rated_use}, the harshest use with enough on record"
    return (
        f"{harshest}; by itself, {weight_class(first.weight_lb)}, {' and '.join(alone)} is supported."
        if alone
        else f"{harshest}."
    )


def _alone(row, general_hp: float) -> str:
    """What the records of one use alone support, a ``row`` of the sheet; a milder use under the harshest one (general_hp) with the reason."""
    if not math.isfinite(row.supported_hp):
        return f"{row.use} no power"
    less = ", less being known of it," if row.supported_hp < general_hp else ""
    return f"{row.use} {power(row.supported_hp)}{less}"


_SAY = {"lower": "Lower", "raise": "Could go up:", "keep": "Keep", NOT_SHOWN: "Not shown either way:"}


def _change(verdict: str, row, lasts: Reason | None) -> str:
    """What is published in a class, what the records support, and where a limit is to move to; where power is not shown to matter, the share that lasts."""
    if lasts is not None:
        return f"at least {at_least(lasts.values['at_least'])} last {weight_class(row.weight_up_to)}, at powers up to {about_power(lasts.values['highest_hp'])}"
    there, supported = math.isfinite(row.published_hp), math.isfinite(row.supported_hp)
    published = f"{bare_power(row.published_hp)} published" if there else "none published"
    shown = f"{power(row.supported_hp)} supported" if supported else "no power supported"
    move = there and verdict in ("lower", "raise") and row.proposed_hp != row.supported_hp
    told = f"{published}, {power(row.proposed_hp)} proposed, {shown}" if move else f"{published}, {shown}"
    return f"{told} {weight_class(row.weight_up_to)}"


_SHORT = (
    "component part weight_up_to use verdict published_hp proposed_hp trial_hp supported_hp estimate_hp upper_hp failures units miles life clock reason"
).split()


def short_table(ratings: Ratings) -> pd.DataFrame:
    """The sheet as the page has it: what to do first, no column that is empty or the same in every row. ratings: of the shop."""
    table = offered(sheet_table(ratings), ratings.table["why"])
    table["miles"] = table["miles"].map(lambda v: float(f"{v:.3g}"))  # most are worked out from days
    counted_alike = (table["clock"] == "miles").all()
    shown = [c for c in _SHORT if not (table[c].isna().all() or (counted_alike and c in ("life", "clock")))]
    # the harshest use by itself stands in the row of any use already
    return table[shown].drop_duplicates([c for c in shown if c not in ("use", "reason")])


def part_words(ratings: Ratings, part: PartRating) -> tuple[str, ...]:
    """Of the ``ratings`` each weight class of a ``part`` in its sentence, then what was left out that bends the rating."""
    options, table = ratings.options, ratings.table
    own = table[(table["component"] == part.component) & (table["part"] == part.part) & (table["use"] == "")]
    any_use = [b for b in part.bounds if not b.use]
    told = [say_all(qualifiers(part, b, options, why)) for b, why in zip(any_use, own["why"], strict=True)]
    # what holds in every class is said once
    shared = [r for r in told[0] if len(told) > 1 and all(r in q for q in told)]
    return (
        f"{_cap(seen_words(part.bounds[0]))}, all weights and uses together{_partly(part)}.{_by_class(part)}",
        *(_class_words(b, [r for r in rest if r not in shared], row) for b, rest, row in zip(any_use, told, own.itertuples(), strict=True)),
        *([f"In every class: {'; '.join(shared)}."] if shared else []),
        *_rises([b.estimate_hp for b in any_use if math.isfinite(b.estimate_hp)]),
        *(f"{_cap(say(note))}." for note in part.notes if note.code in _BENDS),
    )  # fmt: skip


#: what was left out that bends a rating
_BENDS = (Lives.MISSING_OF_OTHERS, Lives.MISSING_OF_FAILED, Lives.NO_WEIGHT)


def _class_words(bound: RatingBound, own: Sequence[str], row) -> str:
    """A weight class in its sentence. own: what holds of its figure and not in every class."""
    besides = f" ({'; '.join(own)})" if own else ""
    told = say(row.why) if row.why.code is Verdict.ANY_POWER else f"{row.verdict}. {_cap(say(row.why))}"
    return f"{_cap(weight_class(bound.weight_lb))}: {told}{besides}.{trial(row.trial_hp)}"


def _rises(estimates: Sequence[float]) -> list[str]:
    if len(estimates) < 2 or estimates[-1] <= estimates[0] * 1.01:
        return []
    return [
        f"The best estimate rises with weight ({bare_power(estimates[0])} to {power(estimates[-1])}), which nobody would expect of a part: "
        "the records are too thin to show what weight does. A heavier class is never rated above a lighter one."
    ]


def _partly(part: PartRating) -> str:
    """Where odometers are unknown the miles are partly worked out from the days."""
    data = part.data
    blind = float(data.weight[np.isnan(data.lower)].sum() / max(data.weight.sum(), 1))
    return f" (the miles of {blind:.0%} of the lives worked out from their days)" if blind > 0.005 else ""


def _by_class(part: PartRating) -> str:
    """Lives and failures per weight class; "" where there is one class only."""
    edges = [b.weight_lb for b in part.bounds if not b.use]
    if len(edges) < 2:
        return ""
    data, mass = part.data, np.exp(part.data.log_weight)
    told, low, total = [], 0.0, 0.0
    for edge in edges:
        here = (mass > low) & ((mass <= edge) | (edge == edges[-1]))
        _, first = np.unique(data.unit[here], return_index=True)
        units, failed = data.weight[here][first].sum(), data.weight[here & data.failed].sum()
        name = weight_class(edge) if edge == edges[0] else "heavier" if edge == edges[-1] else f"to {weight(edge)}"
        told.append(f"{failed:,.0f} of {units:,.0f} {name}")
        low, total = edge, total + units
    both = " (a truck whose weight changed stands in both)" if total > data.units else ""
    return f" By weight: {', '.join(told)}{both}."


def _cap(text: str) -> str:
    return capital(text)


def published(ratings: Ratings, part: PartRating) -> tuple[str, ...]:
    """What has been published for a ``part`` of the ``ratings``, if anything."""
    past = history(ratings.records.limits, part.component, part.part)
    return (history_caption(past),) if len(past) else ()


def part_title(part: PartRating) -> str:
    """Over all that the rating of a ``part`` rests on."""
    return f"{_cap(part.component)} {part.part}: records, curve, limits over the years, checks"


def model_title(checks: ModelChecks) -> str:
    """Over the ``checks`` of one part's fit."""
    return f"{_cap(checks.component)} {checks.part}: fit by band, kinds of life, the units that move it most"


def model_lead(every: Sequence[ModelChecks]) -> tuple[str, ...]:
    """How many parts have a fit, of those checked (``every``)."""
    fitted = sum(checks.reason is None for checks in every)
    return (
        (
            f"{fitted or 'None'} of {plural(len(every), 'part')} failed often enough for a fit to be checked against its own records.",
        )
        if every
        else ()
    )


def model_words(checks: ModelChecks) -> tuple[str, ...]:
    """What the checks of one part's fit say, in sentences."""
    if checks.reason is not None:
        return (f"{checks.part}: {say(checks.reason)}.",)
    lines = [f"{_cap(say(test.found))}." for test in checks.tests]
    if len(checks.distributions) == 2:
        first, second = checks.distributions.sort_values("loglik", ascending=False, kind="stable").itertuples()
        ahead = first.loglik - second.loglik
        lines.append(
            f"{_cap(DISTRIBUTION[first.distribution])} life fits "
            + ("better" if ahead > 2 else "hardly better")
            + f" than {DISTRIBUTION[second.distribution]} (log-likelihood {ahead:.1f} higher); the bound under each: {_bounds(checks)}."
        )
    if len(checks.influence):
        most = checks.influence.iloc[0]
        lines.append(
            f"The unit that moves the estimate most is {most['serial']} ({'failed' if most['failed'] else 'still running'}, "
            f"{power(most['power_hp'])}, {weight(most['weight_lb'])}): without it {most['rating_change']:+.1%}. "
            + (
                "Look that record up before anything is changed."
                if abs(most["rating_change"]) > 0.05
                else "No single unit decides."
            )
        )
    return tuple(lines)


def _bounds(checks: ModelChecks) -> str:
    return ", ".join(
        f"{DISTRIBUTION[r.distribution]} {power(r.bound_hp)}"
        if math.isfinite(r.bound_hp)
        else f"{DISTRIBUTION[r.distribution]} rules nothing out that the other does not"
        for r in checks.distributions.itertuples()
    )


def shape_words(shapes: Sequence[tuple[str, ModelTest]]) -> tuple[str, ...]:
    """Whether the parts of a component wear out in the same way. shapes: the test of a common shape."""
    return tuple(f"{_cap(component)}: {say(test.found)}." for component, test in shapes)


def part_checks(part: PartRating) -> pd.DataFrame:
    """Checks that fired, costs of the defaults, and notes, of the lightest class. part: as rated."""
    bound = part.bounds[0]
    rows = (
        [("check", say(c)) for c in bound.checks]
        + [("cost of a default", say(c)) for c in bound.costs]
        + [("left out or assumed", say(n)) for n in part.notes]
    )
    return pd.DataFrame(rows or [("check", "none fired")], columns=["what", "in_words"])


def driving(by_use: pd.DataFrame, power: PowerAndDriving) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Miles a year per use as a table, and in sentences; and how they go with power. by_use: a row per use."""
    table = by_use.assign(reason=[say(r) if r is not None else "" for r in by_use["reason"]])
    table = table.sort_values("units", ascending=False, kind="stable")
    lines = [_driven(row) for row in table.itertuples()]
    if math.isfinite(power.times):
        span = f"{power.times:.2f} times the miles ({power.lower:.2f} to {power.upper:.2f}, {power.units} units)"
        lines.append(
            f"Within a use twice the power goes with {span}: "
            + (
                "no difference that these can show."
                if power.p_value > 0.05
                else "what comes back by years is not what comes back by miles. Lean on miles, and on a cut-off by power with care."
            )
        )
    return table, tuple(lines) or ("No unit is on record.",)


def _driven(row) -> str:
    """How far the customers of one use drive, and whether those that came back drove otherwise."""
    name = _cap(row.use)
    if not math.isfinite(row.median_a_year):
        return f"{name}: not known, {row.reason} ({row.units:,.0f} units)."
    known = f"known of {row.odometer_known:,} of {row.units:,.0f} units."
    half, *span = (run(v, "miles", 2, 1) for v in (row.median_a_year, row.from_a_year, row.to_a_year, row.slow_a_year, row.fast_a_year))  # fmt: skip
    low, high, slow, fast = (v.split()[0] for v in span)
    told = (
        f"{name}: all customers drive about {half} a year; {known}"
        if slow == fast
        else f"{name}: half of the customers drive more than {half} a year (95% sure: {low} to {high}), nine in ten between {slow} and {fast}; {known}"
    )
    if not (math.isfinite(row.ratio_from) and math.isfinite(row.ratio_to)):
        return told
    differs = row.ratio_from > 1 or row.ratio_to < 1
    what = "miles filled in from them would be wrong." if differs else "no difference that these few can show."
    return f"{told} Those that came back drove {row.ratio:.2f} times as much ({row.ratio_from:.2f} to {row.ratio_to:.2f}): {what}"


def boldest_words(found: BoldestMove | None) -> tuple[str, ...]:
    """What the boldest proposal would bring a year. found: what is asked for, or why nothing is."""
    if found is None:
        return ("No proposal differs from a published limit, so there is no move to weigh.",)
    span, instead = found.moved.span, found.moved.instead
    best = f" (at most {power(found.best_hp)})." if math.isfinite(found.best_hp) else ": no power is."
    mind = f"Mind that {instead} is not supported at {power(found.power_hp)} in every class either{best}"
    return (
        f"{_cap(span.component)} {span.part} {weight_class(found.weight_up_to)}, from {bare_power(span.from_hp)} to {power(span.to_hp)}:",
        *move_words(found.moved),
        *((mind,) if found.unproven else ()),
    )


def varied_words(changed: RatingChanges | None) -> tuple[str, ...]:
    """The firmest rating under other assumptions. changed: the ratings under each change."""
    return ("No rating is modelled, so there is nothing to vary.",) if changed is None else change_words(changed)


def proof_words(proofs: Sequence[Proof]) -> tuple[str, ...]:
    """How to prove a limit, and what the parts that never failed will prove by themselves; the trials once where they are the same but for the power. proofs: one per limit."""
    if not proofs:
        return ("No published limit stands open.",)
    alike = {plan_words(found.plan, "the published power") for found in proofs}
    trials = next(iter(alike)) if len(proofs) > 1 and len(alike) == 1 else ()
    lines = [*trials, _PROVEN]
    for found in proofs:
        lines.append(f"To prove {found.component} {found.part} at its published {power(found.plan.power_hp)}:")
        lines += [
            line
            for line in (*(() if trials else plan_words(found.plan)), *ahead_words(found.ahead))
            if line not in lines
        ]
    return tuple(lines)


#: why a proof may name another power than a rating
_PROVEN = (
    "What miles prove counts only trucks at that weight and power or above, with nothing lent by other parts and nothing taken off for what is fitted now, "
    "so it may be less, or more, than what the rating supports."
)


def ask_words(found: AskFirst) -> tuple[str, ...]:
    """How many unknowns there are, which comes first, and why the random sample is kept apart. found: whom to ask, and what it would tell."""
    first = found.table.iloc[0]
    lines = [
        f"{plural(len(found.table), 'unknown')} over {plural(found.parts, 'part')}; first {first['serial']} ({first['ask']})."
    ]
    if found.sample:
        lines.append(
            "Ask the random sample as well, and keep it apart: a ranking picks old and strong trucks, so by itself it tells "
            "little of how the others drive or whether they still run."
        )
    return tuple(lines)


def whom_to_ask(found: AskFirst | Reason) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Which odometers, powers and weights to ask for first, and the random sample beside them. found: what is asked for, or why nothing is."""
    if isinstance(found, Reason):
        return pd.DataFrame(), (f"Nothing to rank by: {say(found)}.",)
    picked = ", ".join(found.sample) if found.sample else "nobody left to ask"
    return found.table.head(15), (*ask_words(found), f"Picked at random: {picked}.")
