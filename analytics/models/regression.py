"""Regression of known lives on covariates by maximum likelihood, one fit or a batch of weighted refits; and the penalised objective that
the ratings climb.

log T = b0 + x'b + sigma e, with e smallest-extreme-value (Weibull) or standard normal (log-normal). In theta = (-k, g), k = 1/sigma and
g = k b, a life of t sits at z = k log t - g0 - x'g, linear in theta, so that log k + log f(z) and log S(z) are concave: Newton's own steps reach
the one top from almost anywhere. Late entry and inspections are not concave; where the plain steps fail, those of `maximise`
take over, which bend the curvature.

Source: Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. 2003, ch. 5 and 6, for the likelihoods; Burridge, Biometrika 68
(1981) 323-324, for the concavity (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import AnalyticsError
from analytics.models.distributions import DISTRIBUTIONS, LOG_2PI, log_density, log_survival
from analytics.models.likelihood import Constraint, Layout, log_likelihood
from analytics.models.newton import maximise
from analytics.models.priors import Priors, penalty
from analytics.models.rows import Rows, Stacked, stack
from analytics.reasons import Unfitted

#: what a fit needs at least: with one failure any narrow enough spread explains it perfectly
FEWEST_FAILURES = 2
#: gain still to be had from a step, per failure, at which it is the last: what the next would add is below the digits of a float; and for where a fit starts
_GAINED, _START = 1e-17, 1e-6
#: plain steps before `maximise` takes over
_STEPS = 15
#: curvature per failure below which the likelihood rises for ever
_FLAT = 1e-5
#: cells (replicates x rows) taken at once: a few such arrays stay in the cache; and the replicates of a slab
_CELLS, _SLAB = 16_384, 64
#: rows from which on a fit starts from that to every eighth of them
_MANY = 4_000


def objective(
    rows: Rows | Stacked,
    layout: Layout,
    distribution: str,
    priors: Priors,
    nodes: tuple[np.ndarray, np.ndarray],
    constraint: Constraint | None = None,
    moved: np.ndarray | None = None,
):
    """The penalised log-likelihood as a function for `maximise`; rows with D > 1 are taken replicate by replicate.
    layout, distribution, nodes, constraint: as for `log_likelihood`; priors, moved: as for `penalty`."""
    data = stack(rows, layout.uses) if isinstance(rows, Rows) else rows
    replicates = data.constant.shape[0]

    def function(theta, which):
        own = data if replicates == 1 or len(which) == replicates else data.pick(which)
        f, g, h = log_likelihood(theta, own, layout, distribution, nodes, 2, constraint)
        p, pg, ph = penalty(theta, layout, priors, constraint is not None, moved if moved is None else moved[which])
        return f + p, g + pg, h + ph

    return function


@dataclass(frozen=True, slots=True)
class RegressionFits:
    """Fits of log T = b0 + x'b + sigma e to B sets of weights.

    coef: (B, 1 + q), b0 first; sigma: (B,); covariance: (B, q + 2, q + 2) of (coef, log sigma), from the observed information;
    log_likelihood: (B,), of T itself, no constant dropped; failures: (B,), weighted; why: (B,), None, or why there is no fit (its figures are NaN).
    """

    distribution: str
    coef: np.ndarray
    sigma: np.ndarray
    covariance: np.ndarray
    log_likelihood: np.ndarray
    failures: np.ndarray
    why: tuple[Unfitted | None, ...]


@dataclass(frozen=True, slots=True)
class KnownLives:
    """Places (p, n) of known lives: z = theta @ place. Those of failures at a known age come first, then of those running, then entries.

    row: (n,) the row each is of; low, high: (p, m) of failures between two looks, new: (m,) whether from new on; look: (m,) their rows.
    """

    distribution: str
    log_scale: float
    places: np.ndarray
    row: np.ndarray
    exact: int
    entries: int
    low: np.ndarray
    high: np.ndarray
    new: np.ndarray
    look: np.ndarray

    def weigh(self, weights: np.ndarray) -> Weighed:
        """With ``weights`` (B, rows)."""
        w = weights[:, self.row]
        gone, failed = self.places[:, : self.exact], w[:, : self.exact]
        weibull = self.distribution == "weibull"
        # what has been lived before entry is taken off; a log-normal failure has no survival in it
        first, known, looks = 0 if weibull else self.exact, failed.sum(1), weights[:, self.look]
        linear, constant = failed @ gone.T, -known * (self.log_scale + (0 if weibull else LOG_2PI / 2))
        constant += linear[:, 0]
        square = None if weibull else _moments(failed, gone, gone)
        if self.entries:
            w[:, -self.entries :] *= -1
        failures = known + looks.sum(1)
        return Weighed(
            self, self.places[:, first:], w[:, first:], looks, failures, known, linear * weibull, square, constant
        )


@dataclass(frozen=True, slots=True)
class Weighed:
    """The log-likelihood of lives under B sets of weights, for `maximise`. at, w: (p, n), (B, n) of all that survival enters; looks: (B, m) of failures between
    looks; failures: (B,) weight of all, failed: of those at a known age; linear (B, p), square (B, p, p; None: 0): what these add beside log k
    and survival; constant: (B,)."""

    lives: KnownLives
    at: np.ndarray
    w: np.ndarray
    looks: np.ndarray
    failures: np.ndarray
    failed: np.ndarray
    linear: np.ndarray
    square: np.ndarray | None
    constant: np.ndarray

    def pick(self, which: np.ndarray) -> Weighed:
        if len(which) == len(self.w):
            return self
        square = None if self.square is None else self.square[which]
        names = ("w", "looks", "failures", "failed", "linear", "constant")
        return replace(self, square=square, **{name: getattr(self, name)[which] for name in names})

    def __call__(self, theta: np.ndarray, which: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Log-likelihood (B,), gradient (B, p) and Hessian (B, p, p) at theta (B, p) of the replicates ``which``."""
        own = self.pick(which)
        with np.errstate(all="ignore"):
            value, grad, hess = own.slopes(theta)
            return own.whole(theta, value), grad, hess

    def whole(self, theta: np.ndarray, value: np.ndarray) -> np.ndarray:
        """What `slopes` calls value, with all that is linear or square in theta."""
        return value + self.constant + self.failed * np.log(-theta[:, 0]) + (self._bent(theta, 0.5) * theta).sum(1)

    def _bent(self, theta: np.ndarray, share: float) -> np.ndarray:
        if self.square is None:
            return self.linear
        return self.linear - share * np.matmul(self.square, theta[..., None])[..., 0]

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Log of the chance to survive (B,) and to fail between looks, and gradient and Hessian of the log-likelihood."""
        survived = _survived_weibull if self.square is None else _survived_lognormal
        step = max(1, _CELLS // len(theta))
        value, grad, hess = survived(theta @ self.at[:, :step], self.w[:, :step], self.at[:, :step])
        for start in range(step, self.at.shape[1], step):
            at = self.at[:, start : start + step]
            f, g, h = survived(theta @ at, self.w[:, start : start + step], at)
            value += f
            grad += g
            hess += h
        if self.looks.shape[1]:
            f, g, h = self.between(theta)
            value, grad, hess = value + f, grad + g, hess + h
        grad += self._bent(theta, 1.0)
        if self.square is not None:
            hess -= self.square
        per = self.failed / theta[:, 0]
        grad[:, 0] += per
        hess[:, 0, 0] -= per / theta[:, 0]
        return value, grad, hess

    def between(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of failures between two looks: log(S(low) - S(high))."""
        law, new, low, high, w = self.lives.distribution, self.lives.new, self.lives.low, self.lives.high, self.looks
        zl, zu = theta @ low, theta @ high
        sl = np.where(new, 0.0, log_survival(zl, law)[0])
        value = sl + np.log(-np.expm1(log_survival(zu, law)[0] - sl))
        (fl, rl, _), (fu, ru, _) = log_density(zl, law), log_density(zu, law)
        al, au = np.where(new, 0.0, np.exp(fl - value)), np.exp(fu - value)
        cross = _moments(w * al * au, low, high)
        hess = _moments(w * (au * ru - au * au), high, high) - _moments(w * (al * rl + al * al), low, low)
        return (
            (w * value).sum(1),
            (w * au) @ high.T - (w * al) @ low.T,
            hess + cross + np.swapaxes(cross, 1, 2),
        )


