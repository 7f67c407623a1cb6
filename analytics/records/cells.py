"""One cell at a time: text to a value with its unit, or the reason why not.

Parsing works on the distinct texts of a column (see ``by_distinct``), so a million rows cost what their distinct
values cost. 1 hp = 745.69987 W and 1 PS = 735.49875 W, 1 lb = 0.45359237 kg, 1 mile = 1.609344 km: scipy.constants.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import constants

#: what people type for "not known"; never a doubt, just a blank
BLANKS = frozenset(
    {"", "-", "--", "---", "?", "??", "n/a", "na", "nan", "null", "nil", "none", "unknown", "unk", "not known"}
    | {"not recorded", "tbd", "tba", "tbc"}
)

_NUMBER = r"[+-]?(?:\d[\d,.'’\u00a0\u202f ]*\d|\d|\.\d+)(?:e[+-]?\d+)?"
_QUANTITY = re.compile(
    rf"""^(?P<about>(?:approximately|approx\.?|about|abt\.?|around|circa|ca\.?|c\.|est\.?|say|~|≈)\s*)?
    (?P<a>{_NUMBER})\s*(?P<ka>k(?![a-z]))?
    (?:\s*(?P<ua>[a-z]{{1,5}})?\s*(?:-|–|—|\bto\b)\s*(?P<b>{_NUMBER})\s*(?P<kb>k(?![a-z]))?)?
    \s*(?P<more>\+|\?|ish\b)?\s*(?P<tail>[^\d]*)$""",
    re.IGNORECASE | re.VERBOSE,
)
_ABOUT = {"approx", "approx.", "approximately", "about", "est", "est.", "estimated", "ish", "?", "+", "claimed"}

_HP = constants.hp
_POWER = {
    "hp": 1.0,
    "bhp": 1.0,
    "whp": 1.0,
    "rwhp": 1.0,
    "horsepower": 1.0,
    "kw": 1000 / _HP,
    "ps": 735.49875 / _HP,
    "cv": 735.49875 / _HP,
    "pk": 735.49875 / _HP,
}
_WHERE = {
    "whp": "wheels",
    "rwhp": "wheels",
    "wheels": "wheels",
    "wheel": "wheels",
    "bhp": "crank",
    "crank": "crank",
    "flywheel": "crank",
    "engine": "crank",
}
_WEIGHT = {
    "lb": 1.0,
    "lbs": 1.0,
    "lbs.": 1.0,
    "lb.": 1.0,
    "pounds": 1.0,
    "#": 1.0,
    "kg": 1 / constants.lb,
    "kgs": 1 / constants.lb,
    "t": 1000 / constants.lb,
    "tonne": 1000 / constants.lb,
    "tonnes": 1000 / constants.lb,
}
_KIND = {
    "gvwr": "rating plate",
    "plate": "rating plate",
    "rating plate": "rating plate",
    "curb": "curb",
    "kerb": "curb",
    "scale": "scale ticket",
    "ticket": "scale ticket",
    "scale ticket": "scale ticket",
    "combined": "combined",
    "gcw": "combined",
    "gcwr": "combined",
    **dict.fromkeys(
        ("with trailer", "w/ trailer", "w trailer", "incl trailer", "incl. trailer", "and trailer"), "combined"
    ),
    "as raced": "as raced",
    "raced": "as raced",
    "race": "as raced",
    "as driven": "as driven",
    "driven": "as driven",
}
_DISTANCE = {
    "mi": 1.0,
    "mi.": 1.0,
    "mile": 1.0,
    "miles": 1.0,
    "km": constants.kilo / constants.mile,
    "kms": constants.kilo / constants.mile,
    "kilometers": constants.kilo / constants.mile,
    "kilometres": constants.kilo / constants.mile,
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """What can be written in a cell of one kind: its units (factor to ours), words beside the number, plausible range."""

    name: str
    units: dict[str, float]
    unit: str
    low: float
    high: float
    qualifiers: dict[str, str]
    shown_units: str
    example: str


#: plausible ranges are wide on purpose: common practice, no source
POWER = Quantity("power", _POWER, "hp", 20, 5000, _WHERE, "hp, whp, kW, PS", "1,050 hp, 1,050 whp or 620 kW")
WEIGHT = Quantity("weight", _WEIGHT, "lb", 500, 120_000, _KIND, "lb, kg, t", "8,200 lb or 3.9 t")
DISTANCE = Quantity("distance", _DISTANCE, "miles", 0, 2_000_000, {}, "mi, km", "12,400 mi or 88k km")


def is_blank(text: str) -> bool:
    """Whether a cell says nothing, or holds the error of a formula. text: of the cell."""
    return text.strip().casefold() in _SAYS_NOTHING


_ERRORS = frozenset(
    {"#n/a", "#na", "#ref!", "#div/0!", "#value!", "#name?", "#num!", "#null!", "#spill!", "#calc!", "#getting_data"}
)
_SAYS_NOTHING = frozenset(BLANKS) | _ERRORS
ERROR = ("a spreadsheet error, not a value", "repair the formula in the sheet")


def is_error(text: str) -> bool:
    """Whether a cell holds a spreadsheet's error in place of a value. text: of the cell."""
    return text.strip().casefold() in _ERRORS


