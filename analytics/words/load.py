"""The load page in sentences."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from analytics.driveline import duties
from analytics.driveline.assumptions import Assumptions, Span
from analytics.driveline.damage import SN_MEDIAN, comeback_ratio, life_ratio
from analytics.driveline.load import LOAD_COLUMNS, SHAFTS, Loads
from analytics.driveline.part_facts import Fact
from analytics.driveline.splines import life_exponents
from analytics.driveline.suspects import RULES, SAID_AT, limit_of
from analytics.lifetimes.opened import found_when_opened
from analytics.ratings.by_load import APART, Compared, Explained, LoadRating, Reading, Taken
from analytics.ratings.limit_evidence import rounded_down
from analytics.ratings.load_review import LoadReview, facts_of, has_margin, margin_at, reference_power, stood, usual_use
from analytics.ratings.stood import Stood
from analytics.reasons import ByLoad, Reason, Stands, reason
from analytics.records.own_units import Kind
from analytics.words.lifetimes import COLUMNS, lifetimes_table
from analytics.words.phrases import capital, listed, plural
from analytics.words.saying import say, texts
from analytics.words.units import (
    bare_pressure,
    distance,
    in_units,
    name_of,
    own,
    p_words,
    power,
    pressure,
    speed,
    torque,
    weight,
)

_UNITS = {"power": "hp", "torque": "lb ft", "margin": "of a careful design"}
_READINGS = {
    Reading.AS_RECORDED: "as recorded",
    Reading.NOT_COUNTED: "suspects not counted",
    Reading.RULES_KEPT: "only lives that kept the rules",
}
#: what a row's load assumes, and its unit
_ASSUMED = {
    "engine_rpm": ("engine speed", " rpm"),
    "stall_ratio": ("stall ratio", ""),
    "application": ("factor of a shock", ""),
    "notch": ("factor of the worst notch", ""),
    "first_gear": ("first gear", ""),
    "part_ratio": ("ratio of the part to the input shaft", ""),
    "line_pressure": ("line pressure", " psi"),
    "converter_pressure": ("converter pressure", " psi"),
    "lining_friction": ("lining friction", ""),
    "driven_wheels": ("driven wheels", ""),
    "axle_ratio": ("axle ratio", ""),
    "tyre_diameter": ("tyre diameter", " in"),
    "overdrive": ("overdrive", ""),
    "shift_time": ("shift time", " s"),
    "oil_warming": ("warming of the oil in a stall", " K"),
}
_CAP = "what the tyres hold, so the capped figures alone"
_GRADE = "what the tyres hold, so the capped figures, and torque on a grade"
_SHOCK = "what a shift adds for a moment, and its heat"
#: what is assumed, and what it decides
_DECIDES = {
    "engine_rpm": "torque, so every margin: the slow end brings the most",
    "fuel": "engine speed, where a truck's fuel is not on record",
    "stall_ratio": "torque of a launch, so shafts and packs; not the lock-up clutch",
    "torque_at_stall": "torque of a launch, and heat of a stall",
    "oil_warming": "what a converter's release passage carries off in a stall, where the pan's temperature is not on record",
    "gear_ratios": "torque of the output shaft; of the others what the tyres hold, and torque on a grade",
    "axle_ratio": _GRADE,
    "tyre_diameter": _GRADE,
    "driven_share": f"{_CAP}, with two driven wheels",
    "height": f"{_CAP}, with two driven wheels",
    "efficiency": "torque of the output shaft; of the others what the tyres hold, and torque on a grade",
    "lining_friction": "what a clutch holds",
    "return_spring": "what a clutch pack holds, where its own springs are not on file",
    "rotating_inertia": _SHOCK,
    "shift_drop": _SHOCK,
    "shift_time": _SHOCK,
    "line_pressure": "what a clutch pack holds, where neither truck nor part says",
    "converter_pressure": "what a lock-up clutch holds, where neither truck nor part says",
    "converter_pressure_max": "which converters are suspects",
    "clutch_margin_min": "which clutches are suspects",
    "hub_stress_max": "which shafts are suspects for their hub",
    "shift_heat_max": "which clutch packs are suspects for heat",
    "release_share_min": "which converters are suspects for their release passage",
    "grade_margin_min": "which lock-up clutches are suspects on a grade",
    "sn_exponent": "what a measured exponent is held against; no margin and no rating",
    "friction": _CAP,
    "driven_wheels": _CAP,
    "application": "the margin of a shaft, and tension in its hub",
    "trailer_weight": "power on a grade",
}
#: units of what is assumed; a ratio has none
_OF = {
    "tyre_diameter": " in",
    "rotating_inertia": " kg m²",
    "shift_drop": " rpm",
    "shift_time": " s",
    "return_spring": " lbf",
    "oil_warming": " K",
    "line_pressure": " psi",
    "converter_pressure": " psi",
    "converter_pressure_max": " psi",
    "hub_stress_max": " ksi",
    "shift_heat_max": " J/mm²",
    "trailer_weight": " lb",
}
_HANDBOOK = "handbook form, with the factor of a shock, life factor 1 (10,000 full torques)"


#: the long grade of the rules
def grade() -> str:
    """The slope and the speed of the long grade."""
    return f"on a {duties.GRADE:.0%} grade at {speed(duties.GRADE_MPH)}"


#: a figure of a part, and what it rests on
_FACTS = {
    Fact.TORQUE: ("torque the engine brings", "through the converter, worst gear"),
    Fact.TORQUE_CAPPED: ("torque the tyres would leave", "the least of engine and tyres, worst gear"),
    Fact.APPLICATION: ("factor of a shock", "spline handbook, combustion engine: 2.0 uniform to 2.8 heavy shock"),
    Fact.STRESS_MARGIN_CAPPED: ("the same, if the tyres slip", "hangs on wheels, tyres and ground"),
    Fact.CLUTCH_MARGIN_CAPPED: ("the same, if the tyres slip", "hangs on wheels, tyres and ground"),
    Fact.BODY_MARGIN: (
        "what its plain body bears",
        "shear yield / nominal shear: no notch, no shock; no margin to build on",
    ),
    Fact.ALLOWED_PRESSURE: (
        "pressure a careful design allows there",
        "spline table by hardness, from memory; no strength",
    ),
    Fact.SHIFT_TORQUE: ("added for the moment of a shift", "I Δω/Δt, not in the margins"),
    Fact.NOMINAL_SHEAR: ("nominal shear", "16 T D/(π(D⁴ - d⁴))"),
    Fact.NOTCH_SHEAR: (
        "shear at the worst notch",
        "nominal x stress concentration, stated, by fillet radius, or Peterson's range",
    ),
    Fact.SHEAR_YIELD: ("shear yield", "SAE J413, or tensile yield x 0.577"),
    Fact.YIELD_TORQUE: ("torque at which its body yields", "nominal shear at shear yield"),
    Fact.STRESS_MARGIN: ("stress margin", "shear yield / (shear at the worst notch x factor of a shock)"),
    Fact.TWIST: ("twist", "T L/(G J), G 79 GPa, over the plain length"),
    Fact.TOOTH_SHEAR: ("shear of the spline's teeth", _HANDBOOK),
    Fact.ROOT_SHEAR: ("shear under the spline's teeth", _HANDBOOK),
    Fact.TOOTH_PRESSURE_FIXED: ("pressure on the spline's teeth", f"{_HANDBOOK}, fixed"),
    Fact.TOOTH_PRESSURE_FLEXIBLE: ("pressure on the spline's teeth", f"{_HANDBOOK}, flexible"),
    Fact.ALLOWED_SHEAR: ("shear a careful design allows there", "spline table by hardness; no strength"),
    Fact.CLUTCH_MARGIN: ("clutch margin", "capacity / torque"),
    Fact.CLUTCH_TORQUE: ("torque it holds", "friction x force x mean radius x faces"),
    Fact.PRESSURE_NEEDED: ("pressure it needs to hold that", "the same, turned round"),
    Fact.GRADE_TORQUE: (
        "torque {grade} with a trailer, for as long as it lasts",
        "(m g sin θ + rolling + air) v in overdrive, no more than the engine brings",
    ),
    Fact.GRADE_MARGIN: ("what its lock-up holds over that", "1.3 at the least (common practice, no source)"),
    Fact.HUB_STRESS: ("tension in the hub of its spline, under a shock", "spline handbook"),
    Fact.SHIFT_HEAT: ("heat of a full-throttle shift on its lining", "(T + I Δω/Δt) Δω Δt/2 over the lining"),
    Fact.RELEASE_FLOW: ("oil through its release passage at {flow}", "sharp-edged orifice, C 0.61"),
}

texts(
    {
        ByLoad.AS_SIBLINGS: "none came back; with the shape and slope that its siblings lend",
        ByLoad.BELOW_ANY_POWER: "the load supported lies below that of any power",
        ByLoad.DEMONSTRATED: "demonstrated: none came back",
        ByLoad.HELD_AT_LIGHTER: "held at the {hp:power} of the lighter class",
        ByLoad.LIGHTER_HAS_NONE: "a lighter class has no rating, so this one has none",
        ByLoad.NOTHING_PROVEN: "nothing is supported at this weight",
        ByLoad.JUDGED_ON_POWER: "the page of ratings says what becomes of its limit",
        Stands.NONE: "no part on record ran at that margin or less",
        Stands.CLEARED: "fewer than the promise allows, so it bears more than the formula gives it there",
        Stands.OPEN: "which neither clears the margin nor bears it out: odometers of those that run would tell more",
        Stands.BORNE_OUT: "more than the promise allows, so take the margin at its word",
        ByLoad.NOT_DECIDED: "it is not shown that torque, and not power or the heat of a shift, explains its returns, so no limit is judged by it",
    }
)


#: over the tables of the page
HEADINGS = {
    "assumed": "What is assumed where the records are silent ([driveline] in shop.toml)",
    "fits": "Every fit, on the same lives",
    "suspects": "The suspects (customers' data: keep in the shop)",
    "rules": "Each rule, by lives that failed and lives that did not",
    "exponents": "what hangs on what is not on record",
    "part": "load, margin, life and rating",
    "without": "Part by part without them",
}
#: beside a rating in lb ft
ASK = (
    "Publish it in lb ft of the engine, and ask each customer: what torque does the tune make, at what engine speed, and through which converter? A power without "
    "the speed it is made at is torque by guess: size to the high end and 10% more."
)
#: of every part, beside its margin
LOWEST_LINE = "A truck is good only to its lowest line: one strong part among weak ones moves the break to the next."
_AT_WORK = (
    LOWEST_LINE,
    "Never run a truck with its wheels off the ground unattended; chock both axles, and don't trust park while you work on it or hook up a trailer.",
)
_SPINNING = "Keep to the speed limits and the balance of shafts, drums and converter, and fit the driveshaft loop: what bursts at speed kills."
#: beside the margin of a kind of part
_BESIDE = {
    "shaft": (
        "Stamp, peen or engrave no serial on a stressed body: a race input shaft broke by fatigue from a dot-peened mark (a published laboratory report, 2019).",
        _SPINNING,
    ),
    "converter": (
        "Too much pressure balloons a converter, which can take the pump and the crank's thrust bearing with it: regulate it before the clutch gets more.",
        _SPINNING,
    ),
    "clutch pack": (
        "A pack that slips burns within seconds, and takes hold of the truck or lets go of it without warning.",
    ),
}


def beside_margin(review: LoadReview, component: str) -> tuple[str, ...]:
    """The cautions that belong beside the margin of a ``component``'s parts in the ``review``."""
    kind = review.loads.kinds[component]
    return (*_BESIDE["shaft" if kind in SHAFTS else kind], *_AT_WORK)


