"""Is there a step in life at some power, only a slope, or can't the records tell?

Three questions, each answered by redrawing who failed (see `risk`): has power any effect, searched over all cut-points; does
a jump remain once a smooth power law is allowed for; does a slope remain once the best jump is allowed for. A search always
offers a cut, so each answer pays for its search by repeating it in every redrawn fleet.

The clock is days since the part was fitted, known for every life, with units compared only within their own use and weight
class. On the clock of miles a log-rank would have to leave out the survivors whose odometer nobody read, four in five of
them, while every failure is in; within a use the miles per day carry no news of power, so a jump in life by miles is a jump
in life by days. Whether they do is told by `ratings.driving.driving_by_power`. The fit on miles, with the unknown ones integrated out, is
put beside it as a second opinion.

Sources: Lausen and Schumacher, Biometrics 48 (1992) 73-85; the bootstrap of two rival models in turn: Cox, J. R. Stat. Soc. B
24 (1962) 406-424, and Hinde in Gilchrist et al. (eds), GLIM 82 (1982) 28-34, both from memory; the overrated effect at a chosen
cut: Hollaender, Sauerbrei and Schumacher, Stat. Med. 23 (2004) 1701-1713.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.cutoffs.risk import RiskSets, cut_z, pull_by_bin, redraw, risk_sets
from analytics.cutoffs.shapes import PARAMETERS, STEPS, Fitted, ShapeTable
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import observed
from analytics.models.joint import JointModel, fit_joint, joint_model
from analytics.models.lifedata import NOTHING, LifeData, from_lifetimes
from analytics.models.newton import Optimum
from analytics.records.load import NOT_RECORDED

NAN = float("nan")
FEWEST = 8  # failures below which no verdict is given
AXES = {"power": "power_hp", "weight": "weight_lb", "power x weight": "load"}
UNITS = {"power": "hp", "weight": "lb", "power x weight": "hp at 7,000 lb"}
MATTERS = {
    "power": "power matters",
    "weight": "weight matters",
    "power x weight": "power and weight together matter",
}
REFERENCE_LB = 7000.0
LIFE_MILES = 50_000.0  # only a unit of scale
WORDS = {"slope": "a smooth slope", "step": "a lone jump", "stick": "a bend", "both": "a jump on a slope"}


@dataclass(frozen=True, slots=True, repr=False)
class CutLives:
    """Lives of one part on the clock of days, as the search for a cut takes them. All arrays (n,), rows of several units
    counted by ``count``. x: on the axis itself (hp, lb). log_weight: the median of the use where unknown. data: the same lives on
    the clock of miles, for the life law. rows: labels in the table of lifetimes. left_out: units without it, and
    failures among them."""

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
    rows: pd.Index
    left_out: int
    left_out_failed: int
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return f"CutLives({self.axis}: {int(self.count.sum())} lives, {int(self.count[self.failed].sum())} failures)"


def cut_lives(
    lifetimes: Lifetimes, component: str, part: str, axis: str = "power", finding: str | None = None
) -> CutLives:
    """Lives of one part for the search along ``axis``: "power", "weight" or "power x weight" (hp at 7,000 lb).

    Strata: use and weight class for power, use and power band for weight, use for their product. A failure for another cause
    than the part (an install error) ends a life without a failure; with ``finding`` so do all other findings. Raises
    AnalyticsError where the part or the finding is not on record.
    """
    if axis not in AXES:
        raise AnalyticsError(f"axis {axis!r}: use one of {', '.join(AXES)}")
    table = lifetimes.table
    own = table[(table["component"] == component) & (table["part"] == part)]
    if own.empty:
        known = sorted(set(table.loc[table["component"] == component, "part"]) - {NOT_RECORDED, ""})
        raise AnalyticsError(
            f"no lives of {component} {part}: "
            + (f"on record are {', '.join(known)}" if known else f"no component of that name, only {_names(table)}")
        )
    if finding is not None and not (own["finding"] == finding).any():
        raise AnalyticsError(f"{part}: nothing was found {finding!r}; on record are {_findings(own)}")
    own = own.assign(load=own["power_hp"] * own["weight_lb"] / REFERENCE_LB)
    column = AXES[axis]
    missing = ~(own[column] > 0)
    failures = (own["ended"] == "failed") & (own["cause"] != "install")
    lost, lost_failed = int(own.loc[missing, "count"].sum()), int(own.loc[missing & failures, "count"].sum())
    own = own[~missing].copy()
    if own.empty:
        raise NotEnoughData(f"no life of {part} has its {axis} on record")
    seen = observed(own, "days")
    usual = table.drop_duplicates("serial").groupby("use")["weight_lb"].median()
    own["weight_lb"] = own["weight_lb"].fillna(own["use"].map(usual)).fillna(table["weight_lb"].median())
    rows = own.loc[seen.rows]
    failed = seen.failed if finding is None else seen.failed & (rows["finding"] == finding).to_numpy()
    by = {"power": ["use", "weight_class"], "weight": ["use", "power_band"], "power x weight": ["use"]}[axis]
    stratum = rows[by].astype(str).agg(" | ".join, axis=1).to_numpy(object)
    lives = (
        own if finding is None else own.assign(cause=own["cause"].where(own["finding"] == finding, "another finding"))
    )
    whole = pd.concat([lives, table[table["component"] != component]], ignore_index=True)
    data, _ = from_lifetimes(whole, component, part, lifetimes.as_of)
    notes = []
    if lost:
        notes.append(f"{lost} lives have no {axis} on record and are left out, {lost_failed} of them failures.")
    if axis == "power":
        blank = (rows["weight_class"].astype(str) == NOT_RECORDED).to_numpy()
        if blank.any():
            notes.append(
                f"{int(seen.count[blank].sum())} lives without a weight on record are compared among themselves; where mainly "
                "returned trucks were weighed that dulls the comparison and favours no power."
            )
    return CutLives(
        axis,
        rows[column].to_numpy(float),
        seen.time,
        failed,
        seen.entry,
        stratum,
        seen.count,
        np.log(rows["power_hp"].fillna(own["power_hp"].median()).to_numpy(float)),
        np.log(rows["weight_lb"].to_numpy(float)),
        rows["use"].astype(str).to_numpy(object),
        data,
        seen.rows,
        lost,
        lost_failed,
        tuple(notes),
    )


def _names(table: pd.DataFrame) -> str:
    return ", ".join(sorted(table["component"].unique()))


def _findings(own: pd.DataFrame) -> str:
    return ", ".join(sorted(set(own["finding"]) - {""})) or "none"


@dataclass(frozen=True, slots=True, repr=False)
class StepResult:
    """Is there a step? verdict: "step", "slope" or "can't tell"; why: in words. Powers on the axis itself.

    cut: best place of a jump; place_low, place_high: confidence set for it at ``confidence`` (its ends; the truth lies between),
    whole: the set is all that was searched. naive_p: log-rank at the best cut as if it had been chosen beforehand; p_value: paid for
    the search. p_smooth: of a smooth slope being all there is; p_step: of a jump being all there is; p_bend: of a bend being all.
    ratio: failures above the best cut of a lone jump for each below, like for like, as the search offers it; jump: at the cut, on top
    of the slope; shrunk, shrunk_low, shrunk_high: that jump without what the search adds. excluded: a jump larger than this is
    ruled out everywhere searched (inf: none is). slope: exponent of the hazard in the axis. aic: by shape, none = 0. loglik: likewise.
    cuts, z, profile: (C,) searched places, log-rank z, log-likelihood of a jump there on top of a slope. below_*, above_*: of the best cut.
    """

    axis: str
    verdict: str
    why: tuple[str, ...]
    confidence: float
    failures: int
    lives: int
    cut: float
    place_low: float
    place_high: float
    whole: bool
    statistic: float
    naive_p: float
    p_value: float
    p_smooth: float
    p_step: float
    p_bend: float
    ratio: float
    jump: float
    shrunk: float
    shrunk_low: float
    shrunk_high: float
    excluded: float
    slope: float
    slope_with_step: float
    loglik: dict[str, float]
    aic: dict[str, float]
    cuts: np.ndarray
    z: np.ndarray
    profile: np.ndarray
    hazards: dict[str, np.ndarray]
    centre: np.ndarray
    below_lives: int
    below_failures: int
    above_lives: int
    above_failures: int
    draws: int
    seed: int
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return (
            f"StepResult({self.axis}: {self.verdict}; best cut {self.cut:,.0f}, {self.place_low:,.0f} to "
            f"{self.place_high:,.0f}; p {self.p_value:.3g}, smooth {self.p_smooth:.3g}, step {self.p_step:.3g})"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row, unrounded."""
        skip = ("loglik", "aic", "cuts", "z", "profile", "hazards", "centre", "why", "notes")
        row = {k: getattr(self, k) for k in self.__slots__ if k not in skip}
        row |= {f"aic_{k}": v for k, v in self.aic.items()}
        return pd.DataFrame([{**row, "why": " ".join(self.why)}])


