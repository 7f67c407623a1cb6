"""Is there a step?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.cutoffs.step import StepResult, StepVerdict
from analytics.reasons import Reason, Step
from analytics.words.saying import say, says, texts
from analytics.words.units import bare_power, bare_weight, name_of, own, p_words, power, weight

_ALONG = {"power": "power", "weight": "weight", "power x weight": "power and weight together"}
_SHAPES = {"slope": "a smooth slope", "step": "a lone jump", "stick": "a bend", "both": "a jump on a slope"}
_ROWS = {
    "none": "no effect",
    "slope": "smooth power law",
    "stick": "bend (broken stick)",
    "step": "lone jump",
    "both": "jump on a power law",
}
_BEND = "a bend in place of a jump is {} ({{p_bend:p}})"

texts(
    {
        Step.FEW_COMPARED: "only {failures} failures had another truck of their use and class to be held against",
        Step.DIFFERENCE_AND_JUMP: "a search that paid for itself finds a difference ({p_value:p}), and a smooth power law alone would show so sharp "
        "a jump with chance {p_smooth:.3g} only",
        Step.BEND_RULED_OUT: _BEND.format("ruled out too"),
        Step.BEND_NOT_RULED_OUT: _BEND.format("not ruled out"),
        Step.TREND_BESIDE_JUMP: "a lone jump would leave so steep a trend on either side of it with chance {p_step:.3g} only, while a smooth power law "
        "explains all there is (a jump on top of it: {p_smooth:p})",
        Step.BEST_CUT_BY_CHANCE: "the best cut is no better than chance would offer a search ({p_value:p})",
        Step.SLOPE_EXPLAINS: "a smooth slope explains the records ({p_smooth:p})",
        Step.JUMP_EXPLAINS: "a lone jump explains them ({p_step:p})",
        Step.JUMP_FITS_AS_WELL: "a jump fits them about as well (log-likelihood {jump:.1f} against {slope:.1f} for the slope)",
        Step.BOTH_FIT_BETTER: "a jump on top of the slope fits them better, though not beyond chance",
        Step.SLOPE_HARDLY: "a smooth slope alone hardly does ({p_smooth:p}), but that is not yet enough to call it a step",
    }
)


texts(
    {
        Step.FEW_FAILURES: lambda failures, least: (
            f"only {failures} failure{'' if failures == 1 else 's'} on record where {least} are the least to go by"
        ),
        Step.NOT_CONVERGED: lambda shape: f"the life law with {_SHAPES[shape]} did not converge on these records",
    }
)


@says(Step.NO_SHAPE)
def _no_shape(axis: str, explained: tuple[Reason, ...]) -> str:
    matters = "matter" if axis == "power x weight" else "matters"
    return f"{_ALONG[axis]} {matters}, but not in a shape that these records can name: " + ", and ".join(
        map(say, explained)
    )


def why_words(step: StepResult) -> tuple[str, ...]:
    """The reasons of the verdict, a sentence each. step: the search for a step."""
    told = [say(r) for r in step.why]
    return tuple(f"{t[0].upper()}{t[1:]}." for t in told)


def jump_range(step: StepResult) -> str:
    """Between which sizes the jump lies. step: the search for a step."""
    low, high, sure = step.jump.low, step.jump.high, f"{step.confidence:.0%} sure"
    if np.isinf(high):
        return f"at least {low:.1f}, without a limit upward, {sure}"
    return f"{low:.1f} to {high:.{0 if high >= 10 else 1}f}, {sure}"


def along(axis: str, value: float) -> float:
    """A ``value`` along an ``axis`` of the search in the owner's unit."""
    return own(value, "weight" if axis == "weight" else "power")


def axis_label(axis: str) -> str:
    """Under the picture of a search along an ``axis``."""
    said = {"power": "power, {hp}", "weight": "weight, {lb}"}.get(axis, "power x weight, {hp} at {seven}")
    return said.format(hp=name_of("power"), lb=name_of("weight"), seven=weight(7000))


def at(step: StepResult, value: float) -> str:
    """A ``value`` along the axis of the search, its unit told beside it. step: the search for a step."""
    return bare_weight(value) if step.axis == "weight" else bare_power(value)


