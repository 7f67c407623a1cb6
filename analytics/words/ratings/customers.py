"""The sheet for customers in words."""

from __future__ import annotations

import math

from analytics.ratings.customers import Below, Line, Told, below_weaker, customer_lines, lowers
from analytics.ratings.sheet import Ratings
from analytics.words.phrases import listed
from analytics.words.units import counted, power, weight

CONDITIONS = "Holds for the part revision named, the weights shown (truck as driven, without trailer), stock rpm limits and the fluid and tune the unit was built for. A truck is good only to the lowest line of the parts in it. More power, more weight, another use or a retune: ask again."
_DRAFT = "Draft, not to be handed out: some figures are lower than what is published and not yet accepted by the owner."
_STAR = "* Set by judgement: our records do not yet support it at the certainty of the others, or no further than the figure after it."


def told_words(told: Told) -> str:
    """'650 hp', '900 hp*, sure to 650 hp', or 'ask us' where no power may be told; in the shop's own units."""
    if told.hp is None:
        return "ask us"
    supported = f", sure to {power(told.supported_hp)}" if told.supported_hp is not None else ""
    heaviest = f" to {weight(told.up_to_lb)}" if told.up_to_lb is not None else ""
    return f"{power(told.hp)}{'*' if told.judged else ''}{heaviest}{supported}"


def cells(line: Line) -> list[str]:
    """Of a ``line``: component, part, uses and life it holds for, what may be told by weight class, how many came back."""
    seen = f"{line.failures:,.0f} of {line.units:,.0f}" if line.failures else f"none of {line.units:,.0f}"
    # a use that nobody wrote down is none to tell a customer
    named = [use for use in line.uses if use]
    uses = listed(named) if named else "ask us for which use" if line.uses else "any use"
    holds = f"{uses}, {counted(line.life, line.counted)}"
    name = [line.component, line.part] if line.first else ["", ""]
    return [*name, holds, *map(told_words, line.told), seen]


def headings(ratings: Ratings) -> list[str]:
    """Of the columns of these ``ratings``: what each line is for, by weight class what may be told, how many came back."""
    edges = ratings.records.shop.weight.classes
    weighed = ratings.table.loc[ratings.table["use"] == "", "weight_up_to"].map(math.isfinite).any()
    classes = [*(f"truck up to {weight(edge)}" for edge in edges), "heavier"] if weighed else ["any weight"]
    return ["component", "part", "holds for", *classes, "came back"]


def _below(found: Below) -> str:
    seen = [
        f"{failures:,.0f} of {units:,.0f} came back"
        for failures, units in zip(found.failures, found.units, strict=True)
    ]
    if found.thinner:
        return f"{found.part} stands below {found.weaker} because less is known of it ({seen[0]}; of {found.weaker} {seen[1]}), not because it is weaker."
    return f"{found.part} stands below {found.weaker}: on our records it has not lasted better so far ({seen[0]}; of {found.weaker} {seen[1]})."


def notes(ratings: Ratings) -> dict[str, str]:
    """Beside the ``ratings``: as_of; draft, star and below, each "" where it does not apply; basis and conditions."""
    promise, as_of, lines = ratings.options.promise, ratings.records.as_of, customer_lines(ratings)
    judged = any(told.judged for line in lines for told in line.told)
    return {
        "as_of": f"{as_of.day} {as_of:%B %Y}",
        "draft": _DRAFT if lowers(ratings.table[ratings.table["use"] == ""]) else "",
        "star": _STAR if judged else "",
        "below": " ".join(_below(found) for found in below_weaker(ratings, lines)),
        "basis": (
            f"Unless starred, each figure is the highest power at which, on our records up to that day, we are {promise.confidence:.0%} sure that {promise.reliability:.0%} last the life on their line in the harshest use named there, or the limit published if that is lower. A use that no line names: ask us. It assumes powers as recorded at the build, at the crank, and allows for failures that nobody reported."
        ),
        "conditions": CONDITIONS,
    }
