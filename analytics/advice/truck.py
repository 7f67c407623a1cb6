"""The truck of a question, from what a person says of it; what cannot be, or is missing, comes back as a plain question."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from analytics.driveline.assumptions import OWN
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import Lifetimes
from analytics.records import cells
from analytics.records.loads import LEAST_TRUCK
from analytics.records.measures import DAYS_A_MONTH
from analytics.records.own_units import Kind, said_weight, unit_of
from analytics.records.shop import Shop, Units
from analytics.records.words import MEASURED, choose

#: how much more "about 700" may be: common practice, no source
ABOUT = 1.05
#: a truck that tows and is said to weigh so many times the heaviest on record was weighed with its trailer
_WITH_TRAILER = 1.1
#: shape of wear by which a spread of drivers is turned into one figure of miles: common practice, no source
_WEAR = 2.0
_FEWEST_READ = 5
#: words of uses that ask more of a truck than the road: common practice, no source
_HARSH = (
    "race",
    "racing",
    "drag",
    "strip",
    "sled",
    "pull",
    "drift",
    "burnout",
    "mud",
    "rock",
    "crawl",
    "compet",
    "launch",
    "offroad",
    "off-road",
)
#: below these, hp and lb, it is no truck: common practice, no source
_LEAST = {"power": 50, "weight": 1500}
#: what of a truck is told in a unit
_MEASURED: dict[str, Kind] = {
    "life": "distance", "torque": "torque", "trailer_weight": "weight", "tyre_diameter": "length", "line_pressure": "pressure",
    "converter_pressure": "pressure",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked, as a person says it: texts or numbers, "" for what is not said.

    power, weight: of the truck, "720", "about 700", "540 kW", "8,200 lb". use: one, or several with "and" between. measured_at:
    crank or wheels; "" as the shop says. life: miles; passes or months in its place. own: figures of the truck by their names in
    OWN. reliability, confidence: None as the shop says.
    """

    power: str | float
    weight: str | float
    use: str = ""
    measured_at: str = ""
    life: float | None = None
    passes: float | None = None
    months: float | None = None
    own: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Truck:
    """A truck as it is reckoned with. power_hp: at the crank, the most it may be by what was said; said_hp: the middle of that.
    uses: each on record by this name; none where the shop keeps no uses. life_miles: the life asked for; life_said: the amount it was asked
    in and its unit (miles, passes, months). at_wheels, about: how the power was given. apart: uses with a target of their own in shop.toml, and the life in what that is counted in; where all
    are such, life_miles is NaN. own: its own figures, by name in OWN.
    """

    power_hp: float
    said_hp: float
    weight_lb: float
    uses: tuple[str, ...]
    life_miles: float
    life_said: tuple[float, str]
    at_wheels: bool = False
    about: bool = False
    apart: tuple[tuple[str, float], ...] = ()
    own: tuple[tuple[str, float], ...] = ()


def wish_of(**told: Any) -> Wish:
    """A wish from what was told by name; ``own`` as a dict. Raises AnalyticsError on a name that is not asked for."""
    names = {f.name for f in fields(Wish)}
    strange = sorted(set(told) - names)
    if strange:
        raise AnalyticsError(f"{', '.join(strange)} is not asked of a truck. It takes {', '.join(sorted(names))}.")
    own = dict(told.pop("own", None) or {})
    return Wish(**told, own=tuple(own.items()))


def in_ours(name: str, told: float, units: Units) -> float:
    """A figure of a truck by its ``name``, ``told`` in the ``units`` of the shop, in ours (miles, lb ft, lb, in, psi)."""
    return told * unit_of(_MEASURED[name], units)[1] if name in _MEASURED else told