def fared(found: Stood) -> str:
    """How the parts fared that ran at a margin or less, and what that makes of it; neither start nor end of a sentence. found: what was counted."""
    if found.says is Stands.NONE:
        return say(reason(found.says))
    return f"{counted_at(found)}, {say(reason(found.says))}"


def counted_at(found: Stood) -> str:
    """How the parts fared that ran at a margin or less, by what was ``found``."""
    return f"of the {found.lives:,} on record at that margin or less {found.failed:,} failed before {distance(found.miles)}, {found.lasted:,} known to have passed them"


NO_DESIGN = (
    "Every margin here is book strength against a load worked out by formulas in their textbook form, with the handbook's factor for shocks. It knows no notch but the one you "
    "state or the range of its kind, no heat treatment gone wrong, no launch on the brake, wheel hop or gear banged home beyond that factor, and is no design calculation: have a "
    "qualified engineer make that."
)


def span(amount: Span) -> str:
    """'31 to 35', '1'. amount: its ends."""
    return f"{amount.low:,g}" if amount.low == amount.high else f"{amount.low:,g} to {amount.high:,g}"


def _figure(value: object) -> str:
    if value is None:
        return "by power and fuel"
    if isinstance(value, tuple):
        return ", ".join(map(_figure, value))
    return span(value) if isinstance(value, Span) else f"{value:g}" if isinstance(value, float) else str(value)