def by_distinct(text: pd.Series, parse: Callable[[str], tuple], columns: list[str]) -> pd.DataFrame:
    """Parse each distinct text of a column once. ``parse`` returns one tuple per text, in the order of ``columns``."""
    codes, distinct = pd.factorize(text)
    parsed = pd.DataFrame([parse(t) for t in distinct], columns=columns)
    return parsed.take(codes).set_axis(text.index)


def parse_number(text: str) -> float | None:
    """A number with thousands marks or a decimal comma, or None. '1,050' is 1050, '3,9' is 3.9, '1.050,5' is 1050.5.

    text: of the cell.
    """
    s = text.strip().replace("\u00a0", " ").replace("\u202f", " ").replace("’", "'")
    if re.fullmatch(r"[+-]?\d{1,3}([, '])\d{3}(\1\d{3})*(\.\d+)?", s):
        s = re.sub(r"[, ']", "", s)
    elif re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+|[+-]?\d{1,3}(\.\d{3}){2,}", s):
        s = s.replace(".", "").replace(",", ".")
    elif re.fullmatch(r"[+-]?\d+,\d{1,2}", s):
        s = s.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", s, re.IGNORECASE):
        return None
    value = float(s)
    return value if np.isfinite(value) else None


QUANTITY_COLUMNS = ["value", "low", "high", "qualifier", "about", "problem", "remedy"]


def parse_quantity(text: str, kind: Quantity, default_unit: str) -> tuple:
    """(value, low, high, qualifier, about, problem, remedy) of one cell, in our unit; NaN where it says nothing.

    ``low`` and ``high`` differ from ``value`` (their midpoint) where a range was written. ``qualifier`` is the word
    beside the number that says how it was measured. ``problem`` is "" or the reason why there is no value.
    text: of the cell; kind: of amount; default_unit: what a bare number is in.
    """
    if is_error(text):
        return _unread(*ERROR)
    if is_blank(text):
        return _unread("", "")
    if text.strip().startswith("+"):
        return _unread("says how much more, not how much", "write the whole figure")
    match = _QUANTITY.match(text.strip())
    a = parse_number(match["a"]) if match else None
    b = parse_number(match["b"]) if match and match["b"] else a
    if match is None or a is None or b is None:
        remedy = f"write a number, with its unit if it is not {default_unit}, e.g. {kind.example}"
        return _unread(f"cannot be read as a {kind.name}", remedy)
    if kind is DISTANCE and not match["ka"] and (found := _two_ways(a, match["a"].strip())):
        return found
    a *= 1000 if match["ka"] or (match["kb"] and a < b) else 1
    b *= 1000 if match["kb"] or (match["ka"] and not match["b"]) else 1
    return _in_unit(match, a, b, kind, default_unit)


def _two_ways(a: float, typed: str) -> tuple | None:
    """What `parse_quantity` gives of a distance ``a`` whose mark can be one of thousands, as typed; None of others."""
    if re.fullmatch(r"\d{1,3}\.\d{3}", typed):
        return _unread(f"could be {a:,.1f} or {a * 1000:,.0f}", f"write it as {a * 1000:,.0f} or {a:.1f}")
    if re.fullmatch(r"\d+,\d{1,2}", typed):
        return _unread(f"could be {a:,.2f}, or a digit is missing", "write it without a comma")
    return None


def _in_unit(match: re.Match, a: float, b: float, kind: Quantity, default_unit: str) -> tuple:
    """What `parse_quantity` gives of the numbers a and b of a cell, by the words beside them."""
    unit, qualifier, about, strange = _tail(match["tail"], kind)
    first_unit = (match["ua"] or "").casefold()
    if first_unit and (first_unit not in kind.units or (unit and kind.units[unit] != kind.units[first_unit])):
        strange = match["ua"]
    if strange:
        reason = f"unit or word {strange!r} is not known for a {kind.name}"
        return _unread(reason, f"use one of {kind.shown_units}, or take the word out of the cell")
    factor = kind.units[unit or first_unit or default_unit.casefold()]
    low, high = sorted((a * factor, b * factor))
    about = about or bool(match["about"]) or bool(match["more"])
    return _out_of_range(low, high, kind) or ((low + high) / 2, low, high, qualifier, about, "", "")


