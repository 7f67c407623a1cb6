"""The load page in sentences."""

from __future__ import annotations

import math

import pandas as pd

from analytics.driveline.damage import SN_MEDIAN, comeback_ratio, life_ratio
from analytics.driveline.part_facts import part_facts
from analytics.driveline.splines import life_exponents
from analytics.ratings.by_load import Explained, LoadRating
from analytics.ratings.load_review import LoadReview
from analytics.report.load_figures import reference_power, usual_use
from analytics.words.phrases import plural

#: AIC this much apart is no longer chance alone (Burnham and Anderson, Model Selection, 2002: 2 to 4 little, above 10 decisive)
_APART, _FAR = 4.0, 10.0


def opening(review: LoadReview) -> tuple[str, ...]:
    """What the page does, and how much of it is assumed."""
    table = review.loads.table
    known = table["torque_at_shaft_lbft"].notna()
    assumed = table["load_assumed"].str.contains("engine speed") & known
    made = len(review.records.parts)
    lines = [
        f"From the records as of {review.records.as_of.day} {review.records.as_of:%B %Y}. Horsepower breaks no shaft; torque does, as far as the tyres hold it. "
        "So this page works out the torque at each part, sets it against what the part is made like, and rates on it.",
        f"Torque could be worked out for {known.sum():,} of {len(table):,} lives; for {assumed.sum():,} of these the engine speed is assumed"
        + (
            ", and then torque is power under another name, but for the tyres."
            if assumed.sum() > 0.9 * known.sum()
            else "."
        ),
        f"{plural(made, 'part is', 'parts are')} described in the sheet of parts."
        if made
        else "There is no sheet of parts, so there are torques but no margins.",
    ]
    return tuple(lines)


def assumptions_table(review: LoadReview) -> pd.DataFrame:
    """What is assumed where the records are silent, and where to change it."""
    a = review.loads.assumptions
    rows = [(k.replace("_", " "), str(getattr(a, k))) for k in a.__dataclass_fields__ if k != "friction"]
    rows += [(f"friction, {use or 'other use'}", str(span)) for use, span in a.friction.items()]
    return pd.DataFrame(rows, columns=["assumed", "figure"])


def rating_lines(review: LoadReview, component: str, part: str) -> tuple[str, ...]:
    """The rating on the chosen strength, a line per weight class."""
    own = review.ratings[(review.ratings["component"] == component) & (review.ratings["part"] == part)]
    lines = []
    for r in own.itertuples():
        on = ""
        if r.strength != "power" and math.isfinite(r.bound):
            load = f"{100 * r.bound:.0f} % of what it stands" if r.strength == "margin" else f"{r.bound:,.0f} lb ft"
            on = f" ({load})"
        what = (
            f"{'at least ' if r.at_least else ''}{r.bound_hp:,.0f} hp proven{on}"
            if math.isfinite(r.bound_hp)
            else "no power proven"
        )
        lines.append(
            f"Rated on {r.strength}, up to {r.weight_up_to:,.0f} lb: {what}. {r.verdict.capitalize()}: {r.reason}."
        )
    start = f"{component} {part} on {review.options.strength}: "
    return tuple(lines) or tuple(f"Not rated: {x.removeprefix(start)}." for x in review.left if x.startswith(start))


def explained_words(review: LoadReview, component: str, part: str) -> tuple[str, ...]:
    """Which covariate explains the returns better, and what the measured exponent means."""
    fits = review.explained.get((component, part))
    who = f"{component} {part}" if part else f"all parts of {component} under one law"
    if fits is None:
        return ()
    if isinstance(fits, str) or len(fits) < 2:
        return (
            f"Which explains the returns better cannot be told: {fits}."
            if isinstance(fits, str)
            else f"{who}: only one fit converged.",
        )
    lines = [_best(fits, who)]
    if part:
        lines += exponent_words(review, component, part)
    return tuple(lines)


def _best(fits: tuple[Explained, ...], who: str) -> str:
    best = fits[0]
    rival = next((e for e in fits if e.strength != best.strength), None)
    start = f"{who[0].upper()}{who[1:]}: {best.covariate} explains the {best.failures:,.0f} failures best"
    if rival is None:
        return start + "."
    gap = rival.aic - best.aic
    same = {"torque", "margin"} == {best.strength, rival.strength} and gap < 0.01
    if same:
        start += " (for one part of one make, torque and margin are the same thing)"
        rival = next((e for e in fits if e.strength == "power"), rival)
        gap = rival.aic - best.aic
    strong = "decisive" if gap > _FAR else "more than chance" if gap > _APART else "too little to tell them apart"
    return f"{start}, ahead of {rival.covariate} by {gap:.1f} of AIC: {strong}."


def exponent_words(review: LoadReview, component: str, part: str) -> list[str]:
    """The measured exponents of power and torque beside the S-N exponent, and what a mismatch means."""
    fits = review.explained[component, part]
    span = review.loads.assumptions.sn_exponent
    by = {e.strength: e for e in fits if not e.with_weight} | {e.strength: e for e in fits if e.with_weight}
    if not isinstance(fits, tuple) or "power" not in by:
        return []
    power = by["power"]
    low, high = power.exponent - 1.645 * power.exponent_se, power.exponent + 1.645 * power.exponent_se
    overall = life_exponents()[1]
    line = (
        f"Life falls as power to the {power.exponent:.1f} ({low:.1f} to {high:.1f}, nine times in ten){_by_torque(by)}. A shaft, spline or gear in fatigue "
        f"should show {span} (about {SN_MEDIAN:g}; the spline life factors give {overall:.1f} overall)."
    )
    if review.loads.kinds[component] not in ("input shaft", "intermediate shaft", "output shaft"):
        return [
            line.split(" A shaft")[0] + " A clutch follows heat more than torque, so no S-N exponent is expected of it."
        ]
    if high < span.low:
        line += (
            " It is lower: power on record is not the torque the part saw (wrong or peak powers, use that varies, tyres that slip), "
            "or wear and heat break it and not fatigue. A low exponent makes a step up in power look harmless: don't lean on it."
        )
    elif low > span.high:
        line += " It is higher: parts break at once above some power, by overload and not by fatigue, so look for a step and for yield."
    else:
        line += " The two agree as far as the records can tell."
    k = max(power.exponent, 0.1)
    life = float(life_ratio(1.05, k))
    back = [float(comeback_ratio(1.05, e, 1.5)) for e in (span.low, k, span.high)]
    return [
        line,
        f"Five per cent more power would leave {life:.0%} of the life at the measured exponent, and bring {back[1]:.2f} times the comebacks "
        f"by a given mileage ({back[0]:.2f} to {back[2]:.2f} over the exponents expected; at a Weibull shape of 1.5, while few fail).",
    ]