def truck_of(wish: Wish, shop: Shop, lifetimes: Lifetimes) -> Truck:
    """The truck that a ``wish`` speaks of, in this ``shop`` with these ``lifetimes``. Raises AnalyticsError with the question to ask where something is missing or cannot be."""
    power, low, high, where, about = _quantity(wish.power, cells.POWER, shop.units.power)
    factor = _to_crank(where, wish.measured_at, shop)
    uses = _uses(wish.use, shop, lifetimes)
    weight = _weight(wish, uses, shop, lifetimes)
    apart = _apart(wish, uses, shop)
    others = tuple(use for use in uses if use not in dict(apart))
    if apart and not others:
        life, said = math.nan, (apart[0][1], shop.targets.uses[apart[0][0]].counted)
    else:
        life, said = _life(wish, others, shop, lifetimes)
    return Truck(
        power_hp=(max(high, power * ABOUT) if about else high) * factor,
        said_hp=power * factor,
        weight_lb=weight,
        uses=uses,
        life_miles=life,
        life_said=said,
        at_wheels=factor > 1,
        about=about or high > low,
        apart=apart,
        own=_own(wish.own),
    )


def _quantity(said: str | float, kind: cells.Quantity, unit: str) -> tuple[float, float, float, str, bool]:
    text = "" if said is None else f"{said:g}" if isinstance(said, int | float) else str(said)
    value, low, high, qualifier, about, problem, remedy = cells.parse_quantity(text, kind, unit)
    if problem:
        raise _ask(kind, f"{text!r} {'is ' if problem.startswith('outside') else ''}{problem}: {remedy}.")
    if math.isnan(value):
        raise _ask(kind, f"Give the {kind.name}, such as {kind.example}.")
    if value < _LEAST[kind.name]:
        raise _ask(
            kind,
            f"{value / kind.units[unit.casefold()]:,.0f} {unit} cannot be a truck's {kind.name}: check figure and unit.",
        )
    return value, low, high, qualifier, about


def _ask(kind: cells.Quantity, why: str) -> AnalyticsError:
    """The question to ask back, and why."""
    return AnalyticsError(
        f"{'How much power does it make?' if kind is cells.POWER else 'What does the truck weigh as driven, without a trailer?'} {why}"
    )


def _to_crank(beside: str, measured_at: str, shop: Shop) -> float:
    found = choose(pd.Series([measured_at]), MEASURED, shop.names.words.get("measured_at", {})).iloc[0]
    if found["problem"]:
        raise AnalyticsError(f"Was the power measured at the crank or at the wheels? {measured_at!r} is neither.")
    where = beside or found["value"] or shop.power.measured_at
    return 1 / (1 - shop.power.driveline_loss) if where == "wheels" else 1.0


def _uses(said: str, shop: Shop, lifetimes: Lifetimes) -> tuple[str, ...]:
    """Every use on record that the words name, by any word of it the shop has; a use nobody here had stands as it was said."""
    known = sorted(u for u in lifetimes.units["use"].fillna("").astype(str).unique() if u)
    text = " ".join(str(said).split()).casefold()
    if not known:
        return ()
    if not text:
        raise AnalyticsError(f"What is the truck used for? On record are {', '.join(known)}.")
    words = {use: (use, *shop.names.words.get("use", {}).get(use, ())) for use in known}
    named = tuple(use for use in known if _names(text, words[use]))
    # "road racing" is no street: what asks more of a truck than the uses its words name stands as it was said
    names = sorted((re.escape(w) for use in named for w in words[use]), key=len, reverse=True)
    rest = re.sub(rf"\b(?:{'|'.join(names)})\w*", "", text)
    return (*named, *([text] if not named or _names(rest, _HARSH) else []))


def _names(text: str, words: tuple[str, ...]) -> bool:
    """Whether a word of the text begins with one of these."""
    return any(re.search(rf"\b{re.escape(w)}", text) for w in words)


def _weight(wish: Wish, uses: tuple[str, ...], shop: Shop, lifetimes: Lifetimes) -> float:
    said = wish.weight
    on_record = lifetimes.units["weight_lb"].dropna()
    if not len(on_record):
        return math.inf
    weight, _, high, kind, about = _quantity(said, cells.WEIGHT, shop.units.weight)
    if kind == "combined":
        trailer = dict(wish.own).get("trailer_weight", 0.0)
        if not 0 < trailer <= (1 - LEAST_TRUCK) * weight:
            raise _ask(
                cells.WEIGHT,
                f"{said!r} is with the trailer, and trucks on record are weighed without: give the trailer's weight beside it (trailer_weight; typed, --given trailer_weight=14000), or "
                "the truck alone.",
            )
        weight, high = weight - trailer, high - trailer
    if any("tow" in use for use in uses) and weight > _WITH_TRAILER * on_record.max() and kind == "":
        raise _ask(
            cells.WEIGHT,
            f"{said_weight(weight, shop.units)} is more than any truck on record ({said_weight(on_record.max(), shop.units)}): if that is with the trailer, give the truck "
            "alone; if it is the truck, write 'as driven' beside it.",
        )
    return max(weight * ABOUT if about else weight, high)