def _share(drawn: np.ndarray, seen: float) -> float:
    return float((1 + (drawn >= seen - 1e-9).sum()) / (len(drawn) + 1))


def _refused(lives: CutLives, confidence: float, seed: int, reason: str) -> StepResult:
    n, k = int(lives.count.sum()), int(lives.count[lives.failed].sum())
    blank = np.zeros(0)
    return StepResult(
        lives.axis, "can't tell", (reason[0].upper() + reason[1:] + ".",), confidence, k, n, *[NAN] * 3, True, *[NAN] * 14,
        {}, {}, blank, blank, blank, {}, blank, 0, 0, 0, 0, 0, seed, lives.notes,
    )  # fmt: skip


def judge_step(lives: CutLives, confidence: float = 0.9, draws: int = 999, seed: int = 1) -> StepResult:
    """The verdict on one axis. With alpha = 1 - confidence: "step" is said of a part with a smooth power law, or with no effect
    of power, with chance at most alpha, "slope" of one with a lone jump or with no effect at most alpha; for Weibull lives (on log-normal
    ones the study of fleets counted 0.155 for a slope called a step; choosing the likelier law did not mend it).

    step: the search's p is at most alpha, a smooth law is rejected at alpha/2 (at alpha itself the study of fleets counted up to
    0.15 in place of 0.10), and a jump beats both slope and bend by AIC. slope: a
    lone jump is rejected at alpha, a smooth law is not, and by AIC the slope beats a lone jump by 2 and a jump on top of it at all
    (Akaike 1974; differences under 2 count as none, Burnham and Anderson 2002, from memory). Else: can't tell.
    """
    if not 0.5 <= confidence < 1:
        raise AnalyticsError(f"confidence {confidence}: give a share from 0.5 to below 1, such as 0.9")
    failures = int(lives.count[lives.failed].sum())
    if failures < FEWEST:
        return _refused(
            lives, confidence, seed,
            f"only {failures} failure{'' if failures == 1 else 's'} on record where {FEWEST} are the least to go by",
        )  # fmt: skip
    try:
        sets = risk_sets(np.log(lives.x), lives.time, lives.failed, lives.entry, lives.stratum, None, lives.count)
        if sets.failures < FEWEST:
            return _refused(
                lives,
                confidence,
                seed,
                f"only {sets.failures} failures had another truck of their use and class to be held against",
            )
        table = ShapeTable(sets)
    except NotEnoughData as error:
        return _refused(lives, confidence, seed, str(error))
    return _judge(lives, sets, table, confidence, draws, seed)


