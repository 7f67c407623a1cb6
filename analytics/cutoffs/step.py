"""Is there a step in life at some power, only a slope, or can't the records tell?

Three questions, each answered by redrawing who failed (see `risk`): has power any effect, searched over all cut-points; does
a jump remain once a smooth power law is allowed for; does a slope remain once the best jump is allowed for. A search always
offers a cut, so each answer pays for its search by repeating it in every redrawn fleet.

The clock is days since the part was fitted, known for every life, with units compared only within their own use and weight
class. On the clock of miles a log-rank would have to leave out the survivors whose odometer nobody read, four in five of
them, while every failure is in; within a use the miles per day carry no news of power, so a jump in life by miles is a jump
in life by days. Whether they do is told by `ratings.driving.driving_by_power`. The fit on miles, with the unknown ones integrated out, is
put beside it as a check.

Sources: Lausen and Schumacher, Biometrics 48 (1992) 73-85; the bootstrap of two rival models in turn: Cox, J. R. Stat. Soc. B
24 (1962) 406-424, and Hinde in Gilchrist et al. (eds), GLIM 82 (1982) 28-34, both from memory; the overrated effect at a chosen
cut: Hollaender, Sauerbrei and Schumacher, Stat. Med. 23 (2004) 1701-1713.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import chdtrc, chdtri, log_ndtr, ndtr, ndtri

from analytics.cutoffs.fits import no_such_part, with_usual_weight
from analytics.cutoffs.risk import RiskSets, cut_z, pull_by_bin, redraw, risk_sets
from analytics.cutoffs.shapes import PARAMETERS, STEPS, Fitted, ShapeTable
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import observed
from analytics.models.distributions import DISTRIBUTIONS
from analytics.models.joint import JointModel, Terms, fit_joint, joint_model
from analytics.models.lifedata import NOTHING, LifeData, from_lifetimes
from analytics.models.newton import Optimum
from analytics.reasons import Reason, Refused, Step, brief, reason, reason_if
from analytics.records.load import NOT_RECORDED

NAN = float("nan")
FEWEST = 8  # failures below which no verdict is given
#: what the lives may be cut by, and its column; the product is power at 7,000 lb
AXES = {"power": "power_hp", "weight": "weight_lb", "power x weight": "load"}
#: lives are compared only within the same of these
STRATA = {"power": ["use", "weight_class"], "weight": ["use", "power_band"], "power x weight": ["use"]}
#: covariates of the lifetime distribution that go along the axis
ALONG = {"power": ("log_power",), "weight": ("log_weight",), "power x weight": ("log_power", "log_weight")}
REFERENCE_LB = 7000.0
LIFE_MILES = 50_000.0  # only a unit of scale
#: the shapes that are tested by redrawing fleets from them, in the order of the drawings
TESTED = ("slope", "step", "stick", "both")


class StepVerdict(StrEnum):
    STEP = "step"
    SLOPE = "slope"
    OPEN = "can't tell"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Units without the axis on record, which are left out, and failures among them. unweighed: units without a weight class, compared among
    themselves where power is searched."""

    units: int = 0
    failed: int = 0
    unweighed: int = 0


@dataclass(frozen=True, slots=True, repr=False)
class CutLives:
    """Lives of one part on the clock of days, as the search for a cut takes them. All arrays (n,), rows of several units
    counted by ``count``. x: on the axis itself (hp, lb). time, entry: days. log_weight: the median of the use where unknown. data: the
    same lives on the clock of miles, for the lifetime distribution."""

    axis: str
    x: np.ndarray
    time: np.ndarray
    failed: np.ndarray
    entry: np.ndarray
    stratum: np.ndarray
    count: np.ndarray
    log_power: np.ndarray
    log_weight: np.ndarray
    use: np.ndarray
    data: LifeData
    left_out: LeftOut = LeftOut()

    def __repr__(self) -> str:
        return f"CutLives({self.axis}: {int(self.count.sum())} lives, {int(self.count[self.failed].sum())} failures)"