def _own(told: tuple[tuple[str, float], ...]) -> tuple[tuple[str, float], ...]:
    for name, value in told:
        if name not in OWN:
            raise AnalyticsError(
                f"{name!r} is no figure of a truck that is reckoned with. There are: {', '.join(OWN)}."
            )
        low, high = OWN[name]
        if not low <= value <= high:
            raise AnalyticsError(f"{name} is {value:g}: give a number from {low:,g} to {high:,g}.")
    return tuple((name, float(value)) for name, value in told)


def _apart(wish: Wish, uses: tuple[str, ...], shop: Shop) -> tuple[tuple[str, float], ...]:
    """Uses whose life is counted by itself, and that life: as asked for in the same unit, else as promised."""
    found = []
    for use in uses:
        target = shop.targets.uses.get(use)
        if target is None:
            continue
        asked = {"miles": wish.life, "months": wish.months}.get(target.counted, wish.passes)
        if asked is None and (wish.life, wish.passes, wish.months) != (None,) * 3 and len(uses) == 1:
            raise AnalyticsError(
                f"How long shall it last? This shop counts {use} in {target.counted}: give it in those."
            )
        found.append((use, target.life if asked is None else float(asked)))
    return tuple(found)


# ---- the life asked for ------------------------------------------------------------------------------------------------
def _life(wish: Wish, uses: tuple[str, ...], shop: Shop, lifetimes: Lifetimes) -> tuple[float, tuple[float, str]]:
    asked = [
        (v, unit)
        for v, unit in ((wish.life, "miles"), (wish.passes, "passes"), (wish.months, "months"))
        if v is not None
    ]
    if len(asked) > 1:
        raise AnalyticsError("How long shall it last? Give miles, passes or months, one of them.")
    value, unit = asked[0] if asked else (shop.targets.miles, "miles")
    if not 0 < value < 1e7:
        raise AnalyticsError(f"How long shall it last? {value:g} {unit} cannot be: give a number above 0.")
    miles = {"miles": lambda: value, "months": lambda: _in_months(value, uses, lifetimes)}
    return miles.get(unit, lambda: _in_passes(value, uses, lifetimes))(), (float(value), unit)


def _in_months(months: float, uses: tuple[str, ...], lifetimes: Lifetimes) -> float:
    """Miles in so many months: the mean of order _WEAR over the drivers of the use that drives most, log-normal as in the ratings."""
    units = lifetimes.units
    known = units[(units["miles"] > 0) & (units["miles_days"] >= 30)]
    found = [
        _rate(own) for use in uses or ("",) if len(own := known[known["use"].eq(use) | (not uses)]) >= _FEWEST_READ
    ]
    if not found:
        raise AnalyticsError(
            "How many miles shall it last? Too few odometers of such trucks are on record to turn months into miles."
        )
    return months * DAYS_A_MONTH * max(found)


def _rate(own: pd.DataFrame) -> float:
    rate = np.log(own["miles"] / own["miles_days"])
    return float(np.exp(rate.mean() + _WEAR * rate.var(ddof=1) / 2))


def _in_passes(passes: float, uses: tuple[str, ...], lifetimes: Lifetimes) -> float:
    """Miles that go with so many passes or pulls: by the median of the trucks of the use with both counted."""
    table = lifetimes.table
    both = table[(table["lower_runs"] > 0) & (table["lower_miles"] > 0)].drop_duplicates("serial")
    found = [
        float((own["lower_miles"] / own["lower_runs"]).median())
        for use in uses or ("",)
        if len(own := both[both["use"].eq(use) | (not uses)]) >= _FEWEST_READ
    ]
    if not found:
        raise AnalyticsError(
            "How many miles shall it last? Too few such trucks have both passes and miles on record to turn passes into miles."
        )
    return passes * max(found)