def _survived_weibull(z, w, at):
    """Sums of w log S(z), and of its derivatives in theta: log S = -e^z is its own first and second, and one of the places is -1 throughout."""
    np.exp(z, out=z)
    z *= w
    second = _moments(z, at, at)
    return -second[:, 1, 1], second[:, 1], -second


def _survived_lognormal(z, w, at):
    value, first, second = log_survival(z, "lognormal")
    return (w * value).sum(1), (w * first) @ at.T, _moments(w * second, at, at)


def _moments(c: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """sum_i c_i a_i b_i' for each of c (B, n); a, b: (p, n)."""
    if len(c) == 1:
        return ((a * c) @ b.T)[None]
    p = len(a)
    return (c @ (a[:, None] * b).reshape(p * p, -1).T).reshape(-1, p, p)


def known_lives(lower, upper, x, entry, distribution: str, log_scale: float = 0.0) -> KnownLives:
    """Places of lives: lower == upper failed then; upper inf: running; otherwise failed between (lower 0: before); entry: came under
    observation then (None: all from new). x: (q, n). log_scale: taken off the logarithm of every age. distribution: the likelihood's."""
    exact, right = lower == upper, np.isinf(upper)
    first, running = np.flatnonzero(exact), np.flatnonzero(right & (lower > 0))
    looks = np.flatnonzero(~(exact | right))
    late = running[:0] if entry is None else np.flatnonzero(entry > 0)

    def places(rows: np.ndarray, age: np.ndarray) -> np.ndarray:
        out = np.empty((2 + len(x), len(rows)))
        np.log(age, out=out[0])
        out[0] -= log_scale
        out[1] = 1.0
        np.take(x, rows, axis=1, out=out[2:])
        return np.negative(out, out=out)

    known, row = len(first) + len(running), np.concatenate([first, running, late])
    age = lower[row] if entry is None else np.concatenate([lower[row[:known]], entry[late]])
    new = lower[looks] == 0
    low = np.where(new, upper[looks], lower[looks])  # from new on the lower end says nothing, and any place serves
    ends = places(looks, low), places(looks, upper[looks])
    return KnownLives(distribution, log_scale, places(row, age), row, len(first), len(late), *ends, new, looks)


def fit_regression(
    lower: ArrayLike,
    upper: ArrayLike,
    covariates: ArrayLike | None = None,
    distribution: str = "weibull",
    entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> RegressionFits:
    """Maximum likelihood fits of a life ``distribution`` ("weibull" or "lognormal") to known lives, in any one unit of life.

    lower, upper: (n,). Failed at a known age: equal. Still running: upper infinite. Found failed between two looks, or before the
    first (lower 0): lower < upper. covariates: (n, q) or None. entry: (n,) age at which the unit came under observation (0: from new).
    weights: (n,), or (B, n) for as many refits at once, not negative; 1 by default. Where the weighted failures are fewer than two, or no
    maximum exists, a fit gives its code. Raises AnalyticsError on rows that are no lives, on a distribution that is not known, on columns
    that are constant or can't be told apart.

    Source: Lawless 2003, see above.
    """
    if distribution not in DISTRIBUTIONS:
        raise AnalyticsError(f"distribution {distribution!r} is not known; use one of {', '.join(DISTRIBUTIONS)}")
    low, high = np.asarray(lower, float), np.asarray(upper, float)
    late = None if entry is None else np.asarray(entry, float)
    w = np.ones((1, len(low))) if weights is None else np.atleast_2d(np.asarray(weights, float))
    _check_lives(low, high, late, w)
    x, centre, spread = _standardised(covariates, len(low))
    failed = np.isfinite(high)
    failures = w @ failed.astype(float)
    log_scale = float(np.log(max(np.where(failed, high, 0.0).sum(), 1e-300) / max(failed.sum(), 1)))
    theta, value, hess = _fits((low, high, x, late), distribution, log_scale, w, failures)
    fitted = _steep(theta, hess, failures)
    if not fitted.any() and np.linalg.matrix_rank(x @ x.T, hermitian=True) < len(x):
        raise AnalyticsError(f"the {len(x)} columns cannot be told apart: leave one out")
    few = failures < FEWEST_FAILURES
    codes = (
        Unfitted.FEW_FAILURES if f else Unfitted.NOT_CONVERGED if not ok else None
        for f, ok in zip(few, fitted, strict=True)
    )
    theta[~fitted] = np.nan
    figures = _in_life(theta, hess, log_scale, centre, spread)
    return RegressionFits(distribution, *figures, value + theta[:, 0] * 0, failures, tuple(codes))


def _check_lives(low: np.ndarray, high: np.ndarray, late: np.ndarray | None, w: np.ndarray) -> None:
    good = (low >= 0) & (high >= low) & (high > 0) & (low < np.inf)
    if late is not None:
        good &= (late >= 0) & (late <= low)
    if not good.all():
        i = int(np.flatnonzero(~good)[0])
        raise AnalyticsError(
            f"row {i}: entry {0 if late is None else late[i]:g}, lower {low[i]:g}, upper {high[i]:g} is not a life; "
            "need 0 <= entry <= lower <= upper, lower finite, upper above 0"
        )
    if w.shape[1] != len(low) or not (w >= 0).all():
        raise AnalyticsError(
            f"weights of shape {w.shape} for {len(low)} rows: give one a row, not negative, or (B, rows)"
        )


def _standardised(covariates: ArrayLike | None, rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns (q, n) of mean 0 and spread 1, and what brings them back."""
    if covariates is None:
        return np.empty((0, rows)), np.zeros(0), np.zeros(0)
    x = np.array(np.asarray(covariates, float).reshape(rows, -1).T, order="C")
    centre = x.sum(1) / max(rows, 1)
    x -= centre[:, None]
    spread = np.sqrt(np.einsum("qn,qn->q", x, x) / max(rows, 1))
    same = ~(spread > 1e-12 * np.maximum(np.abs(centre), 1))
    if same.any():
        raise AnalyticsError(
            f"column {int(np.flatnonzero(same)[0]) + 1} of the covariates is the same in all {rows} rows, or no number: leave it out"
        )
    x /= spread[:, None]
    return x, centre, spread


def _fits(told, distribution, log_scale, w, failures, enough=_GAINED) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """theta (B, p), log-likelihood and Hessian; NaN where no top was reached. told: lower, upper, columns (q, n) and entry."""
    low, high, x, late = told
    lives = known_lives(low, high, x, late, distribution, log_scale)
    size = 2 + len(x)
    theta, value, hess = np.full((len(w), size), np.nan), np.full(len(w), np.nan), np.full((len(w), size, size), np.nan)
    some = np.flatnonzero(failures >= FEWEST_FAILURES)
    start = _start(told, distribution, log_scale, w[some] if len(some) < len(w) else w)
    for i in range(0, len(some), _SLAB):
        own = some[i : i + _SLAB]
        fun = lives.weigh(w[own])
        rough = start if start is not None else _rough(fun)
        theta[own], value[own], hess[own] = _climb(fun, rough + np.zeros((len(own), 1)), enough)
    return theta, value, hess


def _start(told, distribution, log_scale, w) -> np.ndarray | None:
    """theta of the fit to the mean weights, or to every eighth of many rows; None where neither is to be had."""
    low, high, x, late = told
    if len(w) > 1:
        fewer, w = told, w.mean(0)[None]
    elif len(low) >= _MANY:
        fewer, w = (low[::8], high[::8], x[:, ::8], None if late is None else late[::8]), w[:, ::8]
    else:
        return None
    found = _fits(fewer, distribution, log_scale, w, w @ np.isfinite(fewer[1]).astype(float), _START)[0]
    return found if np.isfinite(found).all() else None


def _rough(fun: Weighed) -> np.ndarray:
    """A steepness by the spread of the failures, and a level at which as many are expected as were seen."""
    lives = fun.lives
    age = -np.concatenate([lives.places[0, : lives.exact], lives.high[0]])
    k = float(np.clip(1.2 / max(age.std(), 1e-3), 0.2, 20.0))
    theta = np.zeros((len(fun.w), len(lives.places)))
    theta[:, 0] = -k
    if lives.distribution == "weibull":
        expected = fun.w @ np.exp(-k * fun.at[0])
        if len(lives.look):
            expected += fun.looks @ np.exp(-k * lives.high[0])
        theta[:, 1] = np.log(np.maximum(expected, 1e-300) / fun.failures)
    return theta


def _plain(fun: Weighed, start: np.ndarray, enough: float) -> tuple[np.ndarray, ...]:
    """Newton's own steps, all replicates at once, until none has anything to gain. theta, value, Hessian, and which got there."""
    stepped = start
    for _ in range(_STEPS):
        theta = stepped
        value, grad, hess = fun.slopes(theta)
        try:
            step = np.matmul(np.linalg.inv(hess), grad[..., None])[..., 0]
        except np.linalg.LinAlgError:
            return theta, value, hess, np.zeros(len(start), bool)
        gain = (step * grad).sum(1)
        near = np.abs(gain) <= enough * fun.failures
        stepped = theta - step
        if near.all():
            break
        stepped[:, 0] = np.minimum(stepped[:, 0], 0.3 * theta[:, 0])
    return stepped, fun.whole(theta, value) - gain / 2, hess, near


def _climb(fun: Weighed, start: np.ndarray, enough: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """theta, value and Hessian at the top; NaN where none was reached."""
    with np.errstate(all="ignore"):
        theta, value, hess, near = _plain(fun, start, enough)
    rest = np.flatnonzero(~near)
    if len(rest):
        own, limits = fun.pick(rest), np.full(start.shape[1], 8.0)
        limits[0] = 1.0
        top = maximise(own, start[rest], negative=0, limits=limits, rounds=100)
        with np.errstate(all="ignore"):
            again = _plain(own, top.theta, enough)
        for whole, part in zip((theta, value, hess, near), again, strict=True):
            whole[rest] = part
    theta[~near] = np.nan
    return theta, value, hess


def _steep(theta: np.ndarray, hess: np.ndarray, failures: np.ndarray) -> np.ndarray:
    """(B,) bool: the surface bends down at theta in every direction, so that it is a top. Where it rises for ever, steps shrink too."""
    unit = np.ones_like(theta)
    unit[:, 0] = -theta[:, 0]
    bend = -hess * unit[:, :, None] * unit[:, None, :]
    bend[~np.isfinite(bend)] = 0
    return np.isfinite(theta).all(1) & (np.linalg.eigvalsh(bend)[:, 0] > _FLAT * failures)


def _in_life(theta, hess, log_scale, centre, spread) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """coef (B, 1 + q), sigma (B,) and covariance (B, q + 2, q + 2) from theta, NaN where that is, and its Hessian (B, p, p)."""
    sigma = -1 / theta[:, 0]
    b = theta[:, 1:] * sigma[:, None]
    back = np.eye(theta.shape[1])  # from standardised columns to those given
    back[1:-1, 1:-1] = np.diag(1 / spread)
    back[0, 1:-1] = -centre / spread
    turn = np.zeros_like(hess)
    turn[:, :-1, 0], turn[:, -1, 0] = b, 1.0
    turn[:, :-1, 1:] = np.eye(b.shape[1])
    turn = back @ turn * sigma[:, None, None]
    info = np.where(np.isfinite(sigma)[:, None, None], -hess, np.eye(theta.shape[1]))
    covariance = turn @ np.linalg.inv(info) @ np.swapaxes(turn, 1, 2)
    coef = b @ back[:-1, :-1].T
    coef[:, 0] += log_scale
    return coef, sigma, covariance