def cut_lives(
    lifetimes: Lifetimes, component: str, part: str, axis: str = "power", finding: str | None = None
) -> CutLives:
    """Lives of one part of a component, from the shop's lifetimes, for the search along ``axis``: "power", "weight" or "power x weight" (hp at 7,000 lb).

    Strata: use and weight class for power, use and power band for weight, use for their product. A failure for another cause
    than the part (an install error) ends a life without a failure; with ``finding`` so do all other findings. Raises
    AnalyticsError where the part or the finding is not on record, NotEnoughData where no life has the axis on record.
    """
    table = lifetimes.table
    own = _own_lives(table, component, part, axis, finding)
    own = own.assign(load=own["power_hp"] * own["weight_lb"] / REFERENCE_LB)
    column = AXES[axis]
    missing = ~(own[column] > 0)
    failures = counts_as_failure(own)
    lost, lost_failed = (int(own.loc[m, "count"].sum()) for m in (missing, missing & failures))
    own = own[~missing].copy()
    if own.empty:
        raise NotEnoughData(f"no life of {part} has its {axis} on record")
    seen = observed(own, "days")
    own["weight_lb"] = with_usual_weight(own, table)
    rows = own.loc[seen.rows]
    lives = (
        own if finding is None else own.assign(cause=own["cause"].where(own["finding"] == finding, "another finding"))
    )
    unweighed = (rows["weight_class"].astype(str) == NOT_RECORDED).to_numpy()
    return CutLives(
        axis=axis,
        x=rows[column].to_numpy(float),
        time=seen.time,
        failed=seen.failed if finding is None else seen.failed & (rows["finding"] == finding).to_numpy(),
        entry=seen.entry,
        stratum=rows[STRATA[axis]].astype(str).agg(" | ".join, axis=1).to_numpy(object),
        count=seen.count,
        log_power=np.log(rows["power_hp"].fillna(own["power_hp"].median()).to_numpy(float)),
        log_weight=np.log(rows["weight_lb"].to_numpy(float)),
        use=rows["use"].astype(str).to_numpy(object),
        data=from_lifetimes(lives, component, part, lifetimes.as_of)[0],
        left_out=LeftOut(lost, lost_failed, int(seen.count[unweighed].sum()) if axis == "power" else 0),
    )


def _own_lives(table: pd.DataFrame, component: str, part: str, axis: str, finding: str | None) -> pd.DataFrame:
    """The part's rows; raises AnalyticsError where what is asked for is not on record."""
    if axis not in AXES:
        raise AnalyticsError(f"axis {axis!r}: use one of {', '.join(AXES)}")
    own = table[(table["component"] == component) & (table["part"] == part)]
    if own.empty:
        no_such_part(table, component, part)
    if finding is not None and not (own["finding"] == finding).any():
        findings = ", ".join(sorted(set(own["finding"]) - {""})) or "none"
        raise AnalyticsError(f"{part}: nothing was found {finding!r}; on record are {findings}")
    return own


def _none() -> np.ndarray:
    return np.zeros(0)


