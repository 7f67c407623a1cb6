"""What the records say of a margin: how the parts fared that ran at it, or at less."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.driveline.load import SHAFTS, Loads
from analytics.lifetimes.failures import counts_as_failure
from analytics.models.exact import binomial_limits
from analytics.ratings.promise import Promise
from analytics.reasons import Stands


@dataclass(frozen=True, slots=True)
class Stood:
    """Of a part's lives whose weakest margin was ``margin`` or less all along: how many there are, how many failed before ``miles`` (as far as is known), and how
    many passed them. says: what that makes of the margin."""

    margin: float
    lives: int
    failed: int
    lasted: int
    miles: float
    says: Stands


def margin_column(loads: Loads, component: str) -> str:
    """The column of ``loads`` with the margin that the ``component``'s kind has."""
    return "stress_margin" if loads.kinds[component] in SHAFTS else "clutch_margin"


def stood_at(loads: Loads, component: str, part: str, margin: float, promise: Promise) -> Stood:
    """How a ``component``'s ``part`` fared in the ``loads`` at a weakest ``margin`` or less, held against the ``promise``."""
    own = loads.of(component, part)
    life = own.groupby(["unit", "component", "spell", "part"], sort=False, dropna=False)
    most = life[f"{margin_column(loads, component)}_low"].transform(lambda known: known.max(skipna=False))
    last = ~own.duplicated(["unit", "component", "spell", "part"], keep="last").to_numpy()
    mine = last & (most <= margin * (1 + 1e-9)).to_numpy()
    passed = (own["lower_miles"] >= promise.life_miles).to_numpy()
    failed, count = counts_as_failure(own) & ~passed, own["count"].to_numpy(int)
    lives, fell, lasted = (int(count[mine & of].sum()) for of in (True, failed, passed))
    return Stood(margin, lives, fell, lasted, promise.life_miles, _says(lives, fell, lasted, promise))


def _says(lives: int, failed: int, lasted: int, promise: Promise) -> Stands:
    """Who runs on short of the miles counts as neither where the margin is cleared, as one that lasts where it is borne out: the harder way each time."""
    if not lives:
        return Stands.NONE
    level, lost = 2 * promise.confidence - 1, 1 - promise.reliability
    if failed + lasted and binomial_limits(failed, failed + lasted, level).upper <= lost:
        return Stands.CLEARED
    return Stands.BORNE_OUT if binomial_limits(failed, lives, level).lower > lost else Stands.OPEN
