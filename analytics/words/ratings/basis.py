"""What ratings rest on, as tables for the reader."""

from __future__ import annotations

import math

import pandas as pd

from analytics.models.priors import USE, DrivingPrior, LifePriors, Priors
from analytics.ratings.ledger import fingerprint
from analytics.ratings.options import NINE_TENTHS
from analytics.ratings.sheet import Ratings
from analytics.records.measures import DAYS_A_YEAR
from analytics.words.phrases import listed
from analytics.words.saying import say
from analytics.words.units import bare_distance, counted, in_units, own, prose


def details(ratings: Ratings) -> pd.DataFrame:
    """Every check, cost and note of every rating, one row each. ratings: of the shop."""
    rows = []
    for part in (*ratings.parts, *ratings.apart):
        rows += [(part.component, part.part, math.nan, "", "left out or assumed", say(note)) for note in part.notes]
        for bound in part.bounds:
            for what, lines in (("check", bound.checks), ("cost of a default", bound.costs), ("reason", bound.reasons)):
                rows += [(part.component, part.part, bound.weight_lb, bound.use, what, say(line)) for line in lines]
    rows += [("", "", math.nan, "", "not rated", say(line)) for line in ratings.left_out]
    return pd.DataFrame(rows, columns=["component", "part", "weight_up_to", "use", "what", "in_words"])


def basis(ratings: Ratings) -> pd.DataFrame:
    """What the ratings rest on: target, options in force, data."""
    options, settings = ratings.options, ratings.options.settings
    share = f"unknown, about {settings.usual_share:.0%}, with a prior"
    if settings.share is not None:
        share = f"{settings.share:.0%}, taken as known"
    elif options.calls is not None:
        share += f" that heeds {options.calls[0]} calls at random, {options.calls[1]} of which found a failure nobody had reported"
    rows = [
        ("as of", f"{ratings.records.as_of:%Y-%m-%d}"),
        ("data", fingerprint(ratings.records.shop)),
        (in_units("target life, miles"), bare_distance(options.promise.life_miles)),
        *(
            (f"target life, {use}", counted(target.life, target.counted))
            for use, target in ratings.records.shop.targets.uses.items()
        ),
        ("share that shall reach it", f"{options.promise.reliability:.0%}"),
        ("confidence", f"{options.promise.confidence:.0%}"),
        ("failures that are reported", share),
        (in_units("rounded down to, hp"), f"{own(options.step_hp, 'power'):.3g}"),
        (in_units("a verdict needs a difference of, hp"), f"{own(options.margin_hp, 'power'):.3g}"),
        ("the lower of Weibull and log-normal life", _yes(settings.both_laws)),
        ("allows for who gets an odometer reading", _yes(settings.selection)),
        (prose("allows for fewer miles with age"), _yes(settings.decline)),
        ("tests for early failures", _yes(settings.early)),
        ("held before the records, nine in ten between", _priors(settings.priors)),
        *(
            (_whose(own), _priors(own) + _driven(own.driving))
            for own in sorted(settings.priors.own, key=lambda own: (own.component, own.part))
        ),
        ("a term per use", _yes(settings.use_terms)),
        ("parts of a component lend each other shape, effects and driving", _yes(settings.priors.pooled)),
        ("simulated fleets per bound", f"{settings.replicates}"),
        ("seed", f"{options.seed}"),
    ]
    return pd.DataFrame(rows, columns=["setting", "value"])


def _whose(own: LifePriors) -> str:
    """Whose priors these are: the owner's for a component, or a part's after what others of it lent."""
    lent = f" {own.part}, after what {listed(own.lenders)} lent" if own.part else ""
    return f"the same, {own.component}{lent}"


def _priors(of: Priors | LifePriors) -> str:
    """The priors of shape, power and weight, each as the range that holds nine in ten."""
    found = []
    for name, prior, on_log in (("shape", of.shape, True), ("power", of.power, True), ("weight", of.weight, False)):
        if prior is None:
            found.append(f"{name} switched off")
            continue
        middle, reach = prior[0] if on_log else -prior[0], NINE_TENTHS * prior[1]
        low, high = (math.exp(v) if on_log else v for v in (middle - reach, middle + reach))
        found.append(f"{name} {low:.2g} to {high:.2g}")
    return ", ".join(found)


def _driven(lent: DrivingPrior | None) -> str:
    """What was lent of driving: of each use what the middle driver makes a year, as the range that holds nine in ten."""
    if lent is None:
        return ""
    told = []
    for name in lent.names:
        if name.startswith(USE) and (held := lent.of_one(name)):
            low, high = (math.exp(held[0] + side * NINE_TENTHS * held[1]) * DAYS_A_YEAR for side in (-1, 1))
            told.append(f"{name[len(USE) :] or 'use not recorded'} {bare_distance(low)} to {bare_distance(high)}")
    return "; " + in_units("miles a year of the middle driver: ") + ", ".join(told) if told else ""


def _yes(on: bool) -> str:
    return "yes" if on else "switched off"