@dataclass(frozen=True, slots=True)
class Search:
    """The search over all cut-points: cuts, z (C,): places searched on the axis itself, log-rank z there. naive_p: log-rank at the best cut as if it
    had been chosen beforehand; p_value: paid for the search."""

    cuts: np.ndarray = field(default_factory=_none)
    z: np.ndarray = field(default_factory=_none)
    naive_p: float = NAN
    p_value: float = NAN

    @property
    def best(self) -> int:
        """Index of the best cut."""
        return int(np.nanargmax(np.abs(self.z)))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a jump may lie: ends of the confidence set on the axis itself (the truth lies between). whole: the set is all that was searched."""

    low: float = NAN
    high: float = NAN
    whole: bool = True


@dataclass(frozen=True, slots=True)
class Jump:
    """Failures just above the best place for each just below, like for like, on top of the slope: ``fitted``, as the fit has it; ``ratio``, ``low``,
    ``high``: without what the search adds. excluded: a jump larger than this is ruled out everywhere searched (inf: none is)."""

    fitted: float = NAN
    ratio: float = NAN
    low: float = NAN
    high: float = NAN
    excluded: float = NAN


@dataclass(frozen=True, slots=True)
class Models:
    """The models compared, by shape. p_smooth: of a smooth slope being all there is; p_step: of a jump being all there is; p_bend: of a bend being
    all. loglik: above that of no effect; aic: no effect = 0. centre (J,): of the bins, on the axis itself; hazards: log hazard ratio there (J,)."""

    p_smooth: float = NAN
    p_step: float = NAN
    p_bend: float = NAN
    loglik: dict[str, float] = field(default_factory=dict)
    aic: dict[str, float] = field(default_factory=dict)
    centre: np.ndarray = field(default_factory=_none)
    hazards: dict[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, repr=False)
class StepResult:
    """Is there a step along ``axis``? why: the reasons of the verdict. cut: best place of a jump, on the axis itself. failures: those with another
    truck to be held against; lives: units. draws: fleets redrawn for each p-value."""

    axis: str
    verdict: StepVerdict
    why: tuple[Reason, ...]
    confidence: float
    lives: int
    failures: int
    cut: float = NAN
    place: Place = Place()
    jump: Jump = Jump()
    search: Search = field(default_factory=Search)
    models: Models = field(default_factory=Models)
    left_out: LeftOut = LeftOut()
    draws: int = 0

    def __repr__(self) -> str:
        return brief(
            self, "axis", "verdict", "cut", low=self.place.low, high=self.place.high, p_value=self.search.p_value
        )


def judge_step(lives: CutLives, confidence: float = 0.9, draws: int = 999, seed: int = 1) -> StepResult:
    """The verdict on one axis. With alpha = 1 - confidence: STEP is said of a part with a smooth power law, or with no effect
    of power, with chance at most alpha, SLOPE of one with a lone jump or with no effect at most alpha, for Weibull and log-normal lives.

    STEP: the search's p is at most alpha, every smooth law that the records allow (`_largest_p`) is rejected at alpha/2 (at alpha itself fleets
    of the study counted up to 0.15 in place of 0.10), and a jump beats both slope and bend by AIC. SLOPE: a
    lone jump is rejected at alpha, a smooth law is not, and by AIC the slope beats a lone jump by 2 and a jump on top of it at all
    (Akaike 1974; differences under 2 count as none, Burnham and Anderson 2002, from memory). Else: OPEN.

    confidence: a share from 0.5 to below 1; draws: redrawn fleets for each p-value; seed: of the drawings. Raises AnalyticsError on a confidence
    that is none; what the records cannot carry comes back as OPEN, with the reason.
    """
    if not 0.5 <= confidence < 1:
        raise AnalyticsError(f"confidence {confidence}: give a share from 0.5 to below 1, such as 0.9")
    failures = int(lives.count[lives.failed].sum())
    if failures < FEWEST:
        return _open(lives, confidence, reason(Step.FEW_FAILURES, failures=failures, least=FEWEST))
    try:
        sets = risk_sets(np.log(lives.x), lives.time, lives.failed, lives.entry, lives.stratum, count=lives.count)
        if sets.failures < FEWEST:
            return _open(lives, confidence, reason(Step.FEW_COMPARED, failures=sets.failures))
        table = ShapeTable(sets)
    except NotEnoughData as error:
        return _open(lives, confidence, reason(Refused.BECAUSE, why=str(error)))
    return _judge(lives, table, confidence, draws, seed)


def _open(lives: CutLives, confidence: float, why: Reason) -> StepResult:
    return StepResult(
        axis=lives.axis,
        verdict=StepVerdict.OPEN,
        why=(why,),
        confidence=confidence,
        lives=int(lives.count.sum()),
        failures=int(lives.count[lives.failed].sum()),
        left_out=lives.left_out,
    )


def _judge(lives: CutLives, table: ShapeTable, confidence: float, draws: int, seed: int) -> StepResult:
    sets, rng = table.sets, np.random.default_rng(seed)
    fit = table.fit(sets.bin)
    search = _search(sets, draws, rng)
    fits = {k: _fit_lives(lives, table, fit, k) for k in TESTED}
    wild = [k for k, (_, top) in fits.items() if not top.converged[0]]
    if wild:
        return _open(lives, confidence, reason(Step.NOT_CONVERGED, shape=wild[0]))
    redrawn = {k: table.drawn(_pull(lives, sets, fit, k, m, top.theta[0]), draws, rng) for k, (m, top) in fits.items()}
    smooth = _largest_p(lives, table, fit, fits["slope"], redrawn["slope"], draws, rng, 1 - confidence)
    models = _compare(table, fit, redrawn, smooth)
    verdict, why = _verdict(lives.axis, search.p_value, models, 1 - confidence)
    place = int(fit.place["both"][0])
    return StepResult(
        axis=lives.axis,
        verdict=verdict,
        why=why,
        confidence=confidence,
        lives=int(lives.count.sum()),
        failures=sets.failures,
        cut=float(search.cuts[place if verdict == StepVerdict.STEP else search.best]),
        place=_place(table, fit, redrawn["both"], confidence),
        jump=_jump(table, fit, redrawn["both"], *fits["both"], confidence),
        search=search,
        models=models,
        left_out=lives.left_out,
        draws=draws,
    )


def _share(drawn: np.ndarray, seen: float) -> float:
    return float((1 + (drawn >= seen - 1e-9).sum()) / (len(drawn) + 1))


def _search(sets: RiskSets, draws: int, rng: np.random.Generator) -> Search:
    z = cut_z(sets, sets.bin)[0]
    statistic = float(np.nanmax(np.abs(z)))
    none = cut_z(sets, redraw(sets, sets.at_risk, draws, rng))
    return Search(
        cuts=np.exp(sets.cuts),
        z=z,
        naive_p=float(chdtrc(1, statistic**2)),
        p_value=_share(np.nanmax(np.abs(none), axis=1), statistic),
    )


#: standard errors off the best slope at which a smooth one is tried again
_SLOPES_TRIED = (0.0, 1.645, -1.645)


def _largest_p(
    lives: CutLives,
    table: ShapeTable,
    fit: Fitted,
    best: tuple[JointModel, Optimum],
    redrawn: Fitted,
    draws: int,
    rng: np.random.Generator,
    enough: float,
) -> float:
    """The largest p of a smooth slope being all there is, over the slopes that the records allow and both lifetime distributions (Berger
    and Boos, J. Am. Stat. Assoc. 89 (1994) 1012-1016, without what they add for the set; from memory). No further one is tried once p
    exceeds ``enough``. redrawn: fleets of the ``best`` Weibull slope."""
    largest = _p_of(fit, redrawn, "slope")
    for distribution in DISTRIBUTIONS:
        if largest > enough:
            break
        model, top = best if distribution == "weibull" else _fit_lives(lives, table, fit, "slope", distribution)
        if not top.converged[0]:
            continue
        for errors in _SLOPES_TRIED:
            if largest > enough:
                break
            if errors or distribution != "weibull":
                theta = _with_slope(lives.axis, model, top, errors)
                drawn = table.drawn(_pull(lives, table.sets, fit, "slope", model, theta), draws, rng)
                largest = max(largest, _p_of(fit, drawn, "slope"))
    return largest


def _with_slope(axis: str, model: JointModel, top: Optimum, errors: float) -> np.ndarray:
    """The fit (p,) with its slope along the axis so many standard errors steeper, all else as it then fits best (to first order)."""
    covariance = np.linalg.inv(-0.5 * (top.hess[0] + top.hess[0].T))
    along = np.zeros(len(top.theta[0]))
    along[[model.layout.gamma.start + model.columns.index(k.replace("_", " ")) for k in ALONG[axis]]] = 1.0
    spread = np.sqrt(max(float(along @ covariance @ along), 1e-12))
    theta = top.theta[0] - errors * covariance @ along / spread
    at = along > 0
    return np.where(at, np.minimum(theta, -1e-3), theta)


def _p_of(fit: Fitted, drawn: Fitted, base: str) -> float:
    """Of a simpler shape being all there is: its distance to a jump on top of a slope in fleets ``drawn`` as if it were (Cox; Hinde)."""
    return _share(drawn.loglik["both"] - drawn.loglik[base], float((fit.loglik["both"] - fit.loglik[base])[0]))


def _compare(table: ShapeTable, fit: Fitted, redrawn: dict[str, Fitted], p_smooth: float) -> Models:
    """Each simpler shape against a jump on top of a slope."""
    loglik = {k: float(v[0]) for k, v in fit.loglik.items()}
    return Models(
        p_smooth=p_smooth,
        p_step=_p_of(fit, redrawn["step"], "step"),
        p_bend=_p_of(fit, redrawn["stick"], "stick"),
        loglik=loglik,
        aic={k: 2 * PARAMETERS[k] - 2 * v for k, v in loglik.items()},
        centre=np.exp(table.sets.centre),
        hazards={k: table.hazard(k, fit) for k in TESTED},
    )


def _place(table: ShapeTable, fit: Fitted, redrawn: Fitted, confidence: float) -> Place:
    """By likelihood ratio, its limit from fleets redrawn with the jump at the best place."""
    sets, allowed, place = table.sets, table.allowed, int(fit.place["both"][0])
    drop = redrawn.profile.max(1) - redrawn.profile[:, place]
    limit = float(np.quantile(drop, confidence, method="inverted_cdf"))
    inside = np.flatnonzero(fit.profile[0].max() - fit.profile[0] <= limit + 1e-9)
    low = sets.cuts[inside[0] - 1] if inside[0] > 0 else sets.cuts[inside[0]]
    high = sets.cuts[inside[-1] + 1] if inside[-1] + 1 < len(sets.cuts) else sets.next[inside[-1]]
    return Place(
        low=float(np.exp(low)),
        high=float(np.exp(high)),
        whole=bool(inside[0] <= allowed[0] and inside[-1] >= allowed[-1]),
    )


def _jump(table: ShapeTable, fit: Fitted, redrawn: Fitted, model: JointModel, top: Optimum, confidence: float) -> Jump:
    """The jump, less what choosing its place adds: error seen in the redrawn fleets. Its range by the likelihood, as it stands and
    moved as much: either alone held the true jump too rarely, for small samples or for large ones."""
    by_miles = -float(top.theta[0][model.layout.gamma][model.columns.index("jump")])
    fitted = float(fit.step["both"][0])
    off = float(np.median(redrawn.step["both"] - by_miles))
    gain = _by_jump(table)
    low, high = _jump_range(gain, confidence)
    return Jump(
        fitted=float(np.exp(fitted)),
        ratio=float(np.exp(max(fitted - off, 0.0))),
        low=float(np.exp(max(low - max(off, 0.0), 0.0))),
        high=float(np.exp(high + max(-off, 0.0))),
        excluded=_largest_jump(gain, confidence),
    )


def _more_columns(shape: str, x: np.ndarray, cuts: np.ndarray, fit: Fitted) -> dict[str, np.ndarray]:
    """Further columns (n,) of a shape; x (n,) and cuts on the log of the axis."""
    if shape == "slope":
        return {}
    place = cuts[int(fit.place[shape][0])]
    return {"bend": np.maximum(x - place, 0.0)} if shape == "stick" else {"jump": (x > place + 1e-9).astype(float)}


def _fit_lives(
    lives: CutLives, table: ShapeTable, fit: Fitted, shape: str, distribution: str = "weibull"
) -> tuple[JointModel, Optimum]:
    """The lifetime distribution by miles with the hazard of that shape along the axis, unknown odometers integrated out."""
    d = lives.data
    x = sum(getattr(d, k) for k in ALONG[lives.axis]) - (np.log(REFERENCE_LB) if len(ALONG[lives.axis]) > 1 else 0.0)
    more = _more_columns(shape, x, table.sets.cuts, fit)
    if shape == "step":
        # no slope along the axis beside the jump: without a spread of its own that column says nothing
        means: dict[str, Any] = {k: np.full(len(d.lower), getattr(d, k).mean()) for k in ALONG[lives.axis]}
        d = replace(d, **means)
    d = replace(d, extra=np.column_stack(list(more.values())) if more else d.extra, extra_names=tuple(more))
    model = joint_model(d, LIFE_MILES, distribution, terms=Terms(decline=True, selection=True))
    others = tuple((0.0, 1.5) if n in more else p for n, p in zip(model.columns[2:], model.priors.others, strict=True))
    return fit_joint(replace(model, priors=replace(model.priors, others=others)))


def _covariates(lives: CutLives, model: JointModel, shape: str, more: dict[str, np.ndarray]) -> np.ndarray:
    """(n, q) of the lives searched, centred as the model's own."""
    columns = [np.ones(len(lives.x))]
    for name, centre in zip(model.columns[1:], model.centre, strict=True):
        if name == "log power":
            flat = shape == "step" and "log_power" in ALONG[lives.axis]
            value = np.full(len(lives.x), centre) if flat else lives.log_power
        elif name == "log weight":
            value = lives.log_weight
        elif name in more:
            value = more[name]
        else:
            value = (lives.use == name.removeprefix("use ")).astype(float)
        columns.append(value - centre)
    return np.column_stack(columns)


