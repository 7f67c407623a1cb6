"""The owner's wishes about ratings: [ratings] in shop.toml."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from typing import Any

from analytics.errors import RecordsError
from analytics.models.priors import LifePriors, Priors
from analytics.ratings.promise import Promise
from analytics.ratings.settings import EarlyTest, RatingSettings
from analytics.records.measures import DAYS_A_YEAR
from analytics.records.shop import Shop, UseTarget

_KINDS = {
    "strength": str,
    "step_hp": float,
    "margin_hp": float,
    "seed": int,
    "replicates": int,
    "reporting_share": float,
    "both_laws": bool,
    "selection": bool,
    "decline": bool,
    "early": bool,
    "lately": bool,
    "early_miles": float,
    "use_terms": bool,
    "pooled": bool,
}

_RANGES = {
    "step_hp": (1, 500),
    "margin_hp": (0, 1000),
    "reporting_share": (0.05, 1),
    "replicates": (0, 10_000),
    "early_miles": (1, 1e6),
}

#: what the rating of the load page may run on -> the column of its table of lives that stands for power
STRENGTHS = {"power": "power_hp", "torque": "torque_at_shaft_lbft", "margin": "load_share"}
_OUTER = ("strength", "step_hp", "margin_hp", "seed")


@dataclass(frozen=True, slots=True)
class Options:
    """What to rate for and how to turn a bound into a proposal.

    step_hp: proposals are rounded down to this step. margin_hp: a proposal must differ from the published limit by at
    least this much before the verdict says so, so that it does not flap from quarter to quarter. Both common practice, no source.
    strength: what the rating of the load page runs on; the sheet of ratings always runs on power. calls: made at random, and how many
    found a failure nobody had reported, where the prior of the share heeds them.
    """

    promise: Promise
    step_hp: float = 25.0
    margin_hp: float = 50.0
    seed: int = 1
    strength: str = "power"
    settings: RatingSettings = RatingSettings()  # noqa: RUF009
    calls: tuple[int, int] | None = None


def _value(key: str, value: Any) -> Any:
    """One line of [ratings] as its kind."""
    if key not in _KINDS:
        near = difflib.get_close_matches(key, _KINDS, n=1)
        raise RecordsError(
            f"shop.toml [ratings]: {key!r} is not a key of [ratings]. "
            + (f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(_KINDS)}.")
        )
    kind = _KINDS[key]
    if kind is str:
        if value not in STRENGTHS:
            raise RecordsError(
                f"shop.toml [ratings] {key} = {value!r}: must be one of {', '.join(map(repr, STRENGTHS))}."
            )
        return value
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not (isinstance(value, bool) if kind is bool else number and (kind is float or float(value).is_integer())):
        raise RecordsError(
            f"shop.toml [ratings] {key} = {value!r}: expected {'true or false' if kind is bool else 'a number'}."
        )
    return kind(value)


def _targets(
    shop: Shop, life_miles: float | None, reliability: float | None, confidence: float | None
) -> dict[str, float]:
    """The promise asked for, the shop's own where it is not stated."""
    targets = {
        "life": shop.targets.miles if life_miles is None else life_miles,
        "reliability": shop.targets.reliability if reliability is None else reliability,
        "confidence": shop.targets.confidence if confidence is None else confidence,
    }
    for key in ("reliability", "confidence"):
        if not 0.5 <= targets[key] < 1:
            raise RecordsError(f"{key} {targets[key]:g}: give a share from 0.5 to below 1, such as 0.9.")
    if not 0 < targets["life"] < 1e7:
        raise RecordsError(f"target life {targets['life']:g} miles: give a number above 0.")
    return targets