def _judge(lives: CutLives, sets: RiskSets, table: ShapeTable, confidence: float, draws: int, seed: int) -> StepResult:
    alpha = 1 - confidence
    rng = np.random.default_rng(seed)
    fit = table.fit(sets.bin)
    z = cut_z(sets, sets.bin)[0]
    statistic = float(np.nanmax(np.abs(z)))
    none = cut_z(sets, redraw(sets, sets.at_risk, draws, rng))
    p_value = _share(np.nanmax(np.abs(none), axis=1), statistic)
    laws = {k: _law(lives, table, fit, k) for k in ("slope", "step", "stick", "both")}
    wild = [k for k, (_, top) in laws.items() if not top.converged[0]]
    if wild:
        return _refused(
            lives, confidence, seed, f"the life law with {WORDS[wild[0]]} did not converge on these records"
        )
    smooth, step, stick, both = (
        table.drawn(_pull(lives, sets, fit, k, *laws[k]), draws, rng) for k in ("slope", "step", "stick", "both")
    )

    def gain(f: Fitted, base: str) -> np.ndarray:
        return f.loglik["both"] - f.loglik[base]

    p_smooth = _share(gain(smooth, "slope"), float(gain(fit, "slope")[0]))
    p_step = _share(gain(step, "step"), float(gain(fit, "step")[0]))
    p_bend = _share(gain(stick, "stick"), float(gain(fit, "stick")[0]))
    loglik = {k: float(v[0]) for k, v in fit.loglik.items()}
    aic = {k: 2 * PARAMETERS[k] - 2 * v for k, v in loglik.items()}
    # the place: likelihood ratio, its limit from fleets redrawn with the jump at the best place
    place = int(fit.place["both"][0])
    drop = both.profile.max(1) - both.profile[:, place]
    limit = float(np.quantile(drop, confidence, method="inverted_cdf"))
    inside = np.flatnonzero(fit.profile[0].max() - fit.profile[0] <= limit + 1e-9)
    allowed = table.allowed
    low = sets.cuts[inside[0] - 1] if inside[0] > 0 else sets.cuts[inside[0]]
    high = sets.cuts[inside[-1] + 1] if inside[-1] + 1 < len(sets.cuts) else sets.next[inside[-1]]
    whole = bool(inside[0] <= allowed[0] and inside[-1] >= allowed[-1])
    # the jump, less what choosing its place adds: error seen in the redrawn fleets. Its range by the likelihood, as it stands and
    # moved as much: either alone held the true jump too rarely, for small samples or for large ones
    model, top = laws["both"]
    jump_by_miles = -float(top.theta[0][model.layout.gamma][model.columns.index("jump")])
    error = both.step["both"] - jump_by_miles
    jump = float(fit.step["both"][0])
    off = float(np.median(error))
    shrunk = max(jump - off, 0.0)
    gain_of = _by_jump(table, sets)
    shrunk_low, shrunk_high = _jump_range(gain_of, confidence)
    shrunk_low, shrunk_high = max(shrunk_low - max(off, 0.0), 0.0), shrunk_high + max(-off, 0.0)
    excluded = _largest_jump(gain_of, confidence)
    best = int(np.nanargmax(np.abs(z)))
    above = lives.x > np.exp(sets.cuts[best]) * (1 + 1e-9)
    count, failed = lives.count, lives.failed
    ratio = float(np.exp(fit.step["step"][0]))
    verdict, why = _verdict(lives.axis, p_value, p_smooth, p_step, p_bend, aic, loglik, alpha)
    from scipy.special import chdtrc

    return StepResult(
        lives.axis,
        verdict,
        tuple(w[0].upper() + w[1:] + "." for w in why),
        confidence,
        sets.failures,
        int(count.sum()),
        float(np.exp(sets.cuts[place])) if verdict == "step" else float(np.exp(sets.cuts[best])),
        float(np.exp(low)),
        float(np.exp(high)),
        whole,
        statistic,
        float(chdtrc(1, statistic**2)),
        p_value,
        p_smooth,
        p_step,
        p_bend,
        ratio,
        float(np.exp(jump)),
        float(np.exp(shrunk)),
        float(np.exp(shrunk_low)),
        float(np.exp(shrunk_high)),
        excluded,
        float(fit.slope["slope"][0]),
        float(fit.slope["both"][0]),
        loglik,
        aic,
        np.exp(sets.cuts),
        z,
        fit.profile[0],
        {k: table.hazard(k, fit) for k in ("slope", "step", "stick", "both")},
        np.exp(sets.centre),
        int(count[~above].sum()),
        int(count[~above & failed].sum()),
        int(count[above].sum()),
        int(count[above & failed].sum()),
        draws,
        seed,
        lives.notes,
    )