def _pull(lives: CutLives, sets: RiskSets, fit: Fitted, shape: str, model: JointModel, theta: np.ndarray) -> np.ndarray:
    """(K, J) chances, up to a factor, of the failed one being in each bin under the lifetime distribution with ``theta`` (p,): hazards in days,
    averaged over the miles a day of those still there. So they know that hard drivers of strong trucks fail first, and leave slow ones."""
    lay = model.layout
    more = _more_columns(shape, np.log(lives.x), sets.cuts, fit)
    eta = _covariates(lives, model, shape, more) @ theta[lay.gamma]
    if not lay.uses:
        return pull_by_bin(sets, lambda day, rows: np.exp(-eta[rows]))
    names = list(model.data.use_names)
    code = np.array([names.index(u) if u in names else 0 for u in lives.use])
    mu = theta[lay.mu][code if lay.uses > 1 else np.zeros(len(code), int)]
    beta, (s, weight) = float(np.exp(theta[0])), model.nodes
    at = lay.place("decline")
    later = float(np.exp(theta[at])) if at is not None else 1.0

    def pull(day: float, rows: np.ndarray) -> np.ndarray:
        days = min(day, model.change_days) + later * max(day - model.change_days, 0.0)
        y = mu[rows, None] + np.exp(theta[lay.tau]) * s + np.log(max(days, NOTHING) / LIFE_MILES)
        z = np.minimum(beta * y - eta[rows, None], 300.0)
        if model.distribution == "weibull":
            left, hazard = np.exp(-np.exp(z)), np.exp(z)
        else:
            left, hazard = ndtr(-z), np.exp(-0.5 * z**2 - log_ndtr(-z))
        # relative to the least hazard, where nobody is left by the distribution
        return (hazard * left * weight).sum(1) / np.maximum((left * weight).sum(1), 1e-290)

    return pull_by_bin(sets, pull)


