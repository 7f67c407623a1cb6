"""Rounding and headings: the one place where a table turns into what a person reads."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from analytics.records.own_units import Kind, own_power
from analytics.records.shop import Units
from analytics.words.units import distance, in_units, name_of, own, spoken

_WHOLE, _ONE, _TWO = "{:,.0f}", "{:,.1f}", "{:,.2f}"
#: a year of the calendar; a chance, and under what it is not written out
_YEAR, _CHANCE, _SLIGHT = "{:.0f}", "{:.3g}", 1e-4
#: shares and powers in one column
_MIXED = "mixed"
#: figures of any size, to three digits or so
_ANY = "any"

#: heading and number format of columns whose name alone does not read well
_SHOWN: dict[str, tuple[str, str]] = {
    "year": ("year", _YEAR),
    "power_hp": ("power, hp", _WHOLE),
    "power_limit_hp": ("limit, hp", _WHOLE),
    "weight_lb": ("weight, lb", _WHOLE),
    "weight_up_to_lb": ("up to, lb", _WHOLE),
    "weight_over_lb": ("over, lb", _WHOLE),
    "odometer": ("odometer", _WHOLE),
    "cost": ("cost", _WHOLE),
    "power_at_build_hp": ("power at build, hp", _WHOLE),
    "weight_at_build_lb": ("weight at build, lb", _WHOLE),
    "unit_days_in_service": ("days, whole unit", _WHOLE),
    "days_in_service": ("days in service", _WHOLE),
    "median_years": ("median years out", _ONE),
    "median_miles_a_year": ("median miles a year", _WHOLE),
    "unit_years": ("unit-years", _ONE),
    "last_quarter_unit_years": ("unit-years, last quarter", _ONE),
    "year_before": ("comebacks, year before", _WHOLE),
    "year_before_unit_years": ("unit-years, year before", _ONE),
    "last_quarter": ("comebacks, last quarter", _WHOLE),
    "per_100_unit_years": ("a year per 100", _TWO),
    "lower": ("from", _TWO),
    "upper": ("to", _TWO),
    "back_within_2_years": ("back within 2 years", "{:.1%}"),
    "back_lower": ("from", "{:.1%}"),
    "back_upper": ("to", "{:.1%}"),
    "p_value": ("p", _CHANCE),
    "ratio": ("ratio", _TWO),
    "shape": ("shape", _TWO),
    "shape_lower": ("from", _TWO),
    "shape_upper": ("to", _TWO),
    "largest_gap": ("largest gap to the curve", "{:.1%}"),
    "set_aside": ("set aside", _WHOLE),
    "wrong_lower_share": ("right limit lowered", "{:.0%}"),
    **{
        name: (name.replace("_", " "), _WHOLE)
        for name in ("looks", "raised_above", "raises", "lowers", "tried", "tried_above")
    },
    "weight_up_to": ("up to, lb", _WHOLE),
    "life_miles": ("miles", _WHOLE),
    "life": ("life", _WHOLE),
    "clock": ("counted in", ""),
    "reliability": ("reach them", "{:.0%}"),
    "confidence": ("sure", "{:.0%}"),
    "estimate_hp": ("best estimate, hp", _WHOLE),
    "bound_hp": ("bound, hp", _WHOLE),
    "demonstrated_hp": ("demonstrated, hp", _WHOLE),
    "second_opinion_hp": ("second opinion, hp", _WHOLE),
    "units": ("units", _WHOLE),
    "failures": ("failures", _WHOLE),
    "miles": ("miles run", _WHOLE),
    "drop": ("uncertainty it would take off", "{:.1%}"),
    "in_sample": ("in the random sample", ""),
    "rating_change": ("estimate without it", "{:+.1%}"),
    "loglik": ("log-likelihood", _ONE),
    "median_a_year": ("median miles a year", _WHOLE),
    "from_a_year": ("from", _WHOLE),
    "to_a_year": ("to", _WHOLE),
    "slow_a_year": ("slowest 5%", _WHOLE),
    "fast_a_year": ("fastest 5%", _WHOLE),
    "ratio_from": ("from", _TWO),
    "ratio_to": ("to", _TWO),
    "joint_a_year": ("allowing for who is read", _WHOLE),
    "joint_from": ("from", _WHOLE),
    "joint_to": ("to", _WHOLE),
    "highest_power_hp": ("highest power, hp", _WHOLE),
    "published_hp": ("published, hp", _WHOLE),
    "proposed_hp": ("proposed, hp", _WHOLE),
    "trial_hp": ("may be tried to, hp", _WHOLE),
    "supported_hp": ("supported, hp", _WHOLE),
    "with_known_hp": ("supported with what was known before, hp", _WHOLE),
    "known_hp": ("known before, hp", _WHOLE),
    "upper_hp": ("upper limit, hp", _WHOLE),
    "covered": ("covered", "{:.3f}"),
    "se": ("standard error", "{:.3f}"),
    "median_ratio": ("median bound / truth", "{:.3f}"),
    "p95_ratio": ("95th percentile", "{:.3f}"),
    "first_order_covered": ("before calibration", "{:.3f}"),
    "expected_failures": ("expected failures", _WHOLE),
    "mean_failures": ("failures per unit", "{:.3f}"),
    "by_years": ("by, years", _ONE),
    "in_words": ("in words", ""),
    "share_back": ("came back for it", "{:.1%}"),
    "share_lower": ("from", "{:.1%}"),
    "share_upper": ("to", "{:.1%}"),
    "as_if_alone": ("as if the only finding", "{:.1%}"),
    "all_findings": ("for any finding", "{:.1%}"),
    "all_as_if_alone": ("all, as if alone", "{:.1%}"),
    "share_alike": ("judged alike", "{:.0%}"),
    "by_chance": ("by chance", "{:.0%}"),
    "kappa_lower": ("from", _TWO),
    "kappa_upper": ("to", _TWO),
    "expected_first": ("first, expected", _ONE),
    "share": ("share", "{:.0%}"),
    "upper_if_all": ("to, were all dragged", "{:.0%}"),
    "mean_cost": ("mean cost", _WHOLE),
    "mean_cost_alone": ("mean cost, alone", _WHOLE),
    "age_years": ("by, years", _ONE),
    "mean_comebacks": ("comebacks per unit", "{:.3f}"),
    "compared_comebacks": ("comebacks where new ones are alike", _WHOLE),
    "expected_as_new": ("expected as new", _ONE),
    "sees_double": ("would show double", "{:.0%}"),
    "back_in_a_year": ("back within a year", "{:.1%}"),
    "over_by": ("over by", "{:.0%}"),
    "in_a_year": ("chance in a year", "{:.1%}"),
    "in_miles": ("chance in 10,000 miles", "{:.1%}"),
    "years_out": ("years out", _ONE),
    "value": ("value", _MIXED),
    "proven_hp": ("first-order bound, hp", _WHOLE),
    "price": ("price", _WHOLE),
    "new_fails": ("a new one fails", "{:.1%}"),
    "used_at": ("used, miles", _WHOLE),
    "used_fails": ("a used one fails", "{:.1%}"),
    "renew_from_miles": ("renew from, miles", _WHOLE),
    "seen_miles": ("run so far, miles", _WHOLE),
    "allowed_per_unit": ("may cost a unit", _WHOLE),
    "months": ("months, best estimate", _ONE),
    "months_lower": ("from", _ONE),
    "months_upper": ("to", _ONE),
    "seen_months": ("followed, months", _ONE),
    "guarantee_months": ("guarantee, months", _WHOLE),
    "guarantee_miles": ("or miles", _WHOLE),
    "year_on_record": ("on record, a year", "{:.1%}"),
    "back_in_12_months": ("back within a year", "{:.1%}"),
    "odometer_known": ("odometer known", _WHOLE),
    "p_more": ("chance of so many or more", _CHANCE),
    "p_fewer": ("chance of so few or fewer", _CHANCE),
    "p_better": ("chance of so few, if alike", _CHANCE),
    "p_worse": ("chance of so many, if alike", _CHANCE),
    "threshold": ("alarm below", "{:.2g}"),
    "chance": ("chance", "{:.1%}"),
    "its_chance": ("of that", "{:.1%}"),
    "false_alarm": ("false alarm", "{:.2g}"),
    "usual": ("usual", "{:.3f}"),
    "years_in_service": ("years in service", _ONE),
    "alarm_at": ("an alarm at", _WHOLE),
    **{f"caught_{k}_times_worse": (f"caught if {k} times worse", "{:.1%}") for k in (2, 5, 10, 20)},
    "price_each": ("price each", _WHOLE),
    "money_tied_up": ("money tied up", _WHOLE),
    "years": ("years out", _ONE),
    "keep": ("keep", _WHOLE),
    "loss": ("expected loss a year", _WHOLE),
    "expected": ("expected", _ONE),
    "before_published_hp": ("published then, hp", _WHOLE),
    "before_supported_hp": ("supported then, hp", _WHOLE),
    "before_verdict": ("verdict then", ""),
    "at_stake": ("at stake", ""),
    **{name: (name, _ANY) for name in ("5th percentile", "median or share", "95th percentile")},
    **{name: (name, _ANY) for name in ("least", "middle", "most")},
    "lives_failed": ("lives that failed", _WHOLE),
    "told_failed": ("of these known", _WHOLE),
    "broken_failed": ("broke the rule", _WHOLE),
    "lives_others": ("other lives", _WHOLE),
    "told_others": ("of those known", _WHOLE),
    "broken_others": ("broke the rule", _WHOLE),
    "log_likelihood": ("log-likelihood", _TWO),
    "aic_above_best": ("AIC above the best", _TWO),
    "exponent_se": ("standard error", _TWO),
}
_NAMES = {
    "parts_within": "within it",
    "failed_within": "of these failed",
    "parts_above": "above it",
    "failed_above": "of these failed",
    "failed_within_quarter": "within, failed this quarter",
    "failed_above_quarter": "above, failed this quarter",
}


#: how lower and upper are written beside a column, where otherwise than rates
_LIMITS_OF = {"renew_from_miles": _WHOLE, "upper_if_all": "{:.0%}"}
#: number formats of a workbook, by the format a page has
_CELLS = {
    _WHOLE: "#,##0",
    _ONE: "#,##0.0",
    _TWO: "#,##0.00",
    "{:.0%}": "0%",
    "{:.1%}": "0.0%",
    "{:+.1%}": "+0.0%;-0.0%",
    "{:.3f}": "0.000",
    _CHANCE: f'[<{_SLIGHT:f}]"under {_SLIGHT:g}";[<0.01]0.0000;0.000',
    _YEAR: "0",
    _MIXED: "#,##0.00",
    _ANY: "#,##0.00",
    "{:.2g}": "0.0000",
}
_MONEY = frozenset("cost mean_cost mean_cost_alone price price_each money_tied_up allowed_per_unit loss".split())
#: the kind of figures whose columns end so; a kind stands also in the middle of a name (torque_capped_lbft_low)
_ENDS: dict[str, Kind] = {
    "hp": "power", "lb": "weight", "lbft": "torque", "psi": "pressure", "mph": "speed", "miles": "distance"
}  # fmt: skip
#: columns whose names do not tell their kind
_KINDS: dict[str, Kind] = {
    "weight_up_to": "weight", "odometer": "distance", "used_at": "distance", **dict.fromkeys(
        "median_a_year from_a_year to_a_year slow_a_year fast_a_year joint_a_year joint_from joint_to".split(), "distance"
    )
}  # fmt: skip
#: what a row tells of the figures in its other columns: under which heading which word -> the kind, and the columns
_OF_ROWS: dict[str, tuple[dict[str, Kind], str]] = {
    "clock": ({"miles": "distance"}, "time life"),
    "unit": ({"hp": "power", "lb ft": "torque", "psi": "pressure"}, "bound least middle most"),
    "figure": ({"power it can take": "power"}, "value"),
}
_PART = re.compile(r"(?<=_)(hp|lbft|lb|psi|mph)(?=_|\b)|(?<![a-z])miles(?![a-z])")


_OURS: dict[Kind, str] = {
    "power": "hp", "weight": "lb", "distance": "miles", "torque": "lb ft", "pressure": "psi", "speed": "mph"
}  # fmt: skip
_SHORT = {"miles": "mi"}
#: how figures of large units are written
_FINER = {"t": _TWO, "bar": _ONE}


def kind_of(column: str) -> Kind | None:
    """What the figures of a ``column`` are, by its name; None where they have no unit an owner chooses."""
    if column in _KINDS or column in ("in_miles", "miles_from", "miles_days"):
        return _KINDS.get(column)
    found = _PART.search(column)
    return _ENDS[found[0]] if found else None


def own_name(column: str) -> str:
    """A ``column`` of a file with the owner's units in its name: bound_hp is bound_kw to him, life_miles life_km."""
    kind = kind_of(column)
    if spoken() == Units() or (kind is not None and name_of(kind) == _OURS[kind]):
        return column
    if _PART.search(column):
        return _PART.sub(lambda m: _in_name(_ENDS[m[0]]), column)
    return column if kind is None else f"{column}_{_in_name(kind)}"