def options_for(
    shop: Shop,
    life_miles: float | None = None,
    reliability: float | None = None,
    confidence: float | None = None,
    strength: str | None = None,
) -> Options:
    """Options of a shop; life_miles, reliability, confidence and ``strength``, where they are not None, override its
    own. Raises RecordsError on a key or value not understood."""
    told = {key: _value(key, value) for key, value in shop.ratings.items() if key != "priors"}
    for key, (low, high) in _RANGES.items():
        if key in told and not low <= told[key] <= high:
            raise RecordsError(f"shop.toml [ratings] {key} = {told[key]:g}: must lie between {low:g} and {high:g}.")
    names = {"reporting_share": "share"}
    inner = {names.get(k, k): v for k, v in told.items() if k not in _OUTER}
    outer = {k: v for k, v in told.items() if k in _OUTER}
    targets = _targets(shop, life_miles, reliability, confidence)
    if strength:
        if strength not in STRENGTHS:
            raise RecordsError(f"strength {strength!r}: must be one of {', '.join(map(repr, STRENGTHS))}.")
        outer["strength"] = strength
    early = EarlyTest(miles=inner.pop("early_miles")) if "early_miles" in inner else EarlyTest()
    priors = Priors(pooled=inner.pop("pooled", True), own=_own_priors(shop.ratings.get("priors", {}), shop))
    settings = RatingSettings(weight_edges=shop.weight.classes, early_test=early, priors=priors, **inner)
    promise = Promise(targets["life"], targets["reliability"], targets["confidence"])
    return Options(promise, **outer, settings=settings)


#: what [ratings.priors] may state of a component, and the least and the most of it
_PRIOR_RANGES = {"shape": (0.2, 20.0), "power": (0.05, 30.0), "weight": (-10.0, 20.0)}
#: standard deviations from the middle of a normal to either end of its middle nine tenths
NINE_TENTHS = 1.6448536269514722


def _own_priors(stated: Any, shop: Shop) -> tuple[LifePriors, ...]:
    """[ratings.priors]: component = false, or a table with shape, power, weight: false, or the range [low, high] that holds nine in ten. Raises
    RecordsError on anything else."""
    names = {component.casefold(): component for component in shop.components}
    if not isinstance(stated, dict) or not {str(name).casefold() for name in stated} <= set(names):
        known = ", ".join(shop.components)
        raise RecordsError(
            f"shop.toml [ratings.priors] {stated!r}: give a table by component. [components] names {known}."
        )
    return tuple(_life_priors(names[name.casefold()], value) for name, value in stated.items())


def _life_priors(component: str, stated: Any) -> LifePriors:
    """The line of [ratings.priors] of one component."""
    where = f"shop.toml [ratings.priors] {component!r}"
    if stated is False:
        return LifePriors(component, None, None, None)
    if not isinstance(stated, dict) or not set(stated) <= set(_PRIOR_RANGES):
        known = ", ".join(_PRIOR_RANGES)
        raise RecordsError(f"{where} = {stated!r}: give false, or a table of {known}, such as {{power = [2, 8]}}.")
    usual = Priors()
    shape, power, weight = (
        _as_normal(f"{where} {key}", key, stated[key]) if key in stated else getattr(usual, key)
        for key in _PRIOR_RANGES
    )
    return LifePriors(component, shape, power, weight)


def _as_normal(where: str, key: str, value: Any) -> tuple[float, float] | None:
    """A line of [ratings.priors] as mean and standard deviation: of the log for shape and power, of -b for weight as `Priors` has it."""
    if value is False:
        return None
    least, most = _PRIOR_RANGES[key]
    pair = isinstance(value, list) and len(value) == 2
    if not (pair and all(type(v) in (int, float) for v in value) and least <= value[0] < value[1] <= most):
        raise RecordsError(
            f"{where} = {value!r}: give false, or the ends of the range that holds nine in ten, "
            f"such as [2, 8], from {least:g} to {most:g}."
        )
    low, high = value if key == "weight" else (math.log(v) for v in value)
    middle, sd = (low + high) / 2, (high - low) / 2 / NINE_TENTHS
    return (-middle if key == "weight" else middle), sd


def for_component(options: Options, component: str, part: str = "") -> Options:
    """The ``options`` for a ``component``, and one ``part`` of it where it is named: with their own priors."""
    return replace(options, settings=options.settings.of(component, part))


#: runs a year of a truck that pulls or races: median, and standard deviation of its log (from memory)
_RUNS_A_YEAR, _RUNS_SD = 100.0, 1.2


def for_use(options: Options, target: UseTarget) -> Options:
    """The ``options`` for a use with a ``target`` of its own: its life, what it is counted in, and the prior of how much a truck runs.
    Early failures are told apart by miles alone."""
    s, promise = options.settings, replace(options.promise, life=target.life, counted=target.counted)
    if target.counted == "miles":
        return replace(options, promise=promise)
    rate = (math.log(_RUNS_A_YEAR / DAYS_A_YEAR), _RUNS_SD)
    return replace(
        options, promise=promise, settings=replace(s, early=False, priors=replace(s.priors, rate=rate, driving=None))
    )