def _by_jump(table: ShapeTable) -> np.ndarray:
    """(D, C) log-likelihood of each jump of STEPS at each place, the slope free."""
    sets = table.sets
    tally = np.bincount(sets.bin, minlength=len(sets.centre))
    above = len(sets.bin) - np.cumsum(tally)[:-1][table.allowed]
    straight = table.z[sets.bin].sum() * table.slopes[:, None, None]
    return (straight + above * STEPS[:, None] - table.both_term).max(0)


def _jump_range(gain: np.ndarray, confidence: float) -> tuple[float, float]:
    """Log jumps between which the true one lies by the likelihood ratio, place and slope free; inf where the largest tried fits."""
    drop = gain.max() - gain.max(1)
    kept = np.flatnonzero(drop <= 0.5 * float(chdtri(1, 1 - confidence)))
    low = STEPS[max(kept[0] - 1, 0)]
    return float(low), np.inf if kept[-1] == len(STEPS) - 1 else float(STEPS[kept[-1] + 1])


def _largest_jump(gain: np.ndarray, confidence: float) -> float:
    """The largest jump, at any place searched, that the likelihood ratio does not rule out (one-sided, first order); inf
    where even the largest tried is not."""
    kept = np.flatnonzero((gain.max() - gain <= 0.5 * float(ndtri(confidence)) ** 2).any(1))
    return np.inf if kept[-1] == len(STEPS) - 1 else float(np.exp(STEPS[kept[-1]]))