def _in_name(kind: Kind) -> str:
    return name_of(kind).casefold().replace(" ", "").replace("/", "")


def in_own_units(frame: pd.DataFrame, said: bool = True) -> pd.DataFrame:
    """The ``frame`` with its figures in the units of the owner; its columns keep their names. said: as they are said, powers rounded down,
    so that no limit grows; else unrounded."""
    units = spoken()
    if units == Units():
        return frame
    made = frame.copy()
    for column in frame.columns:
        kind = kind_of(str(column))
        if kind is not None and _numeric(frame[column]):
            made[column] = _own(frame[column], kind, said)
    for tells, (kinds, columns) in _OF_ROWS.items():
        for word, kind in kinds.items() if tells in frame.columns else ():
            rows = frame[tells].astype(str) == word
            for column in set(columns.split()) & set(frame.columns):
                made.loc[rows, column] = _own(frame.loc[rows, column].astype(float), kind, said)
            if word in _ENDS or word == "lb ft":
                made[tells] = made[tells].astype(object).where(~rows, name_of(kind))
    if "renew_from_miles" in frame.columns:
        made[["lower", "upper"]] = own(frame[["lower", "upper"]].astype(float), "distance")
    return made


def _numeric(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype)


def _own(values: pd.Series, kind: Kind, said: bool) -> pd.Series:
    return values.map(lambda v: own_power(v, spoken())) if kind == "power" and said else own(values, kind)