def _by_torque(by: dict[str, Explained]) -> str:
    torque = by.get("torque")
    return "" if torque is None else f", and as torque to the {torque.exponent:.1f} ± {torque.exponent_se:.1f}"


def explained_table(review: LoadReview) -> pd.DataFrame:
    """Every fit: log-likelihood, AIC, exponents."""
    rows = []
    for (component, part), fits in review.explained.items():
        if isinstance(fits, str):
            continue
        best = min((e.aic for e in fits), default=math.nan)
        for e in fits:
            fit = (e.covariate, e.loglik, e.parameters, e.aic - best, e.exponent, e.exponent_se, e.weight_exponent)
            rows.append((component, part or "all together", *fit, e.lives, e.failures))
    names = ["component", "part", "explained_by", "log_likelihood", "parameters", "aic_above_best", "exponent"]
    return pd.DataFrame(rows, columns=[*names, "exponent_se", "weight_exponent", "units", "failures"])


def suspect_words(review: LoadReview) -> tuple[str, ...]:
    """How many failures broke a rule, and whether the rule is broken as often without a failure."""
    found, a = review.suspects.table, review.loads.assumptions
    lines = [
        f"A failure is marked where a condition on record breaks a rule: converter apply pressure above {a.converter_pressure_max:,.0f} psi "
        "(common practice, no source; change it in shop.toml under [driveline]), power above the limit published when it was built, "
        f"or a clutch margin under {a.clutch_margin_min:g} even at the best of what is assumed. What the shop wrote as cause stays as it is."
    ]
    if found.empty:
        lines.append("No failure on record broke one of them, as far as conditions were written down.")
    else:
        own = found["cause"].eq("over limit").sum()
        lines.append(
            f"{plural(len(found), 'failure is a suspect', 'failures are suspects')} for another cause than the part's strength; "
            f"the shop itself calls {own} of them over limit."
        )
    for r in review.suspects.counts.itertuples():
        if r.broken_failed:
            lines.append(
                f"{r.component.capitalize()} {r.part}, {r.rule}: broken in {r.broken_failed} of {r.told_failed} failures where it can be told, "
                f"and in {r.broken_others} of {r.told_others} lives without one"
                + _compare(r.broken_failed, r.told_failed, r.broken_others, r.told_others)
            )
    if (review.suspects.counts["told_failed"] < review.suspects.counts["lives_failed"]).any():
        lines.append(
            "Where pressures are measured mainly on units that come back, the others may have broken the rule as often: measure some that run."
        )
    return tuple(lines)


def _compare(hit: int, of: int, others: int, of_others: int) -> str:
    from scipy.stats import fisher_exact

    if of == 0 or of_others == 0:
        return "."
    p = float(fisher_exact([[hit, of - hit], [others, of_others - others]], alternative="greater").pvalue)
    return (
        f": more often than chance would have it (p = {p:.2g})."
        if p < 0.05
        else f": no more often than chance may have it (p = {p:.2g})."
    )


def without_words(review: LoadReview) -> tuple[str, ...]:
    """The rating with and without suspects, in the lightest class."""
    if not review.without:
        return ("No part has a suspect among its failures, so its rating is the same without.",)
    weight = review.records.shop.weight_classes[0]
    lines = []
    for (component, part), made in review.without.items():
        told = "; ".join(f"{name} {_proven(r)}" for name, r in made.items())
        lines.append(f"{component.capitalize()} {part}, up to {weight:,.0f} lb: {told}.")
    lines.append(
        "Not counting suspects drops the misuse that failed and keeps the misuse that held, so it comes out too high; leaving out every life that broke a rule "
        "is fairer, but proves nothing above the limit. Neither replaces the rating: they show what hangs on the cause. (Before calibration, alike for all.)"
    )
    return tuple(lines)


def _proven(made: LoadRating | str) -> str:
    if isinstance(made, str):
        return f"none ({made})"
    failed = f"{made.failures:,.0f} of {made.units:,.0f} failed"
    return f"{made.bound_hp:,.0f} hp ({failed})" if math.isfinite(made.bound_hp) else f"none proven ({failed})"


def facts_table(review: LoadReview, component: str, part: str) -> pd.DataFrame:
    """Every figure of the part at its reference power in the lightest class."""
    weight = review.records.shop.weight_classes[0]
    use, power = usual_use(review, component, part), reference_power(review, component, part)
    return part_facts(review.loads, component, part, power, weight, use)


def facts_title(review: LoadReview, component: str, part: str) -> str:
    """What the table of figures is for."""
    use, power = usual_use(review, component, part), reference_power(review, component, part)
    where = f", {use} use" if use else ""
    return f"Every figure, at {power:,.0f} hp and {review.records.shop.weight_classes[0]:,.0f} lb{where}"