def _verdict(axis: str, p: float, models: Models, alpha: float) -> tuple[StepVerdict, tuple[Reason, ...]]:
    """The verdict and its reasons. p: of the search."""
    m, aic = models, models.aic
    by_jump = min(aic["step"], aic["both"]) < min(aic["slope"], aic["stick"])
    if p <= alpha and m.p_smooth <= alpha / 2 and by_jump:
        bend = Step.BEND_RULED_OUT if m.p_bend <= alpha else Step.BEND_NOT_RULED_OUT
        return StepVerdict.STEP, (
            reason(Step.DIFFERENCE_AND_JUMP, p_value=p, p_smooth=m.p_smooth),
            reason(bend, p_bend=m.p_bend),
        )
    by_slope = aic["slope"] + 2 <= aic["step"] and aic["slope"] <= aic["both"]
    if m.p_step <= alpha and m.p_smooth > alpha and by_slope:
        return StepVerdict.SLOPE, (reason(Step.TREND_BESIDE_JUMP, p_step=m.p_step, p_smooth=m.p_smooth),)
    if p > alpha and m.p_step > alpha:
        return StepVerdict.OPEN, (reason(Step.BEST_CUT_BY_CHANCE, p_value=p),)
    return StepVerdict.OPEN, (reason(Step.NO_SHAPE, axis=axis, explained=_explained(models, alpha)),)


def _explained(models: Models, alpha: float) -> tuple[Reason, ...]:
    """Which shapes explain records in which power matters."""
    m, aic, out = models, models.aic, []
    out += reason_if(Step.SLOPE_EXPLAINS, m.p_smooth > alpha, p_smooth=m.p_smooth)
    if m.p_step > alpha:
        out.append(reason(Step.JUMP_EXPLAINS, p_step=m.p_step))
    elif aic["slope"] + 2 > aic["step"]:
        out.append(reason(Step.JUMP_FITS_AS_WELL, jump=m.loglik["step"], slope=m.loglik["slope"]))
    elif aic["slope"] > aic["both"]:
        out.append(reason(Step.BOTH_FIT_BETTER))
    out += reason_if(Step.SLOPE_HARDLY, m.p_smooth <= alpha, p_smooth=m.p_smooth)
    return tuple(out)