def cell_format(column: str, currency: str) -> str:
    """How a workbook writes the numbers of a ``column``, with their unit; money with the sign of the ``currency``."""
    if column in _MONEY:
        return f'"{currency}"#,##0' if currency else "#,##0"
    if kind := kind_of(column):
        unit = name_of(kind)
        return f'{_CELLS[_FINER.get(unit, _WHOLE)]} "{_SHORT.get(unit, unit)}"'
    form = _SHOWN.get(column, ("", ""))[1]
    return _CELLS.get(form, "General")


def heading(column: str) -> str:
    """A column's name as a person reads it, with the units of the owner."""
    if column == "in_miles":
        return f"chance in {distance(10_000)}"
    return in_units(_SHOWN.get(column, (_NAMES.get(column, column.replace("_", " ")), ""))[0])


def shown(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame as texts: rounded, dated, blank where unknown."""
    limits = next((form for column, form in _LIMITS_OF.items() if column in frame.columns), None)
    forms = {c: limits if limits and c in ("lower", "upper") else _form(c) for c in frame.columns}
    return pd.DataFrame({c: [_cell(v, form) for v in frame[c]] for c, form in forms.items()}, index=frame.index)


def _form(column: str) -> str:
    kind = kind_of(str(column))
    return _FINER.get(name_of(kind) if kind else "", _SHOWN.get(column, ("", ""))[1])


def _cell(value: object, form: str) -> str:
    if isinstance(value, pd.Timestamp):
        return "" if pd.isna(value) else value.date().isoformat()
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, int | np.integer):
        return (form if form == _YEAR else _WHOLE).format(value)
    return _figure(float(value), form) if isinstance(value, float | np.floating) else str(value)


def _figure(value: float, form: str) -> str:
    if np.isinf(value):
        return "no limit"
    if (form.endswith("g}") and 0 < value < _SLIGHT) or (form == _CHANCE and value == 0):
        return f"under {_SLIGHT:g}"
    if form == _ANY:
        form = _WHOLE if abs(value) >= 100 else _ONE if abs(value) >= 10 else _TWO
    if form == _MIXED:
        form = _WHOLE if abs(value) >= 10 else "{:.1%}"
    return (form or _TWO).format(value)
