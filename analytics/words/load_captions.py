"""What the pictures of the load page say."""

from __future__ import annotations

import math

import numpy as np

from analytics.driveline.load import SHAFTS
from analytics.ratings.by_load import Compared
from analytics.ratings.load_review import (
    LoadReview,
    failed_by_margin,
    has_margin,
    margin_at,
    rated_on,
    reference_power,
    stood,
)
from analytics.ratings.options import STRENGTHS
from analytics.reasons import Stands
from analytics.words.load import fared
from analytics.words.phrases import capital, listed
from analytics.words.saying import say
from analytics.words.units import distance, name_of, power, weight

BY_MARGIN_QUESTION = "Do the lives with less margin fail more?"
LIVES_QUESTION = "Does life fall with torque as it should?"
RATED_QUESTION = "What may it be rated at?"


def margin_question(part: str) -> str:
    """The question over the margins. part: its name."""
    return f"How much does {part} have in hand?"


def part_caption(review: LoadReview, component: str, part: str) -> str:
    """What the four pictures of a part say. review: of the loads; component: its name."""
    captions = (margin_caption, by_margin_caption, compared_caption)
    return " ".join(filter(None, (c(review, component, part) for c in captions)))


def at_one(shaft: bool) -> str:
    """What the line at a margin of 1 is, of a shaft or else of a clutch."""
    return "a careful design starts here " if shaft else "slips "


def band(low: float, high: float) -> str:
    """A band of margin from low to high: '0.12 to 0.15'."""
    return f"{_margin(low)} to {_margin(high)}" if _margin(low) != _margin(high) else _margin(low)


def _margin(value: float) -> str:
    return f"{value:.2f}" if value < 1 else f"{value:.1f}"


def margin_caption(review: LoadReview, component: str, part: str) -> str:
    """How much the part has in hand at its reference power, with what the tyres might spare it beside. review: of the loads; component: its name."""
    if not has_margin(review, component, part):
        return "Its make is not on record, so there is no margin: add it to the sheet of parts."
    power_hp, weight_lb = reference_power(review, component, part), review.records.shop.weight.classes[0]
    here = margin_at(review, component, part, np.array([power_hp]), weight_lb).iloc[0]
    shaft = review.loads.kinds[component] in SHAFTS
    what = (
        "at the worst notch, under a shock by the handbook's factor, with the least strength and the most torque that what is on record allows"
        if shaft
        else "with the least pressure and friction and the most torque that what is on record allows"
    )
    whole, capped = _margin(here["whole"]), _margin(here["capped"])
    spared = (
        f" If the tyres of a {weight(weight_lb)} truck slip as taken here it is {capped}; don't build on that."
        if capped != whole
        else ""
    )
    checked = capital(fared(stood(review, component, part, float(here["whole"])))) + "."
    middle = f"With all that is not known at its middle it is {_margin(here['whole_middle'])}."
    made = review.loads.made(component, part)
    joint = (
        f" It is made of {made['pieces']:.0f} pieces: the joint between them is in no margin, and is the first suspect."
        if shaft and made is not None and made["pieces"] > 1
        else ""
    )
    return f"At {power(power_hp)} its weakest margin is {whole}: {what}.\n{checked} {middle}{spared}{joint}"


def by_margin_caption(review: LoadReview, component: str, part: str) -> str:
    """Whether margins tell the lives that failed from the others; nothing where there are no margins.
    review: of the loads; component, part: their names."""
    found = failed_by_margin(review, component, part)
    if found.bands.empty:
        return ""
    first, last = found.bands.iloc[0], found.bands.iloc[-1]
    lines = [
        f"Of the lives with the least margin ({band(first['low'], first['high'])}) {first['failed']:.0f} of {first['lives']:.0f} failed"
        + (
            f", of those with the most ({band(last['low'], last['high'])}) {last['failed']:.0f} of {last['lives']:.0f}."
            if len(found.bands) > 1
            else "."
        )
    ]
    if found.failures and found.above > found.failures / 2:
        lines.append(
            f"{found.above} of {found.failures} failures lie far above a margin of 1, so the margin does not explain them: the torque was higher than "
            "what is on record, the part weaker than its drawing, or something else broke it. Don't build on such a margin."
        )
    elif found.failures and not found.p_value < 0.05:
        lines.append(
            "Lives with less margin did not fail more often than chance may have it, so it is not shown that the margin tells who fails"
            + ("; but all of them lie under 1." if last["high"] < 1 else ".")
        )
    below = stood(review, component, part, 1.0)
    if below.says is Stands.CLEARED:
        shaft = review.loads.kinds[component] in SHAFTS
        what = (
            "1 is where a careful design starts, not where a part breaks"
            if shaft
            else "pressure and friction are seldom at their least, nor the torque at its most"
        )
        lines.append(
            f"Of all {below.lives:,} with 1 or less {below.failed:,} failed before {distance(below.miles)} and {below.lasted:,} are known to have passed them: {what}. "
            "Use it to compare parts and trucks."
        )
    return " ".join(lines)


def compared_caption(review: LoadReview, component: str, part: str) -> str:
    """The rating on power, torque and margin in the lightest class, before calibration. review: of the loads; component, part: their names."""
    own = rated_on(review, component, part)
    if not own[["bound_hp", "estimate_hp"]].notna().any(axis=None):
        return "On none of power, torque and margin a rating comes out."
    lightest = own["weight_up_to"].min()
    first = own[own["weight_up_to"] == lightest].set_index("strength")
    first = first.loc[[s for s in STRENGTHS if s in first.index]]
    said = [
        f"{'at least ' if r.at_least else ''}{power(r.bound_hp)} on {r.Index}"
        for r in first.itertuples()
        if math.isfinite(r.bound_hp)
    ]
    words = f"Up to {weight(lightest)}, before calibration: {listed(said)}." if said else "No rating comes out."
    if np.isfinite(first["bound_hp"].drop("power", errors="ignore").to_numpy(float)).any():
        words += f" On torque and margin that is for an engine as slow as these come; give the {name_of('torque')}, and ask for them."
        found = review.explained.get((component, part))
        if not isinstance(found, Compared) or found.decided != "load":
            words += " It is not shown that torque explains its returns, so go by power."
    return words + (_none_after(review, component, part) if said else "") + _on_torque(review, component, part)


def _none_after(review: LoadReview, component: str, part: str) -> str:
    """That the rating itself supports nothing in the lightest class; nothing where it does."""
    own = review.ratings[(review.ratings["component"] == component) & (review.ratings["part"] == part)]
    supported = own.sort_values("weight_up_to")["bound_hp"].head(1)
    return (
        ""
        if np.isfinite(supported.to_numpy(float)).all()
        else " The rating, calibrated, supports nothing there: build on none of these."
    )


def _on_torque(review: LoadReview, component: str, part: str) -> str:
    """Why there is no rating on torque; nothing where there is one, or where the lines over the picture say why."""
    if review.options.strength != "power":
        return ""
    left = [x.why for x in review.left if (x.component, x.part, x.strength) == (component, part, "torque")]
    return f" Not on torque: {say(left[0])}." if left else ""
