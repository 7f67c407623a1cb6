"""How many come back next."""

from __future__ import annotations

from math import isfinite, isnan

from analytics.ratings.predict import PartFit, Prediction
from analytics.reasons import Unfitted
from analytics.words.ratings.bound import DISTRIBUTION
from analytics.words.saying import say, texts
from analytics.words.units import distance

texts(
    {
        Unfitted.NO_FAILURE: "no failure on record",
        Unfitted.FEW_FAILURES: "too few failures on record",
        Unfitted.NOT_CONVERGED: "no fit converged",
        Unfitted.FEW_DRAWS: "the fit is held by {effective_draws:.0f} draws in effect, {needed:.0f} are needed",
        Unfitted.NO_MILES_A_DAY: "no miles a day on record, so the fit says nothing of the days ahead",
    }
)


def distribution_words(fit: PartFit) -> str:
    """Which life distribution was used, as a sentence. fit: of the part."""
    if isnan(fit.ahead):
        return f"Life law: {DISTRIBUTION[fit.distribution]}."
    other = DISTRIBUTION["lognormal" if fit.distribution == "weibull" else "weibull"]
    return f"Life law: {DISTRIBUTION[fit.distribution]}, whose log-likelihood is {fit.ahead:.1f} above that of the {other}."


def few_words(failures: float, part: str = "") -> list[str]:
    """What so few failures mean for a figure; nothing where there are three or more. part: its name."""
    if failures >= 3:
        return []
    of = f" of {part}" if part else ""
    return [f"Rests on assumptions: only {failures:g} failure{'' if failures == 1 else 's'}{of} on record."]


def _share_words(found: Prediction, fit: PartFit) -> str:
    both = f"so {found.expected_all:.1f} may really fail where {found.expected:.1f} come back."
    if fit.model is not None and fit.model.layout.share:
        return (
            f"Of every 100 failures about {100 * fit.share:.0f} are taken to be reported (the records hardly tell; it rests "
            f"on its prior), {both}"
        )
    if fit.share < 1:
        return f"The reporting share is held at {fit.share:.0%}, {both}"
    return "Assumes every failure is reported."


def prediction_words(found: Prediction) -> tuple[str, ...]:
    """The prediction, what it assumes, and what weakens it. found: the prediction."""
    days = f"the next {found.days:g} days"
    span = days if isfinite(found.days) else f"the next {distance(found.miles)} of each"
    if not len(found.rows):
        return ("No unit with this part is running: nothing to predict.",)
    fit = found.fit
    if fit is None:
        return _without_failure(found, span)
    if fit.model is None:
        return (f"Nothing can be predicted: {say(fit.why_not)}.",)
    lines = [
        f"Of {found.units:,.0f} running with this part, {found.expected:.1f} are expected to come back in {span}; at "
        f"{found.level:.0%} the number will lie between {found.lower:.0f} and {found.upper:.0f}.",
        _share_words(found, fit),
        distribution_words(fit),
        *few_words(found.failures),
    ]
    if fit.early.fired:
        lines.append(
            f"{fit.early.seen:g} failures under {distance(fit.early.miles)} are more than wear explains: they are taken as "
            "early failures, and units with fewer miles carry that risk too."
        )
    if fit.effective_draws < 50:
        lines.append(f"The interval rests on {fit.effective_draws:.0f} effective draws: too few to trust.")
    return tuple(lines)


def _without_failure(found: Prediction, span: str) -> tuple[str, ...]:
    lines = [f"None of {found.lives:,.0f} has failed, so no law can be fitted and each unit's chance is not known."]
    if isfinite(found.upper):
        lines.append(
            f"At {found.level:.0%} confidence at most {found.upper:.0f} of the {found.units:,.0f} running will come back in "
            f"{span} (from the miles run without a failure; Weibull shape {found.shape:g}, the least favourable of those "
            "tried)."
        )
    else:
        lines.append("The miles run so far are too few to put a limit on it.")
    if found.silent:
        lines.append("It counts reported failures: silent ones would be as silent as before.")
    return tuple(lines)
