"""What is claimed of a boundary, what would change it, and the brief."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.cutoffs.argument import Argument, Dividing, Half, Halves, Interaction
from analytics.cutoffs.cost import Pays
from analytics.cutoffs.step import StepVerdict
from analytics.reasons import Boundary, Heavy, Refused
from analytics.records.measures import DAYS_A_YEAR
from analytics.words.cutoffs.money import MIDDLE, middle_words, money_changes, money_claim, money_words, span_words
from analytics.words.cutoffs.parts import VERDICTS, against_words, trial_words
from analytics.words.cutoffs.step import along, jump_range, step_changes, step_words, why_words
from analytics.words.phrases import capital, plural, weight_class
from analytics.words.phrases import money as dressed
from analytics.words.ratings.sheet import came_back
from analytics.words.saying import say, say_all, texts
from analytics.words.units import bare_power, distance, in_units, own, p_words, power

NAN = float("nan")
_CUT_BY = {
    Dividing.STEP: "the step found",
    Dividing.MONEY: "the boundary by money",
    Dividing.BEST_CUT: "the best cut of the search, which need not be real",
    Dividing.HABIT: "the present boundary",
}

#: over pictures, lists and tables of the page
HEADINGS = {
    "numbers": "The numbers",
    "search": "The search, rival shapes, weight, and how it is worked out",
    "shapes": "The rival shapes",
    "ratio": "One part's life against the other's, by power",
    "spread": "Power, weight and use of each part's trucks",
    "cost": "What would a boundary elsewhere cost a year?",
    "by_use": "From which power it pays, use by use",
    "sensitivity": "Under other inputs",
    "safety": "By safety",
    "middle": "Does a middle tier earn its place?",
    "trial": "Trucks and years, for smaller and larger differences",
    "changes": "What would change our mind",
}

texts(
    {
        Boundary.REPLACED: "{above} has taken the place of {below}: no trial, the coming years will tell",
        Boundary.SETTLED: "the records have settled it",
        Heavy.ALIKE: "Nothing says that power matters more, or less, in heavy trucks ({p_value:p}): one limit curve serves all weights.",
        Heavy.MORE: "Power matters more in heavy trucks ({p_value:p}): a limit for each weight class is called for.",
        Heavy.LESS: "Power matters less in heavy trucks ({p_value:p}): a limit for each weight class is called for.",
        Heavy.FEW_FAILURES: "With {failures} failures it can't be told whether power matters more in heavy trucks.",
        Heavy.NO_WEIGHT: "No weight is on record, so all is judged by power alone, for a mix of weights like that of the trucks built; write down the weight at every build.",
        Heavy.UNTOLD: "Whether power matters more in heavy trucks can't be told: {why}.",
    }
)


texts(
    {
        Boundary.SPARED_UNKNOWN: lambda above, why: f"what {above} would have spared is not known: {say(why)}",
        Boundary.NO_MIDDLE_TIER: lambda component, priced: (
            f"the range of {component}s has {plural(priced, 'priced part')}, so no middle tier"
        ),
    }
)


#: where the claim has said why
NOT_ALIKE = "No, for the reason above."
NOT_COMPARED = "No figure: the parts cannot be compared."
NO_MONEY = "By money it cannot be said, for the same reason."


# ---- the claim ------------------------------------------------------------------------------------------------------------
def title(argument: Argument) -> str:
    """Of the brief. argument: what one boundary rests on."""
    return f"{argument.records.shop.name}: where {argument.below} ends and {argument.above} begins"


def searched(argument: Argument) -> str:
    """The part as the search for a step looks at it: with the one way of failing, where one is named. argument: what one boundary rests on."""
    finding = argument.asked.finding
    return f"{argument.below} ({finding} alone)" if finding else argument.below


def finding_words(argument: Argument) -> tuple[str, ...]:
    """What a named way of failing governs and what it does not; nothing where none is named. argument: what one boundary rests on."""
    if not argument.asked.finding:
        return ()
    return (
        f"Of the failures of {argument.below}, the search for a step (in power, in weight, in both, and whether power matters more in heavy trucks) "
        f"counts “{argument.asked.finding}” alone: any other failure ends a life as good. The comparison of the parts, the boundary by money, the "
        "trial and the power that may be published count every failure.",
    )


def opening(argument: Argument) -> tuple[str, ...]:
    """Which question, from which records, and what a named way of failing governs. argument: what one boundary rests on."""
    day = argument.records.as_of
    return (
        f"Where should {argument.below} end and {argument.above} begin ({argument.component})? From the records as of {day.day} {day:%B %Y}.",
        *finding_words(argument),
    )


def basis(argument: Argument, fingerprint: str) -> str:
    """What the brief stands on; ``fingerprint`` of the data. argument: what one boundary rests on."""
    shop, day = argument.records.shop, argument.records.as_of
    return (
        f"{argument.component.capitalize()}. From our records as of {day.day} {day:%B %Y} (data {fingerprint}). Powers at the crank "
        f"as recorded at the build; a rating means {shop.targets.reliability:.0%} reach {distance(shop.targets.miles)}, {shop.targets.confidence:.0%} sure."
        + "".join(f" {line}" for line in finding_words(argument))
    )


def claim(argument: Argument) -> tuple[str, ...]:
    """The sentences to defend. argument: what one boundary rests on."""
    against, above = argument.against, argument.above
    first = step_words(argument.step, searched(argument)), _by_safety(argument)
    if not_comparable(argument):
        why = say(against.refused)  # type: ignore[arg-type]
        return (
            *first,
            f"By money no boundary can be named, nor can {above} be called better or worse than {argument.below}: {why}.",
        )
    return (
        *first,
        money_claim(argument.money)
        if argument.money is not None
        else f"By money no boundary can be named: {money_refused(argument)}",
        against_words(against)[0]
        if against.refused is None
        else f"Whether {above} is the better part the records cannot say: {say(against.refused)}.",
    )


def not_comparable(argument: Argument) -> bool:
    """Whether there is neither a boundary by money nor a better part, since the parts cannot be compared. argument: what one boundary rests on."""
    why = argument.refused.get("money")
    same = why is not None and why.code is Boundary.SPARED_UNKNOWN and why.values["why"] == argument.against.refused
    return same and argument.against.refused is not None


def money_refused(argument: Argument) -> str:
    """Why there is no boundary by money. argument: what one boundary rests on."""
    return f"{say(argument.refused['money'])}."


def _by_safety(argument: Argument) -> str:
    below, table = argument.below, argument.safety.table
    proven = table[table["supported_hp"].notna()]
    if len(proven):
        row = proven.iloc[0]
        return (
            f"By safety {below} may be published to {power(row['supported_hp'])} ({weight_class(row['weight_up_to'])}): that much its own "
            "records support."
        )
    left_out = "; ".join(say_all(argument.safety.left_out)) or "no rating could be made"
    why = left_out.rstrip(".") if table.empty else _why(table.iloc[0])
    return f"By safety no power can be named for {below}; {why}."


def _why(row: pd.Series) -> str:
    return f"{came_back(row['failures'], row['units'], row['miles'])}: {say(row['why'])}"


def hangs_on(argument: Argument) -> tuple[str, ...]:
    """What the ratings of the lower part hang on; what does not hold in every class with its class. argument: what one boundary rests on."""
    lines = []
    for weight_lb, what in argument.safety.hangs_on:
        told = say(what) if weight_lb is None else f"{weight_class(weight_lb)}: {say(what)}"
        lines.append(f"{told[0].upper()}{told[1:]}.")
    return tuple(dict.fromkeys(lines))


def changes(argument: Argument) -> tuple[str, ...]:
    """What would change our mind. argument: what one boundary rests on."""
    against = argument.against
    out = [step_changes(argument.step)]
    if against.open:
        out.append(
            f"About {against.failures_needed:,.0f} failures of both parts together, where {sum(against.band.failures):,.0f} are on record."
        )
    if argument.trial is not None:
        how, size, *_ = trial_words(argument.trial)
        out += [f"A trial: {how}", size]
    if argument.money is not None:
        out += money_changes(argument.money)
    out.append("Silent failures: trucks that broke and were repaired elsewhere. Phone owners chosen at random and ask.")
    return tuple(out)


def axes_words(argument: Argument) -> tuple[str, ...]:
    """The verdicts on weight, on power with weight, and on their working together. argument: what one boundary rests on."""
    by_weight = (step_words(step, searched(argument)) for axis, step in argument.steps.items() if axis != "power")
    return (*by_weight, interaction_words(argument.interaction))


def interaction_words(interaction: Interaction) -> str:
    """Does power matter more in heavy trucks? interaction: of power and weight."""
    return say(interaction.found)


def middle_or_why(argument: Argument) -> tuple[str, ...]:
    """Does a middle tier earn its place, or why that was not asked. argument: what one boundary rests on."""
    if argument.middle is None:
        return (f"Not asked here: {say(argument.refused['middle'])}.",)
    return middle_words(argument.middle, argument.records.shop.currency)


def trial_or_why(argument: Argument) -> tuple[str, ...]:
    """The trial that would settle what is open, or why there is none. argument: what one boundary rests on."""
    if argument.trial is None:
        why = argument.refused["trial"]
        lead = "No trial can be planned yet" if why.code is Refused.BECAUSE else "No trial is called for"
        return (f"{lead}: {say(why)}.",)
    return trial_words(argument.trial)


# ---- tables ---------------------------------------------------------------------------------------------------------------
def numbers_table(argument: Argument) -> pd.DataFrame:
    """The numbers of the brief. argument: what one boundary rests on."""
    step, money, against = argument.step, argument.money, argument.against
    rows = [(f"lives of {searched(argument)} looked at, failures", f"{step.lives:,}, {step.failures:,}")]
    p = step.search.p_value
    if np.isfinite(p):
        rows += [
            (
                "best cut of the search; chance alone would offer one so good",
                f"{power(step.search.cuts[step.search.best])}; {p_words(p)}",
            ),
            ("a smooth power law alone would look so jumpy", p_words(step.models.p_smooth)),
            ("a lone jump alone would look so sloped", p_words(step.models.p_step)),
        ]
    if step.verdict == StepVerdict.STEP:
        rows.append(
            (
                "likeliest place of the step",
                f"{power(step.cut)} ({bare_power(step.place.low)} to {bare_power(step.place.high)})",
            )
        )
        jump = f"about {step.jump.ratio:.1f} ({jump_range(step)})"
        rows.append(("failures just above for each just below, less what searching adds", jump))
    for row in argument.safety.table.itertuples():
        told = power(row.supported_hp) if np.isfinite(row.supported_hp) else "no power supported"
        rows.append((f"by safety, {weight_class(row.weight_up_to)}", told))
    if money is not None:
        least, sign = money.least, argument.records.shop.currency
        span = {
            Pays.ALL: "the dearer part pays for all",
            Pays.NONE: "the dearer part pays for none",
            Pays.ABOVE_CUT: f"{power(least.cut_hp)} ({span_words(money)})",
        }[least.pays]
        rows += [
            ("by money", span if money.holds else f"no finding for all uses alike: {span}"),
            (
                "price step; one comeback, all in",
                f"{dressed(money.price_step, sign)}; {dressed(money.costs.comeback, sign)}",
            ),
            ("trucks a year; years counted", f"{money.trucks:,.0f}; {money.costs.years:g}"),
        ]
    if against.refused is None:
        life = against.life
        told = (
            f"{life.estimate:.2f} ({life.lower:.2f} to {life.upper:.2f})"
            if np.isfinite(life.upper)
            else f"at least {life.lower:.2f}, no limit upward"
        )
        rows.append((f"life of {against.new} over that of {against.old}", told))
    return pd.DataFrame(rows, columns=["what", "figure"])


def safety_table(argument: Argument) -> pd.DataFrame:
    """The ratings of the lower part, weight class by weight class. argument: what one boundary rests on."""
    table = argument.safety.table

    def told(column: str) -> pd.Series:
        return table[column].map(lambda v: bare_power(v) if np.isfinite(v) else "none")

    return pd.DataFrame(
        {
            "trucks": table["weight_up_to"].map(weight_class),
            in_units("may be published, hp"): told("supported_hp"),
            in_units("published now, hp"): told("published_hp"),
            "verdict": table["verdict"],
            "why": [f"{_why(row)}." for _, row in table.iterrows()],
        }
    )


def verdicts_table(argument: Argument) -> pd.DataFrame:
    """Every verdict with its figures, one row each: question, verdict, estimate, low, high, p_value, in_words.
    argument: what one boundary rests on."""
    rows = []
    for axis, s in argument.steps.items():
        place, p = s.place, s.search.p_value
        question = f"step in {axis}, {argument.asked.finding} alone" if argument.asked.finding else f"step in {axis}"
        at = (along(axis, v) for v in (s.cut, place.low, place.high))
        rows.append((question, str(s.verdict), *at, p, " ".join(why_words(s))))
    m = argument.money
    if m is None:
        rows.append(("boundary by money", "no figure", NAN, NAN, NAN, NAN, say(argument.refused["money"])))
    else:
        found, told = m.least, " ".join(money_words(m))
        at = (own(v, "power") for v in (found.cut_hp, found.low, found.high))
        rows.append(("boundary by money", str(found.pays) if m.holds else "no finding", *at, NAN, told))
    for _, r in argument.safety.table.iterrows():
        question = f"boundary by safety, {weight_class(r['weight_up_to'])}"
        rows.append((question, r["verdict"], own(r["supported_hp"], "power"), NAN, NAN, NAN, f"{_why(r)}."))
    a, told = argument.against, " ".join(against_words(argument.against))
    figures = (a.life.estimate, a.life.lower, a.life.upper)
    rows.append(("life of the one above over that below", VERDICTS[a.verdict], *figures, NAN, told))
    if (t := argument.middle) is not None:
        question = f"middle tier {t.middle}, saves a year"
        rows.append(
            (
                question,
                MIDDLE[t.verdict],
                t.saves,
                t.low,
                t.high,
                NAN,
                " ".join(middle_words(t, argument.records.shop.currency)),
            )
        )
    return pd.DataFrame(rows, columns=["question", "verdict", "estimate", "low", "high", "p_value", "in_words"])


# ---- pictures -----------------------------------------------------------------------------------------
def halves_question(argument: Argument) -> str:
    """The question over the picture. argument: what one boundary rests on."""
    return f"How many {argument.below} lasted, in weaker and in stronger trucks?"


def named_halves(halves: Halves) -> dict[str, Half]:
    """The halves there are, by name."""
    named = {f"up to {power(halves.cut_hp)}": halves.below, f"above {power(halves.cut_hp)}": halves.above}
    return {name: half for name, half in named.items() if half is not None}


def halves_caption(halves: Halves) -> str:
    """What the picture says. halves: the lives below and above the cut."""
    named = named_halves(halves)
    told = [f"{name}: too few parts to draw a curve" for name, half in named.items() if np.isnan(half.until)]
    for name, half in named.items():
        if half.until > 0:
            years = min(5.0, half.until / DAYS_A_YEAR)
            back = 1 - float(half.curve.survival_at(years * DAYS_A_YEAR).survival[0])
            told.append(f"{name}: {100 * back:.0f}% came back within {years:.2g} years ({half.curve.failures} in all)")
    return (
        f"{capital('; '.join(told))}.\nDivided at {power(halves.cut_hp)}, {_CUT_BY[halves.cut_by]}. All uses together; the verdict compares like "
        "with like."
    )


def not_in(lines: tuple[str, ...], drawn: tuple[object, str] | None) -> list[str]:
    """The sentences that the caption of a figure (figure, caption) does not say already.
    lines: the sentences; drawn: the picture with its caption."""
    return [line for line in lines if drawn is None or line not in drawn[1]]
