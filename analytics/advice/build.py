"""The build as a whole: what it costs, whether anything comes back, and where the next money is best spent."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analytics.advice.answer import Choice, ComponentAdvice, NextUp, WholeBuild
from analytics.advice.chance import Chance


def apart(one: Chance, other: Chance) -> tuple[float, float, float]:
    """How many fewer in a hundred fail with the ``other`` than with the ``one``: best estimate and both ends.

    The ends from those of each (Zou and Donner, Statistics in Medicine 27 (2008) 1693-1702, from memory): the two parts ran in other
    trucks, so what the records leave open of one says nothing of the other.
    """
    gain = one.estimate - other.estimate
    low = gain - math.hypot(one.estimate - one.low, other.high - other.estimate)
    high = gain + math.hypot(one.high - one.estimate, other.estimate - other.low)
    return 100 * gain, 100 * low, 100 * high


def next_up(fitted: Choice | None, choices: Sequence[Choice]) -> tuple[NextUp, ...]:
    """What each dearer part of the ``choices`` that no rule forbids buys over the one ``fitted``, cheapest first; none where either has no
    answer or price."""
    if fitted is None or fitted.chance is None:
        return ()
    return tuple(
        NextUp(c.component, c.part, fitted.part, c.price - fitted.price, *apart(fitted.chance, c.chance))
        for c in choices
        if c.chance is not None and not c.rules and c.price > fitted.price
    )


def over_cheaper(pick: Choice | None, choices: Sequence[Choice]) -> tuple[NextUp, ...]:
    """What the ``pick`` buys over each cheaper one of the ``choices`` that the records alone speak against: whether the step was worth it is for
    the owner to see."""
    if pick is None:
        return ()
    return tuple(up for c in choices if not c.rules and c.price < pick.price for up in next_up(c, (pick,)))


def by_money(choices: Sequence[Choice], comeback: float) -> Choice | None:
    """Of the ``choices`` that no rule forbids, the one whose price and expected comebacks (at so much a ``comeback``) come to least; None where none
    has both known."""
    told = [c for c in choices if not c.rules and math.isfinite(c.cost(comeback))]
    return min(told, key=lambda c: c.cost(comeback), default=None)


def whole_build(components: Sequence[ComponentAdvice]) -> WholeBuild:
    """Of the parts advised in the ``components``, or what stands in their place. They fail one by one as the ratings take them; the ends of the chance that none
    does are put together on its logarithm as in `apart`."""
    fitted = [c.fitted for c in components if c.fitted is not None]
    known = {f.component: f.chance for f in fitted if f.chance is not None}
    shown = [u for c in components for u in c.up if u.shown and c.fitted and u.instead_of == c.fitted.part]
    return WholeBuild(
        price=sum(f.price for f in fitted if math.isfinite(f.price)),
        lasts=_together([*known.values()]),
        unknown=tuple(name for name in (c.component for c in components) if name not in known),
        weakest=max(known, key=lambda name: known[name].estimate, default=""),
        best=max(shown, key=lambda u: u.spared / u.price, default=None),
    )


def _together(chances: Sequence[Chance]) -> tuple[float, float, float]:
    """Chance that none of them fails, and its lower and upper end."""
    if not chances:
        return (math.nan,) * 3
    middle, low, high = (
        [math.log1p(-min(q, 1 - 1e-12)) for q in ends] for ends in zip(*map(_ends, chances), strict=True)
    )
    total = sum(middle)
    down = math.sqrt(sum((m - h) ** 2 for m, h in zip(middle, high, strict=True)))
    up = math.sqrt(sum((lo - m) ** 2 for m, lo in zip(middle, low, strict=True)))
    return math.exp(total), math.exp(total - down), math.exp(min(total + up, 0.0))


def _ends(chance: Chance) -> tuple[float, float, float]:
    return chance.estimate, chance.low, chance.high