def _unread(problem: str, remedy: str) -> tuple:
    """What `parse_quantity` gives of a cell without a value."""
    return np.nan, np.nan, np.nan, "", False, problem, remedy


def _out_of_range(low: float, high: float, kind: Quantity) -> tuple | None:
    """Why a quantity cannot be, or cannot be used, if so."""
    if not (kind.low <= low and high <= kind.high):
        return _unread(f"outside {kind.low:,.0f} to {kind.high:,.0f} {kind.unit}", "check the figure and its unit")
    if high > 2 * low > 0 or high > low == 0:
        reason = f"the range from {low:,.0f} to {high:,.0f} {kind.unit} is too wide to use"
        return _unread(reason, "find out which it is")
    return None


def written(value: float, kind: Quantity, unit: str) -> str:
    """The shortest text, in ``unit`` or in ``kind.unit``, that parse_quantity reads back as exactly ``value`` (in kind.unit)."""
    texts = [f"{_not_thousands(f'{value:.15g}')} {kind.unit}", f"{_not_thousands(repr(float(value)))} {kind.unit}"]
    for digits in range(13):
        texts.append(f"{_not_thousands(f'{value / kind.units[unit.casefold()]:.{digits}f}')} {unit}")
    return min((t for t in texts if parse_quantity(t, kind, unit)[0] == value), key=len)


def _not_thousands(number: str) -> str:
    """3.402 as 3.4020: three places after a point could be thousands."""
    return number + "0" if re.fullmatch(r"\d{1,3}\.\d{3}", number) else number


def _tail(tail: str, kind: Quantity) -> tuple[str, str, bool, str]:
    """Unit, qualifier, whether 'about', and the first word that is none of these."""
    unit, qualifier, about = "", "", False
    text = tail.strip().casefold()
    for phrase in sorted(kind.qualifiers, key=len, reverse=True):
        if " " in phrase and phrase in text:
            qualifier, text = kind.qualifiers[phrase], text.replace(phrase, " ")
    for word in re.findall(r"[^\s(),;/@]+", text):
        if word in ("at", "the", "of"):
            continue
        known = False
        if word in kind.units and not unit:
            unit, known = word, True
        if word in kind.qualifiers:
            qualifier, known = kind.qualifiers[word], True
        if word in _ABOUT:
            about, known = True, True
        if not known:
            return unit, qualifier, about, word
    return unit, qualifier, about, ""


_BESIDE = re.compile(
    r"^\s*(?:[$€£]|usd|eur|gbp)\s*|\s*(?:[$€£]|usd|eur|gbp|rpm|runs?|passes|pulls|hooks)\.?\s*$", re.IGNORECASE
)


def parse_plain(
    text: str, low: float, high: float, whole: bool, name: str, thousands: bool = False
) -> tuple[float, str, str]:
    """(value, problem, remedy) of a plain number such as a count, runs, rpm or money.

    thousands: whether three places after a point may be thousands, as in money, so that 1.250 is not believed.
    text: of the cell. low, high: what is believed, both included. whole: whether it must be a whole number.
    name: what messages call it.
    """
    if is_error(text):
        return np.nan, *ERROR
    if is_blank(text):
        return np.nan, "", ""
    bare = _BESIDE.sub("", text)
    value = parse_number(bare)
    if value is not None and (thousands or whole) and re.fullmatch(r"\d{1,3}\.\d{3}", bare.strip()):
        either = f"could be {value:,.2f} or {value * 1000:,.0f}"
        remedy = (
            f'write it as {value * 1000:.0f} or {value:.2f}, or state decimal = "comma" under its [sheets] in shop.toml'
        )
        return np.nan, either, remedy
    if value is None:
        return np.nan, f"not a number for {name}", "write a plain number"
    if not low <= value <= high or (whole and value != int(value)):
        kind = "a whole number " if whole else ""
        return np.nan, f"{name} must be {kind}from {low:,.0f} to {high:,.0f}", "check the figure"
    return value, "", ""


def tidy(text: pd.Series) -> pd.Series:
    """Free text without case and double spaces; blank where it says nothing."""
    return by_distinct(text, lambda t: ("" if is_blank(t) else " ".join(t.split()).casefold(),), ["t"])["t"]