def step_words(step: StepResult, part: str) -> str:
    """The verdict on the step as one sentence. part: its name."""
    unit, what = name_of("weight" if step.axis == "weight" else "power"), _ALONG[step.axis]
    if step.verdict == StepVerdict.STEP:
        return (
            f"{part} has a step in {what}: just above {at(step, step.cut)} {unit} (between {at(step, step.place.low)} and {at(step, step.place.high)}, "
            f"{step.confidence:.0%} sure) it fails about {step.jump.ratio:.1f} times as often as just below ({jump_range(step)})."
        )
    if step.verdict == StepVerdict.SLOPE:
        return (
            f"{part} has no step in {what} that the records show: it loses life gradually, all the way up, so no {what} is a natural "
            "boundary and the tier must end by safety or by money."
        )
    return f"Whether {part} has a step in {what} or loses life gradually can't be told. {why_words(step)[0]}"


def step_changes(step: StepResult) -> str:
    """What would change the verdict. step: the search for a step."""
    if step.verdict == StepVerdict.STEP:
        return (
            f"A year of trucks just above {power(step.cut)} that come back no more often than those just below: the search would then no "
            "longer pay for itself."
        )
    if step.verdict == StepVerdict.SLOPE:
        if np.isinf(step.jump.excluded):
            return "Failures bunching right above one power: a jump that many failures would show is not ruled out everywhere yet."
        return (
            f"Failures bunching right above one power: a jump to more than {step.jump.excluded:.0f} times the failures is ruled out so far, "
            "a smaller one is not."
        )
    more = 60 if step.failures < 60 else 2 * step.failures
    return (
        f"More failures: with {step.failures} the shape of the loss can't be named; in simulated fleets a jump to 10 times the failures is "
        f"found most of the time from about 20 on, one to 4 times from about {more}."
    )


def shapes_table(step: StepResult) -> pd.DataFrame:
    """The models compared: log-likelihood above no effect, AIC, what they say. step: the search for a step."""
    m = step.models
    rejected = {"slope": m.p_smooth, "step": m.p_step, "stick": m.p_bend, "none": step.search.p_value}
    return pd.DataFrame(
        [
            {
                "shape": name,
                "log-likelihood gained": m.loglik[k],
                "AIC, none = 0": m.aic[k],
                "chance of such records if this were all": rejected.get(k, np.nan),
            }
            for k, name in _ROWS.items()
            if k in m.loglik
        ]
    )


def _searched(step: StepResult) -> tuple[str, ...]:
    if not step.draws:
        return ()
    return (
        f"The search tries every power that leaves a tenth of the lives on either side; its p comes from {step.draws:,} drawings of who failed "
        "among those at risk, each searched again: (1 + those as extreme)/(1 + drawings). Rival shapes are compared by log-likelihood and AIC, and "
        "each is put to the test by drawing fleets from the life law fitted with that shape on miles, unknown odometers integrated out.",
    )


def step_method(step: StepResult) -> tuple[str, ...]:
    """How the verdict was made, for one click below. step: the search for a step."""
    alpha, left_out = 1 - step.confidence, step.left_out
    lines = [
        "Clock: days since the part was fitted, known for every life; trucks are compared within their own use and weight class only, those "
        "seen late from then on. On miles, the survivors nobody read would drop out while every failure stays in.",
        *_searched(step),
        f"Promised: a part that truly loses life smoothly, or not at all, is called a step at most {alpha:.0%} of the time; a part with a lone jump "
        f"is called a slope at most {alpha:.0%} of the time. That is for Weibull lives; what was measured in simulated fleets, and where lives are of another law: the notebook of evidence.",
    ]
    if left_out.units:
        lines.append(
            f"{left_out.units} lives have no {step.axis} on record and are left out, {left_out.failed} of them failures."
        )
    if left_out.unweighed:
        lines.append(
            f"{left_out.unweighed} lives without a weight on record are compared among themselves; where mainly "
            "returned trucks were weighed that dulls the comparison and favours no power."
        )
    return tuple(lines)


def search_question(part: str) -> str:
    """The question over the picture of the search. part: its name."""
    return f"Does {part} fail more often from some power on, or ever more?"


def search_caption(step: StepResult, part: str) -> str:
    """What the picture of the search says. step: the search for a step; part: its name."""
    search = step.search
    place = (
        "may lie anywhere searched."
        if step.place.whole
        else f"lies between {at(step, step.place.low)} and {at(step, step.place.high)} ({step.confidence:.0%} sure)."
    )
    if step.verdict == StepVerdict.STEP and step.cut != search.cuts[search.best]:
        place += f" Its likeliest place, with the slope allowed for, is {at(step, step.cut)}."
    return (
        f"Verdict for {part}: {step.verdict}.\nThe search's best cut is {at(step, search.cuts[search.best])} ({p_words(search.p_value)} after paying for "
        f"the search, {p_words(search.naive_p).removeprefix('p ').removeprefix('= ')} if it had not been searched for). A jump, if there is one, {place}"
    )