def _measured(value: object, unit: str) -> str:
    """What is assumed, with its ``unit``, a weight or a pressure in the owner's."""
    kinds: dict[str, Kind] = {" lb": "weight", " psi": "pressure"}
    kind = kinds.get(unit)
    if kind and name_of(kind) != unit.strip() and isinstance(value, Span):
        value, unit = Span(*(float(f"{own(v, kind):.3g}") for v in (value.low, value.high))), f" {name_of(kind)}"
    return f"{_figure(value)}{unit}"


#: powers at which the engine speed that goes by them is told, hp
_TOLD_AT = np.array([400.0, 700.0, 1000.0, 1500.0])


def _speeds(a: Assumptions) -> str:
    """Engine speed as it is taken: where it goes by power and fuel, at a few powers of the fuel."""
    if a.engine_rpm is not None:
        return f"{span(a.engine_rpm)} rpm"
    ends = zip(_TOLD_AT, *a.speed(_TOLD_AT, np.full(len(_TOLD_AT), a.fuel == "gasoline")), strict=True)
    told = ", ".join(f"{slow:,.0f} to {fast:,.0f} rpm at {power(hp)}" for hp, slow, fast in ends)
    return f"by power and fuel: {a.fuel} {told}"


def title(review: LoadReview) -> str:
    """Of the page and the workbook. review: of the loads."""
    return f"{review.records.shop.name}: the load behind the horsepower"


