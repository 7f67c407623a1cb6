"""The owner's wishes about ratings: [ratings] in shop.toml."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from typing import Any

from analytics.errors import RecordsError
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
    """Options of a shop; the arguments, where they are not None, override its targets. Raises RecordsError on a key or value not understood."""
    told = {key: _value(key, value) for key, value in shop.ratings.items()}
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
    settings = replace(RatingSettings(), weight_edges=shop.weight.classes, early_test=early, **inner)
    promise = Promise(targets["life"], targets["reliability"], targets["confidence"])
    return Options(promise, **outer, settings=settings)


#: runs a year of a truck that pulls or races: median, and standard deviation of its log (from memory)
_RUNS_A_YEAR, _RUNS_SD = 100.0, 1.2


def for_use(options: Options, target: UseTarget) -> Options:
    """The ``options`` for a use with a ``target`` of its own: its life, what it is counted in, and the prior of how much a truck runs.
    Early failures are told apart by miles alone."""
    s, promise = options.settings, replace(options.promise, life=target.life, counted=target.counted)
    if target.counted == "miles":
        return replace(options, promise=promise)
    rate = (math.log(_RUNS_A_YEAR / DAYS_A_YEAR), _RUNS_SD)
    return replace(options, promise=promise, settings=replace(s, early=False, priors=replace(s.priors, rate=rate)))
