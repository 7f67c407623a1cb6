"""What the parts of a component lend each other before each is rated: shape of life, effect of power and of weight."""

from __future__ import annotations

from dataclasses import replace

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import Lifetimes, with_rows
from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData
from analytics.models.pooling import NAMES, Said, lent, said_by
from analytics.models.priors import LifePriors
from analytics.ratings.basis import part_lives
from analytics.ratings.early import early_check
from analytics.ratings.options import Options, for_component, options_for
from analytics.ratings.reporting import heeding_calls
from analytics.ratings.settings import RatingSettings
from analytics.records.load import NOT_RECORDED


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
        its, usual = named["component"] == component, for_component(options, component)
        items += [
            (with_rows(lifetimes, named[its & (named["part"] == part)]), component, part, usual) for part in parts
        ]
    every = each(_said, items, keep=True)
    own = list(held.own)
    for component, parts in lenders.items():
        said = {part: next(every) for part in parts}
        usual = for_component(options, component)
        for part in sorted(named.loc[named["component"] == component, "part"].unique()):
            own += _priors_of(component, part, usual.settings, said)
    return replace(options, settings=replace(options.settings, priors=replace(held, own=tuple(own))))


def _said(lifetimes: Lifetimes, component: str, part: str, options: Options) -> dict[str, Said]:
    """What the records of a part say by themselves; nothing where they carry no fit."""
    try:
        data = part_lives(lifetimes, component, part).data
    except AnalyticsError:
        return {}
    return said_of(data, options.promise.life, options.settings)


def said_of(data: LifeData, life_miles: float, settings: RatingSettings) -> dict[str, Said]:
    """What the lives of a part (``data``) say by themselves of shape, slope and weight effect under the ``settings``; nothing where they carry no fit. life_miles: the
    target life."""
    if not data.failures:
        return {}
    _, rated = early_check(data, life_miles, settings)
    model, top = fit_joint(settings.model(rated, life_miles, "weibull"))
    return said_by(model, top) if top.converged[0] else {}


def _priors_of(
    component: str, part: str, settings: RatingSettings, said: dict[str, dict[str, Said]]
) -> list[LifePriors]:
    """The priors of a ``part`` as what its siblings ``said`` leaves those of its component (in the ``settings``); none where they said nothing."""
    siblings = {name: own for name, own in said.items() if own and name != part}
    return [priors_after(component, part, settings, siblings)] if siblings else []


def priors_after(
    component: str, part: str, settings: RatingSettings, siblings: dict[str, dict[str, Said]]
) -> LifePriors:
    """The priors of a ``part`` as what its ``siblings`` said leaves those of its ``component`` in the ``settings``."""

    def after(name: str, usual: tuple[float, float] | None) -> tuple[float, float] | None:
        return usual and lent(usual, [own[name] for own in siblings.values() if name in own])

    shape, power, weight = (after(name, getattr(settings.priors, name)) for name in NAMES)
    return LifePriors(component, shape, power, weight, part=part, lenders=tuple(siblings))
