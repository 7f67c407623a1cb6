"""How a person says a number, a list, a thing."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, isfinite, isinf, log10

from analytics.words import units


def plural(n: int, one: str, many: str | None = None) -> str:
    """'1 shaft', '3 shafts', '1,200 shafts'. n: how many; one: its singular; many: its plural where it is not made with an s."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def listed(words: Sequence[str], most: int = 6) -> str:
    """'a', 'a and b', 'a, b and c'; a long list is cut and says how many more. words: to list; most: so many at the most."""
    words = [str(w) for w in words]
    if len(words) > most:
        words = [*words[: most - 1], f"{len(words) - most + 1} more"]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + f" and {words[-1]}" if words else "none"


def percent(share: float) -> str:
    """A share in words a person reads: '4%', '0.6%', 'under 0.1%'."""
    value = 100 * share
    if 0 < value < 0.1:
        return "under 0.1%"
    return f"{value:.1f}%" if value < 10 and round(value) != round(value, 1) else f"{value:.0f}%"


def at_least(share: float) -> str:
    """A share that is only known from below, in whole hundredths, never rounded up: '89%' of .898."""
    return f"{floor(100 * share + 1e-9)}%"


def numbered(value: float, digits: int = 2) -> str:
    """A figure to so many significant digits, without exponents: '0.84', '3.2', '1,240'. value: the number."""
    if value == 0 or isinf(value):
        return "0" if value == 0 else "no limit"
    places = max(0, digits - 1 - floor(log10(abs(value))))
    return f"{value:,.{places}f}"


def one_in(chance: float) -> str:
    """How rarely a ``chance`` comes, in two figures: 'one time in 13', 'one time in 16 million'."""
    times = 1 / max(chance, 1e-300)
    if times >= 1e9:
        return "less than one time in a billion"
    said = times / 1e6 if times >= 1e6 else times
    return f"one time in {round(said, 1 - floor(log10(said))):,.0f}{' million' if times >= 1e6 else ''}"


def money(value: float, currency: str) -> str:
    """A ``value`` of money with the sign of its ``currency``, as a person says it: to three figures and no cent: '$4,000', '$24,100', 'EUR 241,000'."""
    digits = max(len(f"{abs(value):.0f}") - 3, 0)
    amount = f"{round(abs(value), -digits):,.0f}"
    return f"{'-' if value < 0 else ''}{currency}{' ' if currency[-1:].isalnum() else ''}{amount}"


def capital(words: str) -> str:
    """The words as they begin a sentence."""
    return words[:1].upper() + words[1:]


def article(noun: str) -> str:
    """'an input shaft', 'a converter'. noun: in the singular."""
    return f"{'an' if noun[:1].casefold() in 'aeiou' else 'a'} {noun}"


def many(noun: str) -> str:
    """'input shafts', 'valve bodies'. noun: in the singular."""
    return noun[:-1] + "ies" if noun.endswith("y") and noun[-2:-1] not in "aeiou" else noun + "s"


def exact(value: float) -> str:
    """A number as it is, to ten digits: '24,000', '0.125'. value: the number."""
    return f"{value:,.10g}"


def weight(weight_lb: float) -> str:
    """'7,500 lb' or '3,402 kg', or 'any weight' (inf). weight_lb: in lb; inf: any."""
    return "any weight" if isinf(weight_lb) or weight_lb <= 1 else units.weight(weight_lb)


def weight_class(weight_lb: float) -> str:
    """The weight class up to that weight: 'up to 7,500 lb', or 'any weight' (inf). weight_lb: in lb; inf: any."""
    return weight(weight_lb) if isinf(weight_lb) else f"up to {weight(weight_lb)}"


def edge_words(up_to_lb: float, over_lb: float) -> str:
    """The weights a limit holds for: "up to 7,500 lb", "over 9,000 lb", or "any weight" where both are NaN.
    up_to_lb: the upper edge, lb; over_lb: the lower edge, lb."""
    if isfinite(over_lb):
        return f"over {units.weight(over_lb)}"
    return f"up to {units.weight(up_to_lb)}" if isfinite(up_to_lb) else "any weight"
