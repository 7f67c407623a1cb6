"""What the parts of a component lend each other before each is rated: shape of life, effect of power and of weight, and one model of driving, who gets read and what is
reported: a component's parts are in all trucks of the shop, each in its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import Lifetimes, with_rows
from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData
from analytics.models.pooling import NAMES, Said, SaidOfDriving, lent, lent_driving, said_by, said_of_driving
from analytics.models.priors import USE, DrivingPrior, LifePriors
from analytics.ratings.basis import part_lives
from analytics.ratings.early import early_check
from analytics.ratings.options import Options, for_component, options_for
from analytics.ratings.reporting import heeding_calls
from analytics.ratings.settings import RatingSettings
from analytics.records.load import NOT_RECORDED


@dataclass(frozen=True, slots=True)
class Word:
    """What the records of one part alone say: of its ``life`` (by NAMES), and of ``driving``."""

    life: dict[str, Said]
    driving: SaidOfDriving | None


def options_of(lifetimes: Lifetimes, options: Options | None) -> Options:
    """The promise and settings to go by: the given ``options``, else those of the shop of the ``lifetimes``; heeding its random calls, and
    with what its parts lend each other."""
    return lending(lifetimes, heeding_calls(options_for(lifetimes.shop) if options is None else options, lifetimes))


def lending(lifetimes: Lifetimes, options: Options) -> Options:
    """The ``options`` with the priors of each part as its siblings in the ``lifetimes`` leave them: those of its component that have
    failed. As they are where pooling is switched off, or done."""
    held = options.settings.priors
    if not held.pooled or any(own.part for own in held.own):
        return options
    table = lifetimes.table
    named = table[~table["part"].isin([NOT_RECORDED, ""])]
    failed = named["part"].where(named["ended"] == "failed")
    several = named.groupby("component", sort=True)["part"].nunique() > 1
    lenders = {c: sorted(failed[named["component"] == c].dropna().unique()) for c in several.index[several]}
    items = []
    for component, parts in lenders.items():
        its, usual = named["component"] == component, _of_fits(for_component(options, component))
        items += [
            (with_rows(lifetimes, named[its & (named["part"] == part)]), component, part, usual) for part in parts
        ]
    # a few quick fits that all else waits for: other processes may have long loops before them
    every = each(_said, items, jobs=1, keep=True)
    own = list(held.own)
    for component, parts in lenders.items():
        said = {part: word for part in parts if (word := next(every)) is not None}
        usual, its = for_component(options, component), named[named["component"] == component]
        uses = sorted(its["use"].fillna("").astype(str).unique())
        for part in sorted(its["part"].unique()):
            siblings = {name: word for name, word in said.items() if name != part}
            if siblings:
                own.append(priors_after(component, part, usual.settings, siblings, uses))
    return replace(options, settings=replace(options.settings, priors=replace(held, own=tuple(own))))


def _of_fits(options: Options) -> Options:
    """The ``options`` without what no fit hangs on, so that it is kept once whatever else is asked."""
    return replace(options, settings=replace(options.settings, explain=False, draws=0, replicates=0))


def _said(lifetimes: Lifetimes, component: str, part: str, options: Options) -> Word | None:
    """What the records of a part say by themselves; None where they carry no fit."""
    try:
        data = part_lives(lifetimes, component, part, hidden_apart=True).data
    except AnalyticsError:
        return None
    return said_of(data, options.promise.life, options.settings)


def said_of(data: LifeData, life_miles: float, settings: RatingSettings) -> Word | None:
    """What the lives of a part (``data``) say by themselves under the ``settings``; None where they carry no fit. life_miles: the target life."""
    if not data.failures:
        return None
    _, rated = early_check(data, life_miles, settings)
    model, top = fit_joint(settings.model(rated, life_miles, "weibull"))
    return Word(said_by(model, top), said_of_driving(model, top)) if top.converged[0] else None


def priors_after(
    component: str, part: str, settings: RatingSettings, siblings: dict[str, Word], uses: Sequence[str] = ()
) -> LifePriors:
    """The priors of a ``part`` as what its ``siblings`` said leaves those of its ``component`` in the ``settings``. uses: of the component, by name."""

    def after(name: str, usual: tuple[float, float] | None) -> tuple[float, float] | None:
        return usual and lent(usual, [word.life[name] for word in siblings.values() if name in word.life])

    shape, power, weight = (after(name, getattr(settings.priors, name)) for name in NAMES)
    driving = _driving_after(settings, [word.driving for word in siblings.values() if word.driving is not None], uses)
    return LifePriors(component, shape, power, weight, part=part, lenders=tuple(siblings), driving=driving)


def _driving_after(settings: RatingSettings, said: Sequence[SaidOfDriving], uses: Sequence[str]) -> DrivingPrior | None:
    told = {name: None for word in said for name in word.names}
    driven = {name for name in told if name.startswith(USE)}
    if driven:
        driven |= {USE + name for name in uses}
    return lent_driving((*sorted(driven), *(name for name in told if name not in driven)), settings.priors, said)
