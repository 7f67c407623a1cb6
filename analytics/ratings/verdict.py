"""From a rating to a verdict: raise, keep or lower a published limit, or that nothing is shown either way."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analytics.ratings.limit_evidence import LimitEvidence
from analytics.ratings.options import Options
from analytics.reasons import Code, Reason, Verdict, reason

NOT_SHOWN = "not shown either way"
#: a limit is lowered on so many failures at the least. In 20 invented shops (seeds 410 to 429 of the study of worth, each limit lowered once)
#: .28 of right limits were lowered in six years; two looks in a row at .95 made it .15 and cost 7% more at ten trucks refused to a comeback
_FAILURES_TO_LOWER = 2
_VERDICTS: dict[Code, str] = {
    Verdict.LIGHTER_LOWERED: "lower",
    Verdict.LOWER: "lower",
    Verdict.RAISE_FIRST: "raise",
    Verdict.RAISE: "raise",
    Verdict.RAISE_KNOWN: "raise",
    Verdict.KEEP: "keep",
    Verdict.HIDDEN_DAMAGE: "keep",
    Verdict.FEW_KNOWN: "keep",
}
#: of these limits the part may be tried above
_TRIED = (Verdict.KEEP, Verdict.BETWEEN, Verdict.NOTHING_CONTRADICTS)


@dataclass(frozen=True, slots=True)
class Judgement:
    """verdict: raise, keep, lower or NOT_SHOWN. why: its reason. proposed_hp: what to raise or lower to, else what the records
    support; trial_hp: up to where the part may be tried above its limit, no promise; NaN for none."""

    verdict: str
    why: Reason
    proposed_hp: float
    trial_hp: float = math.nan


def judge(evidence: LimitEvidence, published_hp: float, options: Options) -> Judgement:
    """What to do with a published limit, published_hp (NaN: none), given the ``evidence`` on it. options: the promise and the margin.

    Lower only what is contradicted: at the confidence of the promise it lies above the true rating, on two failures or more and with
    no known bias that pulls the estimate down; then to the figure that costs least. Raise only to what is shown at half that
    doubt, by more than the margin, and never where most of it rests on few trucks (`Beside.unraised`), nor a part of which a teardown showed damage that
    stops no truck, unless parts looked at say how often. Keep what the records support, within the margin. Of a part whose life hardly follows power no power is published first. The rest is not shown either way.

    What is neither raised nor contradicted may be tried above its limit, as far as the part is more likely good for it than not: a limit under which every truck
    lasts teaches nothing about what lies above.
    """
    code, proposed = _decided(evidence, published_hp, options)
    why = reason(
        code,
        estimate_hp=evidence.estimate_hp,
        supported_hp=evidence.supported_hp,
        proposed_hp=proposed,
        published_hp=published_hp,
        known_hp=evidence.known_hp,
        too_high=evidence.too_high,
        margin_hp=options.margin_hp,
        at_least=evidence.at_least,
    )
    tried = code in _TRIED and evidence.trial_hp > published_hp and not (evidence.hidden or evidence.any_power)
    verdict = _VERDICTS.get(code, NOT_SHOWN)
    if verdict == "keep" and not math.isfinite(published_hp):
        verdict = NOT_SHOWN
    return Judgement(verdict, why, proposed, evidence.trial_hp if tried else math.nan)


def _decided(evidence: LimitEvidence, published_hp: float, options: Options) -> tuple[Verdict, float]:
    supported, margin = evidence.supported_hp, options.margin_hp
    if not math.isfinite(published_hp):
        if evidence.any_power:
            return Verdict.ANY_POWER, supported
        if not math.isfinite(supported):
            return Verdict.NOTHING_SUPPORTED, supported
        return (Verdict.FEW_KNOWN if evidence.unraised is Verdict.FEW_KNOWN else Verdict.RAISE_FIRST), supported
    contradicted = evidence.too_high >= options.promise.confidence and evidence.least_cost_hp < published_hp
    if contradicted and not evidence.leans_low and evidence.failures >= _FAILURES_TO_LOWER:
        return Verdict.LOWER, evidence.least_cost_hp
    if evidence.raise_hp > published_hp + margin:
        if evidence.unraised is not None:
            return evidence.unraised, supported
        return (Verdict.RAISE if supported >= evidence.raise_hp else Verdict.RAISE_KNOWN), evidence.raise_hp
    if supported > published_hp - margin:
        return Verdict.KEEP, supported
    if contradicted:
        return (Verdict.LEANS_LOW if evidence.leans_low else Verdict.ONE_FAILURE), supported
    return (Verdict.BETWEEN if math.isfinite(supported) else Verdict.NOTHING_CONTRADICTS), supported


def under_lighter(found: Judgement, lighter: Judgement | None, published_hp: float) -> Judgement:
    """The judgement ``found`` of a class with the limit published_hp, held under that of the next ``lighter`` one (None: there is none): where
    that is lowered below this limit, this one goes down with it, since a heavier truck is never published higher."""
    if lighter is None or lighter.verdict != "lower" or not published_hp > lighter.proposed_hp:
        return found
    if found.verdict == "lower" and found.proposed_hp <= lighter.proposed_hp:
        return found
    values = {**found.why.values, "proposed_hp": lighter.proposed_hp}
    return Judgement("lower", reason(Verdict.LIGHTER_LOWERED, **values), lighter.proposed_hp)