def _columns(axis: str, shape: str, x: np.ndarray, place: float) -> dict[str, np.ndarray]:
    """Further columns (n,) of a shape; x and place on the log of the axis."""
    if shape in ("step", "both"):
        return {"jump": (x > place + 1e-9).astype(float)}
    return {"bend": np.maximum(x - place, 0.0)} if shape == "stick" else {}


def _law(lives: CutLives, table: ShapeTable, fit: Fitted, shape: str) -> tuple[JointModel, Optimum]:
    """The life law by miles with the hazard of that shape along the axis, unknown odometers integrated out."""
    d = lives.data
    x = {
        "power": d.log_power,
        "weight": d.log_weight,
        "power x weight": d.log_power + d.log_weight - np.log(REFERENCE_LB),
    }
    place = table.sets.cuts[int(fit.place[shape][0])] if shape in fit.place else 0.0
    more = _columns(lives.axis, shape, x[lives.axis], place)
    if shape == "step":
        # no slope along the axis beside the jump: without a spread of its own that column says nothing
        flat = {"power": ("log_power",), "weight": ("log_weight",), "power x weight": ("log_power", "log_weight")}[
            lives.axis
        ]
        d = replace(d, **{k: np.full(len(d.lower), getattr(d, k).mean()) for k in flat})
    d = replace(d, extra=np.column_stack(list(more.values())) if more else d.extra, extra_names=tuple(more))
    model = joint_model(d, LIFE_MILES, "weibull", decline=True, selection=True, share=1.0)
    others = tuple((0.0, 1.5) if n in more else p for n, p in zip(model.columns[2:], model.priors.others, strict=True))
    return fit_joint(replace(model, priors=replace(model.priors, others=others)))


