"""What random calls say of the share of failures that are reported.

Of F failures on record, F (1 - s)/s more are silent where a share s is reported, and lie among the N units nobody has complained of: of
n units called at random, k were found failed with chance Binomial(n, that share of N). The prior of s on the logit scale, times that,
is taken as normal again by its first two moments (a grid; Gelman et al., *Bayesian Data Analysis*, 3rd ed. 2013, ch. 3, for the idea).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import binom, norm

from analytics.lifetimes.table import Lifetimes
from analytics.ratings.options import Options

_REACH, _POINTS = 5.0, 801


@dataclass(frozen=True, slots=True)
class Calls:
    """Units called at random (``called``), those of them found failed though nobody had said so, units never complained of, and failures on
    record."""

    called: int
    found: int
    silent: int
    failures: int


def calls_of(lifetimes: Lifetimes) -> Calls:
    """The random calls on record in the ``lifetimes``: readings whose source is one; found failed: those still_running = no."""
    units, table = lifetimes.units, lifetimes.table
    quiet = (units["returned"] == 0) | units["found_failed"]
    return Calls(
        called=int(units["called"].sum()),
        found=int(units["found_failed"].sum()),
        silent=int(units.loc[quiet, "count"].sum()),
        failures=int(table.loc[table["ended"] == "failed", "count"].sum()),
    )


def share_after_calls(prior: tuple[float, float], calls: Calls) -> tuple[float, float]:
    """Mean and standard deviation of the logit of the reporting share: the ``prior`` after the ``calls``, as it was without any."""
    if not (calls.called and calls.silent):
        return prior
    mean, sd = prior
    logit = mean + sd * np.linspace(-_REACH, _REACH, _POINTS)
    # silent failures to a reported one: (1 - s)/s
    silent = np.minimum(calls.failures * np.exp(-logit) / calls.silent, 1.0)
    log_chance = norm.logpdf(logit, mean, sd) + binom.logpmf(calls.found, calls.called, silent)
    chance = np.exp(log_chance - log_chance.max())
    if not np.isfinite(chance).all():
        return prior
    chance /= chance.sum()
    middle = float(chance @ logit)
    return middle, float(np.sqrt(chance @ (logit - middle) ** 2))


def heeding_calls(options: Options, lifetimes: Lifetimes) -> Options:
    """The ``options`` with the prior of the reporting share as the random calls in the ``lifetimes`` leave it; as they are where the share is
    stated or nobody was called."""
    s = options.settings
    if s.share is not None or s.priors.share is None or options.calls is not None:
        return options
    calls = calls_of(lifetimes)
    if not calls.called:
        return options
    priors = replace(s.priors, share=share_after_calls(s.priors.share, calls))
    return replace(options, settings=replace(s, priors=priors), calls=(calls.called, calls.found))
