"""What the pictures of the load page say."""

from __future__ import annotations

import math

import numpy as np

from analytics.ratings.load_review import (
    LoadReview,
    TorqueByGear,
    best_on_torque,
    example_weights,
    has_margin,
    lives_by_torque,
    margin_at,
    reference_power,
    torque_by_gear,
)
from analytics.ratings.options import STRENGTHS
from analytics.reasons import ByLoad
from analytics.words.load import span
from analytics.words.phrases import listed

LIVES_QUESTION = "Does life fall with torque as it should?"
RATED_QUESTION = "What may it be rated at?"
#: in place of a picture
NO_MAKE = "its make is not on record:\nadd it to the sheet of parts"
NO_LIFE = "no life with power, weight\nand miles on record"
NOTHING_PROVEN = "nothing is supported"


def gears_question(at: TorqueByGear) -> str:
    """The question over the torques by gear."""
    return f"Engine or tyres: what limits the torque at {at.power_hp:,.0f} hp?"


def margin_question(part: str) -> str:
    """The question over the margins."""
    return f"How much does {part} have in hand?"


def part_caption(review: LoadReview, component: str, part: str) -> str:
    """What the four pictures of a part say."""
    captions = (gears_caption, margin_caption, lives_caption, compared_caption)
    return " ".join(filter(None, (c(review, component, part) for c in captions)))


def gears_caption(review: LoadReview, component: str, part: str) -> str:
    """Engine or tyres: which limits the torque, in a light and in a heavy truck."""
    at = torque_by_gear(review, component, part)
    told = []
    for j in (0, len(at.weights_lb) - 1):
        weight = at.weights_lb[j]
        slips = [f"{g:g}" for i, g in enumerate(at.gears) if at.held[""][i, j] < at.brought[""][i]]
        told.append(
            f"the tyres of a {weight:,.0f} lb truck slip first in {_ratios(slips, len(at.gears))}"
            if slips
            else f"a {weight:,.0f} lb truck puts all of the engine's torque on it in every gear"
        )
    where = f" in {at.use} use" if at.use else ""
    return f"At {at.power_hp:,.0f} hp{where} {told[0]}; {told[1]}."


def _ratios(slips: list[str], gears: int) -> str:
    if len(slips) == gears > 1:
        return "every gear"
    return f"ratio{'s' if len(slips) > 1 else ''} {listed(slips, most=len(slips))}"


def margin_caption(review: LoadReview, component: str, part: str) -> str:
    """How much the part has in hand at its reference power."""
    if not has_margin(review, component, part):
        return "Its make is not on record, so there is no margin."
    power, weight = reference_power(review, component, part), example_weights(review)[0]
    here = margin_at(review, component, part, np.array([power]), weight).iloc[0]
    return (
        f"At {power:,.0f} hp and {weight:,.0f} lb its margin is {here['middle']:.1f} "
        f"({here['low']:.1f} to {here['high']:.1f} with what is not known)."
    )


def lives_caption(review: LoadReview, component: str, part: str) -> str:
    """Does life fall with torque as it should; nothing where no fit says."""
    fit, expected = best_on_torque(review, component, part), review.loads.assumptions.sn_exponent
    if fit is None or lives_by_torque(review, component, part)[0].empty:
        return ""
    return f"Life falls as torque to the power {fit.exponent:.1f} ± {fit.exponent_se:.1f}; {span(expected)} is expected of such a part."


def compared_caption(review: LoadReview, component: str, part: str) -> str:
    """What is supported on power, torque and margin in the lightest class."""
    table = review.compared
    own = table[(table["component"] == component) & (table["part"] == part)]
    if own.empty or not (own["bound_hp"].notna().any() or own["estimate_hp"].notna().any()):
        return "No power is supported on any of them."
    weight = own["weight_up_to"].min()
    first = own[own["weight_up_to"] == weight].set_index("strength")
    first = first.loc[[s for s in STRENGTHS if s in first.index]]
    said = [
        f"{'at least ' if r.at_least else ''}{r.bound_hp:,.0f} hp on {r.Index}"
        for r in first.itertuples()
        if math.isfinite(r.bound_hp)
    ]
    slip = [r.Index for r in first.itertuples() if r.reason is not None and r.reason.code == ByLoad.TYRES_SLIP]
    words = (
        f"Up to {weight:,.0f} lb supported, before calibration: {listed(said)}." if said else "Nothing is supported."
    )
    if slip:
        words += f" On {listed(slip)} no power can be named: the tyres slip before the part carries so much."
    return words