def _pull(lives: CutLives, sets: RiskSets, fit: Fitted, shape: str, model: JointModel, top: Optimum) -> np.ndarray:
    """(K, J) chances, up to a factor, of the failed one being in each bin under the life law: hazards in days, averaged over
    the miles a day of those still there. So they know that hard drivers of strong trucks fail first, and leave slow ones."""
    theta, lay = top.theta[0], model.layout
    x = np.log(lives.x)
    place = sets.cuts[int(fit.place[shape][0])] if shape in fit.place else 0.0
    more = _columns(lives.axis, shape, x, place)
    columns = [np.ones(len(x))]
    for j, name in enumerate(model.columns[1:]):
        if name == "log power":
            value = (
                lives.log_power
                if not (shape == "step" and lives.axis != "weight")
                else np.full(len(x), model.centre[j])
            )
        elif name == "log weight":
            value = lives.log_weight
        elif name.startswith("use "):
            value = (lives.use == name[4:]).astype(float)
        else:
            value = more[name]
        columns.append(value - model.centre[j])
    eta = np.column_stack(columns) @ theta[lay.gamma]
    beta = float(np.exp(theta[0]))
    names = list(model.data.use_names)
    code = np.array([names.index(u) if u in names else 0 for u in lives.use])
    if not lay.uses:
        return pull_by_bin(sets, lambda day, rows: np.exp(-eta[rows]))
    mu = theta[lay.mu][code if lay.uses > 1 else np.zeros(len(code), int)]
    s, weight = model.nodes
    at = lay.place("decline")
    later = float(np.exp(theta[at])) if at is not None else 1.0

    def pull(day: float, rows: np.ndarray) -> np.ndarray:
        days = min(day, model.change_days) + later * max(day - model.change_days, 0.0)
        y = mu[rows, None] + np.exp(theta[lay.tau]) * s + np.log(max(days, NOTHING) / LIFE_MILES)
        h = np.exp(np.minimum(beta * y - eta[rows, None], 300.0))
        left = np.exp(-h) * weight
        # relative to the least hazard, where nobody is left by the law
        return (h * left).sum(1) / np.maximum(left.sum(1), 1e-290)

    return pull_by_bin(sets, pull)