def part_question(part: str) -> str:
    """The question over the pictures of a part."""
    return f"What load does {part} carry, and what does it bear?"


def opening(review: LoadReview) -> tuple[str, ...]:
    """What the page does, and how much of it is assumed. review: of the loads."""
    table = review.loads.table
    known = table["torque_at_shaft_lbft"].notna()
    assumed = review.loads.assumed["engine_rpm"] & known
    made = len(review.records.parts)
    lines = [
        f"From the records as of {review.records.as_of.day} {review.records.as_of:%B %Y}. Horsepower breaks no shaft; torque does. "
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
    """What is assumed where the records are silent, and where to change it. review: of the loads."""
    a = review.loads.assumptions
    figures = {k: _measured(v, _OF.get(k, "")) for k, v in a.figures().items()}
    rows = [(k.replace("_", " "), told, _DECIDES[k]) for k, told in (figures | {"engine_rpm": _speeds(a)}).items()]
    rows += [
        (f"{what.replace('_', ' ')}, {use or 'other use'}", _measured(one, _OF.get(what, "")), _DECIDES[what])
        for what, uses in a.by_use.items()
        for use, one in uses.items()
    ]
    return pd.DataFrame(rows, columns=["assumed", "figure", "decides"])


def rating_lines(review: LoadReview, component: str, part: str) -> tuple[str, ...]:
    """The rating on the chosen strength, a line per weight class; the verdict where it runs on load: on power the page of ratings has it.
    review: of the loads; component, part: their names."""
    own = review.ratings
    lines = []
    for r in own[(own["component"] == component) & (own["part"] == part)].itertuples():
        told = f"{component.capitalize()} {part} on {r.strength}, up to {weight(r.weight_up_to)}: {_supported(r, review.options.step_hp)}"
        limited = "" if r.reason is None or r.reason.code is ByLoad.NOTHING_PROVEN else f" ({say(r.reason)})"
        verdict = f" {r.verdict.capitalize()}: {say(r.why)}." if r.verdict else ""
        lines.append(f"{told}{limited}.{verdict}{_before_raising(review, r)}")
    hidden = found_when_opened(review.lifetimes.opened, component, part)
    if lines and hidden:
        lines.append(
            f"On torque and margin, and where the three are compared, damage that only a teardown showed ({hidden}) counts among the failures, and trucks never opened count as sound: "
            "the page of ratings counts it by the parts looked at."
        )
    if any(math.isfinite(v) for v in own["bound"]) and review.options.strength == "torque":
        lines.append(in_units(ASK))
    place = (component, part, review.options.strength)
    left = (f"Not rated: {say(x.why)}." for x in review.left if (x.component, x.part, x.strength) == place)
    return tuple(lines) or tuple(left)


def _before_raising(review: LoadReview, r) -> str:
    """What the driveline's formulas say against a limit that the records would have higher; nothing where they say nothing."""
    hp = rounded_down(r.bound_hp, review.options.step_hp) if math.isfinite(r.bound_hp) else math.nan
    if not hp > 0 or hp <= r.published_hp or not has_margin(review, r.component, r.part):
        return ""
    at = float(margin_at(review, r.component, r.part, np.array([hp]), r.weight_up_to)["whole"].iat[0])
    if not at < 1:
        return ""
    told = capital(fared(stood(review, r.component, r.part, at)))
    above, before = "No limit is published", "one is"
    if math.isfinite(r.published_hp):
        above, before = f"That is above the {power(r.published_hp)} published", "the limit is raised"
    return f" {above}, and its weakest margin there is {at:.2f}: have an engineer look before {before}. {told}."


def _supported(r, step_hp: float) -> str:
    """What a row of the ratings supports, its power rounded down to the step of the sheet: lb ft first where it runs on torque."""
    least = "at least " if r.at_least else ""
    hp = power(rounded_down(r.bound_hp, step_hp)) if math.isfinite(r.bound_hp) else ""
    if r.strength == "power" or not math.isfinite(r.engine_lbft):
        return f"{least}{hp} supported" if hp else "no power supported"
    load = "" if r.strength == "torque" else f" (a margin of {1 / r.bound:.2f})"
    slow = f"; an engine as slow as these come brings that at {hp}" if hp else "; no power can be named for it"
    return f"{least}{torque(r.engine_lbft)} of the engine supported{load}{slow}"


def explained_words(review: LoadReview, component: str, part: str) -> tuple[str, ...]:
    """Which covariate explains the returns better, and what the measured exponent means.
    review: of the loads; component, part: their names."""
    fits = review.explained.get((component, part))
    who = f"{component} {part}" if part else f"{component}, all parts together"
    if fits is None:
        return ()
    if isinstance(fits, Reason):
        return (f"Which explains the returns better cannot be told: {say(fits)}.",)
    if not fits.best:
        return (f"{capital(who)}: only one fit converged.",)
    lines = _best(fits, who)
    if part:
        lines += exponent_words(review, component, part)
    return tuple(lines)


def _covariate(fit: Explained) -> str:
    return f"{fit.strength} and weight" if fit.with_weight else f"{fit.strength} alone"


_TAKEN = {
    Taken.MIDDLE: "with all at its middle",
    Taken.SLOW_ENGINE: "with slow engines and strong converters",
    Taken.FAST_ENGINE: "with fast engines and mild converters",
    Taken.TWO_WHEELS: "with two driven wheels, little grip and no overdrive",
    Taken.FOUR_WHEELS: "with four driven wheels and much grip",
}


#: what explains the returns, by Compared.decided; of "load" by Compared.rather
_EXPLAINS = {
    "power": "power",
    "heat": "the heat of a shift, rather than torque or power,",
    "": "torque, rather than power,",
    "torque": "torque, rather than the heat of a shift or power,",
    "either": "torque or the heat of a shift (these records cannot part the two), rather than power,",
}


def _best(found: Compared, who: str) -> list[str]:
    start = f"{who[0].upper()}{who[1:]}, {found.fits[0].failures:,.0f} failures: "
    by: dict[str, list[str]] = {}
    for taken, (strength, gap) in found.best.items():
        clear = "" if gap > APART else ", by no more than chance"
        by.setdefault(("power" if strength == "power" else "load") + clear, []).append(_TAKEN[taken])
    if found.decided:
        least = min(gap for _, gap in found.best.values())
        what = _EXPLAINS[found.decided if found.decided != "load" else found.rather]
        return [
            f"{start}{what} explains them best, however what is not on record is taken.",
            f"{capital(who)}: its AIC is at least {least:.1f} lower.",
        ]
    told = "; ".join(f"{what} {listed(ways, most=len(ways))}" for what, ways in by.items())
    return [
        f"{start}whether power or {'load' if found.heat else 'torque'} explains them cannot be told.",
        f"The better fit of {who}: {told}. Write down what is missing before a rating runs on torque.",
    ]


def exponent_words(review: LoadReview, component: str, part: str) -> list[str]:
    """The measured exponents of power and torque beside that of fatigue, and what a mismatch means.
    review: of the loads; component, part: their names."""
    found, expected = review.explained[component, part], review.loads.assumptions.sn_exponent
    if isinstance(found, Reason):
        return []
    fits = found.fits
    by = {e.strength: e for e in reversed(fits)}  # the best first, as in the table and the picture
    if "power" not in by:
        return []
    power = by["power"]
    low, high = power.exponent - 1.645 * power.exponent_se, power.exponent + 1.645 * power.exponent_se
    overall = life_exponents()[1]
    line = (
        f"Life falls as power to the {power.exponent:.1f} ({low:.1f} to {high:.1f}, nine times in ten){_by_torque(by)}."
    )
    if review.loads.kinds[component] not in SHAFTS:
        return [f"{line} A clutch follows heat more than torque, so no fatigue exponent is expected of it."]
    line += f" A shaft, spline or gear in fatigue should show {span(expected)} (about {SN_MEDIAN:g}; the spline life factors give {overall:.1f} overall)."
    if high < expected.low:
        line += (
            " It is lower: power on record is not the torque the part saw (wrong or peak powers, use that varies, tyres that slip), "
            "or wear and heat break it and not fatigue. A low exponent makes a step up in power look harmless: don't lean on it."
        )
    elif low > expected.high:
        line += " It is higher: parts break at once above some power, by overload and not by fatigue, so look for a step and for yield."
    else:
        line += " The two agree as far as the records can tell."
    k = max(power.exponent, 0.1)
    life, least = (float(life_ratio(1.05, e)) for e in (k, max(high, k)))
    back = [float(comeback_ratio(1.05, e, 1.5)) for e in (expected.low, k, expected.high)]
    return [
        line,
        f"Five per cent more power would leave {life:.0%} of the life at the measured exponent, {least:.0%} at its upper end, and bring {back[1]:.2f} times the comebacks "
        f"by a given mileage ({back[0]:.2f} to {back[2]:.2f} over the exponents expected; at a Weibull shape of 1.5, while few fail).",
    ]


def _by_torque(by: dict[str, Explained]) -> str:
    torque = by.get("torque")
    return "" if torque is None else f", and as torque to the {torque.exponent:.1f} ± {torque.exponent_se:.1f}"


def explained_table(review: LoadReview) -> pd.DataFrame:
    """Every fit: log-likelihood, AIC, exponents. review: of the loads."""
    rows = []
    for (component, part), found in review.explained.items():
        if isinstance(found, Reason):
            continue
        best = min((e.aic for e in found.fits), default=math.nan)
        for e in found.fits:
            fit = (_covariate(e), e.loglik, e.parameters, e.aic - best, e.exponent, e.exponent_se, e.weight_exponent)
            rows.append((component, part or "all together", *fit, e.lives, e.failures))
    names = ["component", "part", "explained_by", "log_likelihood", "parameters", "aic_above_best", "exponent"]
    return pd.DataFrame(rows, columns=[*names, "exponent_se", "weight_exponent", "units", "failures"])


def suspect_words(review: LoadReview) -> tuple[str, ...]:
    """How many failures broke a rule, and whether the rule is broken as often without a failure. review: of the loads."""
    found, a = review.suspects.table, review.loads.assumptions
    rules = "; ".join(f"{rule}: {_RULES[rule](_limit(rule, a))}" for rule in RULES)
    lines = [
        "No failure on record broke a rule of those below, as far as conditions were written down."
        if found.empty
        else f"{plural(review.suspects.failures, 'failure broke a rule', 'failures broke a rule')} of those below; {review.suspects.standing_out} of them one that failures break more often "
        "than trucks of like power that run on. Those may have another cause than the part's strength; of the others the rule says nothing.",
        f"A failure is marked where a condition on record breaks a rule, with what is not known at its middle ({rules}; change them in shop.toml under [driveline]). "
        "What the shop wrote as cause stays as it is, and a rule that lives without a failure break as often is not shown to be the cause.",
    ]
    for r, p in zip(review.suspects.counts.itertuples(), review.suspects.p_values, strict=True):
        if r.broken_failed:
            lines.append(
                f"{r.component.capitalize()} {r.part}, {r.rule}: broken in {r.broken_failed} of {r.told_failed} failures where it can be told, "
                f"and in {r.broken_others} of {r.told_others} lives without one; {_compared(r, p)}"
            )
    if (review.suspects.counts["told_failed"] < review.suspects.counts["lives_failed"]).any():
        lines.append(
            "Where pressures are measured mainly on units that come back, the others may have broken the rule as often: measure some that run."
        )
    return tuple(lines)


#: broken in so many of the lives without a failure a rule leaves hardly any to compare with
_HARDLY_ANY = 0.9


def _compared(r, p: float) -> str:
    """What a rule broken by failures, a row of the counts, is beside the lives without one."""
    if r.broken_others >= _HARDLY_ANY * r.told_others and not p < SAID_AT:
        return "hardly a truck with it keeps the rule, so none is left to compare with: that says nothing for the part. Mend what breaks the rule first."
    if math.isnan(p):
        return "among trucks of like power there is nothing to compare."
    often = "more often than chance would have it" if p < SAID_AT else "no more often than chance may have it"
    return f"among trucks of like power {often} ({p_words(p)})."


def _limit(rule: str, a: Assumptions) -> float:
    return a.rules.converter_pressure_max if rule == "converter pressure" else limit_of(rule, a)


#: a rule, by its limit
_RULES: dict[str, Callable[[float], str]] = {
    "converter pressure": lambda x: f"apply pressure above {pressure(x)} (common practice, no source)",
    "clutch margin": lambda x: f"the clutch holds less than {x:g} times the engine's torque at its own ratio",
    "hub": lambda x: (
        f"tension in the hub of the spline, under a shock, above {x:g} ksi (what a careful design allows in steel of 33 to 38 HRC, from memory)"
    ),
    "shift heat": lambda x: f"a full-throttle shift puts more than {x:g} J on each mm² of lining (from memory)",
    "release passage": lambda x: f"its oil carries off less than {x:.0%} of the heat of a stall (judgement)",
    "grade": lambda x: (
        f"the lock-up clutch holds less than {x:g} times what the trailer asks {grade()} (common practice, no source)"
    ),
}
_VALUES: dict[str, Callable[[float, float], str]] = {
    "converter pressure": lambda v, most: f"converter pressure {pressure(most / v)}, above {pressure(most)}",
    "clutch margin": lambda v, least: f"clutch margin about {v:.2f}, under {least:g}",
    "hub": lambda v, most: f"tension in the hub about {v:,.0f} ksi, above {most:g}",
    "shift heat": lambda v, most: f"heat of a shift about {v:.2f} J/mm², above {most:g}",
    "release passage": lambda v, least: f"release passage carries about {v:.0%} of a stall's heat, under {least:.0%}",
    "grade": lambda v, least: f"lock-up holds about {v:.2f} times the grade, under {least:g}",
}


def broken_words(rule: str, value: float, limit: float) -> str:
    """A ``rule`` that a part breaks: its ``value`` beside the ``limit``."""
    return _VALUES[rule](value, limit)


def over_limit_words(review: LoadReview) -> tuple[str, ...]:
    """What was sold above the published limit, of a ``review``: no other cause, but the shop's own word broken."""
    told = [
        f"{r.component.capitalize()} {r.part}: {r.failed_over} of {r.failed} failures and {r.others_over} of {r.others} lives without one"
        for r in review.suspects.over_limit.itertuples()
    ]
    if not told:
        return ()
    return (
        "Sold above the limit published when the truck was built, which is no other cause but the shop's own choice: "
        + "; ".join(told)
        + ".",
    )


def suspects_table(review: LoadReview) -> pd.DataFrame:
    """The failures marked, and the rules each broke. review: of the loads."""
    a, found = review.loads.assumptions, review.suspects.table
    said = [broken_words(r.rule, r.value, _limit(r.rule, a)) for r in found.itertuples()]
    keys = ["serial", "component", "part", "failed_on", "finding", "cause"]
    lines = found.assign(rule=said).groupby("at", sort=False)["rule"].agg("; ".join)
    return found.drop_duplicates("at").set_index("at")[keys].assign(rule=lines).reset_index(drop=True)


def without_words(review: LoadReview) -> tuple[str, ...]:
    """The rating with and without suspects, in the lightest class. review: of the loads."""
    if not review.without:
        return ("No part has a suspect among its failures, so its rating is the same without.",)
    lightest = weight(review.records.shop.weight.classes[0])
    lines = []
    for (component, part), made in review.without.items():
        told = "; ".join(f"{_READINGS[reading]}: {_proven(r)}" for reading, r in made.items())
        lines.append(f"{component.capitalize()} {part}, up to {lightest}, before calibration: {told}.")
    lines.append(
        "Not counting suspects drops the misuse that failed and keeps the misuse that held, so it comes out too high; leaving out every life that broke a rule "
        "is fairer, but proves nothing above the limit. Neither replaces the rating: they show what hangs on the cause."
    )
    return tuple(lines)


def _proven(made: LoadRating | Reason) -> str:
    if isinstance(made, Reason):
        return f"none ({say(made)})"
    failed = f"{made.failures:,.0f} of {made.units:,.0f} failed"
    return f"{power(made.bound_hp)} ({failed})" if math.isfinite(made.bound_hp) else f"none ({failed})"


def facts_table(review: LoadReview, component: str, part: str) -> pd.DataFrame:
    """Every figure of the part at its reference power in the lightest class, and what it rests on. review: of the loads; component: its name."""
    facts = facts_of(review, component, part)
    told = {"grade": grade(), "flow": f"{bare_pressure(50)}, {bare_pressure(100)}, {pressure(150)}"}
    what, rests_on = [_FACTS[f][0].format(**told) for f in facts["what"]], [_FACTS[f][1] for f in facts["what"]]
    return facts.assign(what=what, rests_on=rests_on)


def facts_title(review: LoadReview, component: str, part: str) -> str:
    """What the table of figures is for. review: of the loads; component, part: their names."""
    use, power_hp = usual_use(review, component, part), reference_power(review, component, part)
    where = f", {use} use" if use else ""
    return f"Every figure, at {power(power_hp)} and {weight(review.records.shop.weight.classes[0])}{where}"


# ---- tables of lives and ratings ------------------------------------------------------------------------------------------
def load_assumed(loads: Loads) -> np.ndarray:
    """What each life's load assumes (n,); why there is none, where there is none. loads: of every life."""
    a, figures, table = loads.assumptions, loads.assumptions.figures(), loads.table
    words = np.full(len(table), "", dtype=object)

    def add(mask: np.ndarray, text: str) -> None:
        words[mask] = np.where(words[mask] == "", text, words[mask] + "; " + text)

    taken = {
        "part_ratio": "1",
        "notch": "by Peterson's ranges",
        "first_gear": span(a.gear_ratios[0]),
        "overdrive": span(a.gear_ratios[-1]),
    }
    uses = table["use"].to_numpy().astype(str)
    for name, (said, unit) in _ASSUMED.items():
        own = loads.assumed[name].to_numpy()
        if name in a.by_use:
            for use in np.unique(uses[own]):
                add(own & (uses == use), f"{said} {_measured(a.of_use(name, use), unit)}")
        else:
            add(own, f"{said} {taken.get(name) or _measured(figures[name], unit if figures.get(name) else '')}")
    capped = table["torque_capped_lbft"].notna().to_numpy()
    for use in np.unique(uses):
        add(capped & (uses == use), f"friction {span(a.of_use('friction', use))}")
    words[table["torque_at_shaft_lbft"].isna().to_numpy()] = "power not on record"
    return words


def loads_table(loads: Loads) -> pd.DataFrame:
    """Every life with its load as the owner reads it, and what the load assumes. loads: of every life."""
    told = lifetimes_table(loads.table[[*COLUMNS, *LOAD_COLUMNS]])
    return told.assign(load_assumed=load_assumed(loads))


def ratings_table(ratings: pd.DataFrame) -> pd.DataFrame:
    """The ratings as their file has them: the unit of the bound, and the reason in words."""
    whole = [
        say(why) if r is None else f"{say(why)} ({say(r)})"
        for why, r in zip(ratings["why"], ratings["reason"], strict=True)
    ]
    told = ratings.assign(reason=whole).drop(columns="why")
    told.insert(told.columns.get_loc("bound") + 1, "unit", ratings["strength"].map(_UNITS))
    return told
