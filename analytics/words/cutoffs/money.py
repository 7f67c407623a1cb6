"""Where should the tier end for money?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.cutoffs.cost import MiddleTier, MiddleVerdict, MoneyCut, Pays
from analytics.words.phrases import listed, money, weight
from analytics.words.units import bare_power, in_units, near_power, p_words, power

MIDDLE = {
    MiddleVerdict.EARNS_PLACE: "earns its place",
    MiddleVerdict.DOES_NOT: "does not earn its place",
    MiddleVerdict.OPEN: "can't tell",
}
#: the inputs changed: their name, and how a value of theirs is written
_INPUTS = {
    "stated": ("as stated", ""),
    "comeback": ("a comeback, all in", "{:,.0f}"),
    "price_step": ("price step", "{:,.0f}"),
    "years": ("years counted", "{:g}"),
    "reported": ("share of failures reported, the silent ones counted too", "{:.0%}"),
}


def money_words(found: MoneyCut) -> tuple[str, ...]:
    """What the dearer part costs and spares, where it pays, what moving the boundary saves, and what this stands on. found: the boundary by money."""
    words = [_price(found), f"Use by use {found.above} pays {_by_use(found)}.", _least_cost(found)]
    if not found.holds:
        words[-1] += f" For all uses alike that is no finding: {_undone(found)}."
    a, habit, sign = found.below, found.habit, found.costs.currency
    if habit.cut_hp > 0:
        words.append(
            f"The shop's habit comes nearest to a cut at {power(habit.cut_hp)}; moving it would save {money(habit.saved, sign)} a year "
            f"({money(habit.low, sign)} to {money(habit.high, sign)}; a minus means it would cost more)."
        )
    if found.least.beyond:
        words.append(f"No {a} on record runs at so much power: the figure lies beyond the records.")
    if found.slopes_p <= 0.05:
        words.append(
            f"The two parts do not lose life with power alike ({p_words(found.slopes_p)}), which is assumed here: read it with doubt."
        )
    return tuple(words)


def cost_caption(found: MoneyCut) -> str:
    """What the picture of the cost says. found: the boundary by money."""
    finding, *rest = money_words(found)[2:4]
    return f"{finding}\n{' '.join(rest)}"


def _price(found: MoneyCut) -> str:
    a, b, step, costs = found.below, found.above, found.price_step, found.costs
    if step <= 0:
        return f"{b} is not dearer than {a}: on price alone nothing speaks for {a}."
    return (
        f"{b} costs {money(step, costs.currency)} more than {a}, a comeback {money(costs.comeback, costs.currency)}: it pays once it spares "
        f"{step / costs.comeback:.1%} of the trucks a comeback within {costs.years:g} years."
    )


def _least_cost(found: MoneyCut) -> str:
    a, b, least = found.below, found.above, found.least
    if least.pays == Pays.NONE:
        return (
            f"For none of the {found.trucks:,.0f} trucks a year built with either does {b} pay by comebacks alone "
            f"({least.agree:.0%} of the refits agree); the interval for the cut is {power(least.low)} upward."
        )
    if least.pays == Pays.ALL:
        return (
            f"{b} pays for every truck built with either ({least.agree:.0%} of the refits agree); the interval for the cut is up "
            f"to {power(least.high)}."
        )
    return f"It costs least to end {a} at {power(least.cut_hp)} ({span_words(found)})."


def _by_use(found: MoneyCut) -> str:
    """From which power the dearer part pays in each use, with its interval."""

    def told(row) -> str:
        use = row.use or "a use not on record"
        if not row.pays_from_hp:
            return f"for all trucks in {use}"
        if np.isinf(row.pays_from_hp):
            return f"for none on record in {use}"
        low = near_power(row.lower, unit=False) if row.lower else "any"
        high = "never" if np.isinf(row.upper) else near_power(row.upper)
        return f"from {near_power(row.pays_from_hp)} in {use} ({low} to {high})"

    return listed([told(row) for row in found.by_use.itertuples()])


#: an input stated otherwise: its words
_STATED = {
    "comeback": lambda v, sign: f"a comeback at {money(v, sign)}",
    "price_step": lambda v, sign: f"a price step of {money(v, sign)}",
    "years": lambda v, _: f"comebacks counted over {v:g} years",
    "reported": lambda v, _: f"{v:.0%} of failures reported",
}


def _undone(found: MoneyCut) -> str:
    """Why one boundary for all uses is no finding, by the input that need move least."""
    why = ["the uses differ"] if found.uses_apart else []
    undone, costs = found.undone_by, found.costs
    if len(undone):
        stated = {"comeback": costs.comeback, "price_step": found.price_step, "years": costs.years, "reported": 1.0}
        moved = np.abs(np.log(undone["value"] / undone["input"].map(stated)))
        row = undone.loc[moved.idxmin()]
        to = "it would never pay" if np.isinf(row["cut_hp"]) else f"it would be {power(row['cut_hp'])}"
        to = "it would always pay" if row["cut_hp"] == 0 else to
        why.append(f"with {_STATED[row['input']](row['value'], costs.currency)} {to}")
    return " and ".join(why)


def money_claim(found: MoneyCut) -> str:
    """Where the tier ends by money, as one sentence to defend: use by use, where one boundary for all is no finding. found: the boundary by money."""
    above, least = found.above, found.least
    if not found.holds:
        return f"By money {above} pays {_by_use(found)}. One boundary for all uses is no finding: {_undone(found)}."
    if least.pays == Pays.NONE:
        return f"By money {above} does not pay for any truck the shop builds; safety decides."
    if least.pays == Pays.ALL:
        return f"By money {above} pays for every truck built with either part."
    return f"By money {above} pays above {power(least.cut_hp)} ({span_words(found)})."


def span_words(found: MoneyCut) -> str:
    """Between which powers the cheapest cut lies. The end of the powers tried is no upper end: beyond it the dearer part never pays.
    found: the boundary by money."""
    least = found.least
    if found.may_never_pay:
        return f"from {power(least.low)}, and the records do not rule out that it never pays"
    return f"{bare_power(least.low)} to {power(least.high)}, each end {found.sure:.0%} sure"


def money_changes(found: MoneyCut) -> tuple[str, ...]:
    """How far other inputs would move the boundary; nothing where they leave none. found: the boundary by money."""
    table = found.sensitivity
    other = table.loc[(table["input"] != "stated") & np.isfinite(table["cut_hp"]), "cut_hp"]
    if other.empty:
        return ()
    never = ", or to no truck at all." if np.isinf(table["cut_hp"]).any() else "."
    return (
        "Other stated inputs: over half to twice the cost of a comeback or the price step, and other years counted, the boundary by "
        f"money goes from {bare_power(other.min())} to {power(other.max())}{never}",
    )


def sensitivity_frame(found: MoneyCut) -> pd.DataFrame:
    """The boundary under other inputs: input, value, cut_hp. found: the boundary by money."""
    table = found.sensitivity
    names, shown = zip(*(_INPUTS[k] for k in table["input"]), strict=True)
    return table.assign(input=names, value=[f.format(v) for f, v in zip(shown, table["value"], strict=True)])


def sensitivity_table(found: MoneyCut) -> pd.DataFrame:
    """The same as the page shows it. found: the boundary by money."""
    table = sensitivity_frame(found)
    told = ["never pays" if np.isinf(v) else "always pays" if v == 0 else power(v) for v in table["cut_hp"]]
    return table.assign(boundary=told).drop(columns="cut_hp")


def by_use_table(found: MoneyCut) -> pd.DataFrame:
    """From which power the dearer part pays in each use. found: the boundary by money."""

    def told(powers: pd.Series, least: str, none: str) -> pd.Series:
        return powers.map(lambda v: none if np.isinf(v) else least if v == 0 else near_power(v, unit=False))

    t = found.by_use
    return pd.DataFrame(
        {
            "use": t["use"].where(t["use"] != "", "not recorded"),
            "at weight": t["weight_lb"].map(weight),
            in_units("pays from, hp"): told(t["pays_from_hp"], "all", "none on record"),
            "low": told(t["lower"], "any", "never"),
            "high": told(t["upper"], "any", "never"),
            "trucks a year": t["trucks_a_year"].map("{:,.0f}".format),
        }
    )


def middle_words(found: MiddleTier, currency: str) -> tuple[str, ...]:
    """Does a middle tier earn its place: what was ``found``, in the ``currency`` of the shop."""
    says = {
        MiddleVerdict.EARNS_PLACE: f"{found.middle} earns its place",
        MiddleVerdict.DOES_NOT: f"{found.middle} does not earn its place",
        MiddleVerdict.OPEN: f"whether {found.middle} earns its place can't be told",
    }[found.verdict]
    return (
        f"By price and comebacks {says}: the range costs {money(found.saves, currency)} a year less with it ({money(found.low, currency)} to {money(found.high, currency)} each end "
        f"{(1 + found.level) / 2:.0%} sure; a minus means more), each range with the cuts that cost it least.",
        "Stocking one part more is not counted: take that off.",
    )