def _by_jump(table: ShapeTable, sets: RiskSets) -> np.ndarray:
    """(D, C) log-likelihood of each jump of STEPS at each place, the slope free."""
    tally = np.bincount(sets.bin, minlength=len(sets.centre))
    above = len(sets.bin) - np.cumsum(tally)[:-1][table.allowed]
    straight = table.z[sets.bin].sum() * table.slopes[:, None, None]
    return (straight + above * STEPS[:, None] - table.both_term).max(0)


def _jump_range(gain: np.ndarray, confidence: float) -> tuple[float, float]:
    """Log jumps between which the true one lies by the likelihood ratio, place and slope free; inf where the largest tried fits."""
    from scipy.special import chdtri

    drop = gain.max() - gain.max(1)
    kept = np.flatnonzero(drop <= 0.5 * float(chdtri(1, 1 - confidence)))
    low = STEPS[max(kept[0] - 1, 0)]
    return float(low), np.inf if kept[-1] == len(STEPS) - 1 else float(STEPS[kept[-1] + 1])


def _largest_jump(gain: np.ndarray, confidence: float) -> float:
    """The largest jump, at any place searched, that the likelihood ratio does not rule out (one-sided, first order); inf
    where even the largest tried is not."""
    from scipy.special import ndtri

    kept = np.flatnonzero((gain.max() - gain <= 0.5 * float(ndtri(confidence)) ** 2).any(1))
    return np.inf if kept[-1] == len(STEPS) - 1 else float(np.exp(STEPS[kept[-1]]))


def _verdict(
    axis: str,
    p: float,
    p_smooth: float,
    p_step: float,
    p_bend: float,
    aic: dict[str, float],
    loglik: dict[str, float],
    alpha: float,
) -> tuple[str, tuple[str, ...]]:
    """The verdict and its reasons in words."""
    jump_aic = min(aic["step"], aic["both"])
    if p <= alpha and p_smooth <= alpha / 2 and jump_aic < min(aic["slope"], aic["stick"]):
        words = [
            f"a search that paid for itself finds a difference (p = {p:.3g}), and a smooth power law alone would show so sharp "
            f"a jump with chance {p_smooth:.3g} only"
        ]
        words.append(
            f"a bend in place of a jump is {'ruled out too' if p_bend <= alpha else 'not ruled out'} (p = {p_bend:.2g})"
        )
        return "step", tuple(words)
    if p_step <= alpha and p_smooth > alpha and aic["slope"] + 2 <= aic["step"] and aic["slope"] <= aic["both"]:
        return "slope", (
            f"a lone jump would leave so steep a trend on either side of it with chance {p_step:.3g} only, while a smooth power law "
            f"explains all there is (a jump on top of it: p = {p_smooth:.2g})",
        )
    if p > alpha and p_step > alpha:
        return "can't tell", (f"the best cut is no better than chance would offer a search (p = {p:.2g})",)
    reasons = []
    if p_smooth > alpha:
        reasons.append(f"a smooth slope explains the records (p = {p_smooth:.2g})")
    if p_step > alpha:
        reasons.append(f"a lone jump explains them (p = {p_step:.2g})")
    elif aic["slope"] + 2 > aic["step"]:
        reasons.append(
            f"a jump fits them about as well (log-likelihood {loglik['step']:.1f} against {loglik['slope']:.1f} for the slope)"
        )
    elif aic["slope"] > aic["both"]:
        reasons.append("a jump on top of the slope fits them better, though not beyond chance")
    if p_smooth <= alpha:
        reasons.append(
            f"a smooth slope alone hardly does (p = {p_smooth:.2g}), but that is not yet enough to call it a step"
        )
    return "can't tell", (
        f"{MATTERS[axis]}, but not in a shape that these records can name: " + ", and ".join(reasons),
    )
