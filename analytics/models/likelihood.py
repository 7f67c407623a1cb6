"""Life against power, weight and use: one likelihood for every kind of record.

Life is Weibull or log-normal, log T = b0 + x'b + e/beta. In theta = (log beta, gamma, mu_k, log tau, ...),
with gamma = beta b, a life of t miles sits at z = beta log(t/M) - x'gamma; S = exp(-e^z) or S = Phi(-z). At a
power with survival R at M miles, -x'gamma equals the quantile z_R of the distribution: free of beta and linear in
gamma, so the fit "as if the rating were p" is the same fit with one column less (Lawless, Statistical Models
and Methods for Lifetime Data, 2nd ed. 2003, ch. 4-6, for the likelihoods and the profile argument).

Every array has a leading axis of replicates, so that one Newton iteration serves one fleet or hundreds of simulated ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import log_ndtr, ndtr

from analytics.models.distributions import LOG_2PI, averaged, log_density, log_survival
from analytics.models.rows import Group, Pair, Rates, Rows, Stacked, stack

TINY = 1e-300
#: places of several fleets that are taken at once: their arrays stay in the cache
_PLACES = 32_000


@dataclass(frozen=True, slots=True)
class Layout:
    """Which parameters are free, in this order: log beta, gamma, mu per use, log tau, decline, level, slope,
    share.

    ``columns`` counts gamma as fitted (one less when constrained). decline: log of the later over the earlier
    driving rate. level and slope: probit of being read, alpha + c (log rate - mu)/tau. share: logit of the
    reporting share. Where one is not free, its fixed value holds (decline 0, slope 0, share 1 by default).
    """

    columns: int
    uses: int = 0
    decline: bool = False
    level: bool = False
    slope: bool = False
    share: bool = False
    fixed_decline: float = 0.0
    fixed_share: float = 1.0

    @property
    def gamma(self) -> slice:
        return slice(1, 1 + self.columns)

    @property
    def mu(self) -> slice:
        return slice(1 + self.columns, 1 + self.columns + self.uses)

    @property
    def tau(self) -> int:
        return 1 + self.columns + self.uses

    def place(self, name: str) -> int | None:
        """Index of decline, level, slope or share in theta; None when it is fixed."""
        at = 1 + self.columns + (self.uses + 1 if self.uses else 0)
        for key in ("decline", "level", "slope", "share"):
            if getattr(self, key):
                if key == name:
                    return at
                at += 1
        return None

    @property
    def size(self) -> int:
        return (
            1
            + self.columns
            + (self.uses + 1 if self.uses else 0)
            + sum((self.decline, self.level, self.slope, self.share))
        )


@dataclass(frozen=True, slots=True)
class Constraint:
    """Survival R at M miles holds exactly at the covariates ``x0`` (q - 1 values, intercept left out)."""

    x0: np.ndarray
    z: float


# ---- the likelihood
def log_likelihood(
    theta: np.ndarray,
    rows: Rows | Stacked,
    layout: Layout,
    distribution: str,
    nodes: tuple[np.ndarray, np.ndarray],
    order: int = 2,
    constraint: Constraint | None = None,
) -> tuple[np.ndarray, np.ndarray | None, np.ndarray | None]:
    """Log-likelihood (B,), gradient (B, p) and Hessian (B, p, p) at theta (B, p); order 0 gives the value
    alone.

    rows: with D = 1 shared by all B; otherwise D must equal B. layout: of theta. distribution: one of DISTRIBUTIONS. ``nodes`` from
    `rate_nodes`. constraint: in place of the intercept, which theta then lacks.
    """
    data = stack(rows, layout.uses) if isinstance(rows, Rows) else rows
    theta = np.atleast_2d(theta)
    step = max(1, _PLACES // max(1, data.y.shape[1]))
    if len(theta) > step:
        slabs = [slice(i, i + step) for i in range(0, len(theta), step)]
        made = [log_likelihood(theta[s], data.pick(s), layout, distribution, nodes, order, constraint) for s in slabs]
        value, grad, hess = zip(*made, strict=True)
        return np.concatenate(value), *((np.concatenate(grad), np.concatenate(hess)) if order else (None, None))
    at = _At(theta, layout, order, constraint)
    if data.groups:
        _Places(at, data, distribution, nodes).take()
    at.reported(data.reported)
    if data.rates is not None and layout.uses:
        at.rates(data.rates)
    at.value += data.constant
    return (at.value, at.grad, at.hess) if order else (at.value, None, None)


class _At:
    """The parameters at theta (B, p), and the sums of log-likelihood, gradient and Hessian over the records taken so far."""

    def __init__(self, theta: np.ndarray, layout: Layout, order: int, constraint: Constraint | None):
        self.batch, self.size = theta.shape
        self.layout, self.order, self.constraint = layout, order, constraint
        self.v = theta[:, 0]
        self.beta = np.exp(self.v)
        self.gamma = theta[:, layout.gamma]
        self.mu = theta[:, layout.mu]
        self.tau = np.exp(theta[:, layout.tau]) if layout.uses else np.ones(self.batch)
        self.at_d, self.at_a, self.at_c, self.at_l = map(layout.place, ("decline", "level", "slope", "share"))
        self.d = theta[:, self.at_d] if self.at_d is not None else np.full(self.batch, layout.fixed_decline)
        self.later = np.exp(self.d)[:, None]
        self.alpha = theta[:, self.at_a] if self.at_a is not None else None
        self.c = theta[:, self.at_c] if self.at_c is not None else np.zeros(self.batch)
        self.share = (
            1 / (1 + np.exp(-theta[:, self.at_l])) if self.at_l is not None else np.full(self.batch, layout.fixed_share)
        )
        self.silent = 1 - self.share
        self.full_share = self.at_l is None and layout.fixed_share >= 1.0
        self.miles_columns = [0, *range(layout.mu.start, layout.mu.stop)] + (
            [self.at_d] if self.at_d is not None else []
        )
        self.value = np.zeros(self.batch)
        self.grad = np.zeros((self.batch, self.size))
        self.hess = np.zeros((self.batch, self.size, self.size))

    def exposure(self, pair: Pair) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """log of the days weighted by driving, and its first two derivatives in the decline."""
        before, after = pair
        a = before + self.later * after
        f = self.later * after / a
        return np.log(a), f, f * (1 - f)

    def use_means(self, use: np.ndarray) -> np.ndarray:
        """mu of the use of each record (B, n)."""
        if self.layout.uses == 1:
            return self.mu
        return np.take_along_axis(self.mu, np.broadcast_to(use, (self.batch, use.shape[1])), 1)

    # -- what is known of the units
    def reported(self, failures: np.ndarray) -> None:
        """Each failure on record was reported."""
        if self.at_l is None:
            return
        n = np.broadcast_to(failures, self.batch)
        self.value += n * np.log(self.share)
        if self.order:
            self.grad[:, self.at_l] += n * self.silent
            self.hess[:, self.at_l, self.at_l] -= n * self.share * self.silent

    def rates(self, rates: Rates) -> None:
        """log rate ~ N(mu of the use, tau); a read survivor also says that it was read."""
        la, first, second = self.exposure(rates.age)
        t, c, w = self.tau[:, None], self.c, rates.w
        s = (rates.log_miles - la - self.use_means(rates.use)) / t
        self.value += (w * (-np.log(t) - 0.5 * s * s - 0.5 * LOG_2PI)).sum(1)
        d = self.d[:, None] if self.at_d is not None else self.layout.fixed_decline
        late = rates.age[1] > 0
        self.value += (rates.fell * (late * d - la + np.log(rates.age[0] + rates.age[1]))).sum(1)
        if self.alpha is not None:
            a = self.alpha[:, None] + c[:, None] * s
            lead = log_ndtr(a)
            self.value += (rates.read * lead).sum(1)
        if not self.order:
            return
        if self.at_d is not None:
            self.grad[:, self.at_d] += (rates.fell * (late - first)).sum(1)
            self.hess[:, self.at_d, self.at_d] -= (rates.fell * second).sum(1)
        jac = self._rate_slopes(s, rates.use, first)
        g_s, hess = -w * s, np.zeros((self.batch, self.size, self.size))
        if self.alpha is not None:
            m1 = np.exp(-0.5 * a * a - 0.5 * LOG_2PI - lead)
            g_s = g_s + self._being_read(s, jac, rates.read * m1, -rates.read * m1 * (m1 + a), hess)
        hess += np.matmul(np.swapaxes(jac, 1, 2), jac * (-w)[..., None])
        g = np.matmul(g_s[:, None, :], jac)[:, 0]
        self.grad += g
        # second derivatives of s: d2s/dlogtau dx = -ds/dx, d2s/dlogtau2 = s
        it, mu = self.layout.tau, self.layout.mu
        self.grad[:, it] -= np.broadcast_to(w.sum(1), self.batch)
        cols = [*range(mu.start, mu.stop)] + ([self.at_d] if self.at_d is not None else [])
        hess[:, it, cols] -= g[:, cols]
        hess[:, cols, it] -= g[:, cols]
        hess[:, it, it] += (g_s * s).sum(1)
        if self.at_d is not None:
            hess[:, self.at_d, self.at_d] -= (g_s * second / t).sum(1)
        self.hess += hess

    def _rate_slopes(self, s: np.ndarray, use: np.ndarray, first: np.ndarray) -> np.ndarray:
        """Derivatives (B, n, p) of the standardised log rate."""
        t = self.tau[:, None]
        jac = np.zeros((*s.shape, self.size))
        for k in range(self.layout.uses):
            jac[..., self.layout.mu.start + k] = (use == k) / -t
        jac[..., self.layout.tau] = -s
        if self.at_d is not None:
            jac[..., self.at_d] = -first / t
        return jac

    def _being_read(self, s, jac, a1, a2, hess) -> np.ndarray:
        """Adds what being read says of its level and slope, and gives its derivative in s (B, n)."""
        c = self.c
        jac_a = jac * c[:, None, None]
        jac_a[..., self.at_a] = 1
        if self.at_c is not None:
            jac_a[..., self.at_c] = s
            lean = np.matmul(a1[:, None, :], jac)[:, 0]
            hess[:, self.at_c, :] += lean
            hess[:, :, self.at_c] += lean
            self.grad[:, self.at_c] += (a1 * s).sum(1)
        self.grad[:, self.at_a] += a1.sum(1)
        hess += np.matmul(np.swapaxes(jac_a, 1, 2), jac_a * a2[..., None])
        return a1 * c[:, None]


#: what a record's term is differentiated through, besides its places: the steepness kappa = beta tau, which spreads the nodes, level
#: and slope of being read, and the share that is silent
_KAPPA, _LEVEL, _SLOPE, _SILENT = range(4)
_Second = dict[tuple[int, int], np.ndarray]


class _Places:
    """All places on the life axis at the parameters ``at``, and the derivatives of the log-likelihood in them.

    A record's term hangs on theta through z of its places, (B, P), and the four common quantities alone. So each group of rows gives
    its derivatives in those (first, second, mixed, across; common1, common2), and the chain rule is applied once to all of them.
    """

    def __init__(self, at: _At, data: Stacked, distribution: str, nodes: tuple[np.ndarray, np.ndarray]):
        self.at, self.data, self.distribution, self.nodes = at, data, distribution, nodes
        self.places()
        batch, n = self.z.shape
        if at.order:
            self.first, self.second = np.zeros((batch, n)), np.zeros((batch, n))
            #: whether any term hangs on the common quantities
            self.shared = bool(at.layout.uses) or at.at_l is not None
            self.mixed = np.zeros((batch, 4, n if self.shared else 0))
            self.across: list[tuple[slice, slice, np.ndarray]] = []
            self.common1, self.common2 = np.zeros((batch, 4)), np.zeros((batch, 4, 4))

    def places(self) -> None:
        """z of all places."""
        at, data = self.at, self.data
        y = data.y
        self.bend: np.ndarray | None = None
        self.drives: np.ndarray | None = None
        if data.num is not None:
            la, self.drives, self.bend = at.exposure(data.num)
            y = y + la
            if data.den is not None:
                lb, f, s = at.exposure(data.den)
                y, self.drives, self.bend = y - lb, self.drives - f, self.bend - s
        if at.layout.uses:
            y = y + np.matmul(at.mu[:, None, :], data.of_use)[:, 0]
        self.columns = data.x if at.constraint is None else data.x[:, 1:] - at.constraint.x0[:, None]
        eta = np.matmul(at.gamma[:, None, :], self.columns)[:, 0]
        if at.constraint is not None:
            eta = eta - at.constraint.z
        self.miles = at.beta[:, None] * y
        self.z = self.miles - eta

    def take(self) -> None:
        """Add every group, and the chain rule."""
        groups, known = self.data.groups, self.data.known
        if known:
            self.survival = log_survival(self.z[:, :known], self.distribution)
        if known < self.z.shape[1]:
            self.sums = self.averages()
        for kind, group in groups.items():
            (self.unread if kind == "unread late" else getattr(self, kind))(group)
        if self.at.order:
            self.chain()

    def chain(self) -> None:
        """From derivatives in the places and the common quantities to those in theta."""
        at, jac = self.at, self.slopes()
        turned = np.swapaxes(jac, 1, 2)
        grad = np.matmul(jac, self.first[:, :, None])[..., 0]
        hess = np.matmul(jac * self.second[:, None, :], turned)
        for one, other, l2 in self.across:
            block = np.matmul(jac[..., one] * l2[:, None, :], turned[:, other])
            hess += block + np.swapaxes(block, 1, 2)
        # z = beta y - x'gamma: its second derivatives in log beta repeat the first ones
        cols = at.miles_columns
        hess[:, 0, cols] += grad[:, cols]
        hess[:, cols[1:], 0] += grad[:, cols[1:]]
        if at.at_d is not None and self.bend is not None:
            hess[:, at.at_d, at.at_d] += at.beta * (self.first * self.bend).sum(1)
        at.grad += grad
        at.hess += hess
        if self.shared:
            self.chain_common(turned)

    def chain_common(self, turned: np.ndarray) -> None:
        """The part of the chain rule that goes through the common quantities. turned: (B, P, p), the slopes of z."""
        at, layout, hess = self.at, self.at.layout, self.at.hess
        common, c1 = self.common_slopes(), self.common1
        block = np.matmul(np.matmul(self.mixed, turned).swapaxes(1, 2), common)
        hess += block + np.swapaxes(block, 1, 2)
        hess += np.matmul(np.swapaxes(common, 1, 2), np.matmul(self.common2, common))
        if layout.uses:
            for i in (0, layout.tau):
                for j in (0, layout.tau):
                    hess[:, i, j] += c1[:, _KAPPA] * common[:, _KAPPA, 0]
        if at.at_l is not None:
            hess[:, at.at_l, at.at_l] += c1[:, _SILENT] * (2 * at.silent - 1) * common[:, _SILENT, at.at_l]
        at.grad += np.matmul(c1[:, None, :], common)[:, 0]

    def slopes(self) -> np.ndarray:
        """Derivatives (B, p, P) of z."""
        at, layout = self.at, self.at.layout
        jac = np.zeros((at.batch, at.size, self.z.shape[1]))
        jac[:, 0] = self.miles
        jac[:, layout.gamma] = -self.columns
        if layout.uses:
            jac[:, layout.mu] = at.beta[:, None, None] * self.data.of_use
        if at.at_d is not None and self.drives is not None:
            jac[:, at.at_d] = at.beta[:, None] * self.drives
        return jac

    def common_slopes(self) -> np.ndarray:
        """Derivatives (B, 4, p) of the common quantities."""
        at = self.at
        out = np.zeros((at.batch, 4, at.size))
        if at.layout.uses:
            out[:, _KAPPA, 0] = out[:, _KAPPA, at.layout.tau] = at.beta * at.tau
        for common, place in ((_LEVEL, at.at_a), (_SLOPE, at.at_c)):
            if place is not None:
                out[:, common, place] = 1
        if at.at_l is not None:
            out[:, _SILENT, at.at_l] = -at.silent * at.share
        return out

    # -- adding up
    def add(self, where: slice, value: np.ndarray, first: np.ndarray, second: np.ndarray) -> None:
        """Terms (B, n) of one place each, and their derivatives in its z."""
        self.at.value += value.sum(1)
        if self.at.order:
            self.first[:, where] += first
            self.second[:, where] += second

    def add_log(
        self,
        group: Group,
        like: np.ndarray,
        places: list[tuple[slice, np.ndarray, np.ndarray]],
        common: dict[int, np.ndarray],
        second: _Second,
    ) -> None:
        """w log(like), by the derivatives of like: places as (where, first, second in z); common: first ones by number; second: by the
        numbers of two common ones, or of place (-1, -2) and common one. What is left out is 0."""
        w, numbers = group.w, list(common)
        wl = w / like
        score = np.stack(list(common.values()), 1) / like[:, None, :]
        weighed = w[:, None, :] * score
        scores = []
        for k, (where, d1, d2) in enumerate(places):
            f = d1 / like
            scores.append(f)
            self.first[:, where] += w * f
            self.second[:, where] += wl * d2 - w * f * f
            for i, number in enumerate(numbers):
                self.mixed[:, number, where] += wl * second.get((-1 - k, number), 0.0) - f * weighed[:, i]
        if len(places) == 2:
            # no term holds the product of the two
            self.across.append((places[0][0], places[1][0], -w * scores[0] * scores[1]))
        self.common1[:, numbers] += weighed.sum(2)
        self.common2[:, np.array(numbers)[:, None], numbers] -= np.matmul(weighed, score.swapaxes(1, 2))
        for (a, b), d2 in second.items():
            if a >= 0:
                total = (wl * d2).sum(1)
                self.common2[:, a, b] += total
                if a != b:
                    self.common2[:, b, a] += total

    # -- known miles
    def exact(self, group: Group) -> None:
        """Failed at known miles."""
        w = group.w
        f0, f1, f2 = log_density(self.z[:, group.at], self.distribution)
        self.add(group.at, w * (f0 + self.at.v[:, None]), w * f1, w * f2)
        self.at.grad[:, 0] += w.sum(1)

    def survived(self, group: Group) -> None:
        """Still running at known miles; or, taken back, came under observation at them."""
        s0, s1, s2 = (s[:, group.at] for s in self.survival)
        self.add(group.at, group.w * s0, group.w * s1, group.w * s2)

    def running(self, group: Group) -> None:
        """Still running at known miles, read before: it may have failed since without being reported."""
        if self.at.full_share:
            self.survived(group)
            return
        w, pi = group.w, self.at.share[:, None]
        s0, s1, s2 = (s[:, group.at] for s in self.survival)
        r0, r1, r2 = (s[:, group.other] for s in self.survival)
        q = np.exp(np.minimum(s0 - r0, 0))
        den = 1 - pi + pi * q
        p = pi * q / den
        cross = p * (1 - p)
        with np.errstate(over="ignore", invalid="ignore"):  # far off the slopes are beyond any number
            self.add(group.at, w * (r0 + np.log(den)), w * p * s1, w * (p * s2 + cross * s1 * s1))
        if not self.at.order:
            return
        self.first[:, group.other] += w * (1 - p) * r1
        self.second[:, group.other] += w * ((1 - p) * r2 + cross * r1 * r1)
        self.across.append((group.at, group.other, -w * cross * s1 * r1))
        if self.at.at_l is not None:
            slope = (1 - q) / den
            self.common1[:, _SILENT] += (w * slope).sum(1)
            self.common2[:, _SILENT, _SILENT] -= (w * slope * slope).sum(1)
            self.mixed[:, _SILENT, group.at] -= w * s1 * q / den**2
            self.mixed[:, _SILENT, group.other] += w * r1 * q / den**2

    def interval(self, group: Group) -> None:
        """Failed between two known miles."""
        l0, l1, l2 = (s[:, group.at] for s in self.survival)
        self._before(group, group.other, l0)
        if not self.at.order:
            return
        u0, u1, _ = (s[:, group.other] for s in self.survival)
        gap = -np.expm1(np.minimum(u0 - l0, -1e-14))
        bend = (1 - gap) / gap**2
        self.first[:, group.at] += group.w * l1 / gap
        self.second[:, group.at] += group.w * (l2 / gap - bend * l1 * l1)
        self.across.append((group.other, group.at, group.w * bend * u1 * l1))

    def left(self, group: Group) -> None:
        """Failed before known miles."""
        self._before(group, group.at, 0.0)

    def _before(self, group: Group, end: slice, lower: np.ndarray | float) -> None:
        """log(S at the lower end - S at the upper one), and its derivatives in the upper one."""
        w = group.w
        u0, u1, u2 = (s[:, end] for s in self.survival)
        gap = -np.expm1(np.minimum(u0 - lower, -1e-14))
        rho = (1 - gap) / gap
        self.add(end, w * (lower + np.log(gap)), -w * rho * u1, w * (-rho * u2 - rho / gap * u1 * u1))

    # -- odometer unknown: averages over the log-normal miles per day of the unit's use, by the trapezoid rule
    def averages(self) -> list[dict[tuple[str, int], np.ndarray]]:
        """For each derivative of S, its averages (B, n) over the nodes s of the unknown places, as far as they are needed, weighed by
        s^k, k their number: plain; by the chance of not being read; by its derivatives in the level of being read, once and twice."""
        kept, highest = self._node_weights(), self.at.order + ("unread_exact" in self.data.groups)
        names = [
            [(name, k) for name, (_, most) in kept.items() if len(most) > d for k in range(most[d])]
            for d in range(highest + 1)
        ]
        batch = max(len(w) for w, _ in kept.values())
        wide = {
            name: w if len(w) == batch else np.broadcast_to(w, (batch, *w.shape[1:])) for name, (w, _) in kept.items()
        }
        weights = [np.stack([wide[name][:, k] for name, k in own], 1) for own in names]
        z, steepness = self.z[:, self.data.known :], self.at.beta * self.at.tau
        found = averaged(z, steepness, self.nodes[0], weights, self.distribution)
        return [{key: sums[:, i] for i, key in enumerate(own)} for own, sums in zip(names, found, strict=True)]

    def _node_weights(self) -> dict[str, tuple[np.ndarray, tuple[int, ...]]]:
        """By name: weights (B or 1, 3, J), times 1, s, s^2, and how many of them each derivative of S needs."""
        at, (s, weight) = self.at, self.nodes
        powers = np.stack([weight, weight * s, weight * s * s])[None]
        kept: dict[str, tuple[np.ndarray, tuple[int, ...]]] = {"plain": (powers, (1, 2, 3, 3))}
        if not {"unread", "unread late"} & self.data.groups.keys():
            return kept
        keep = np.ones((1, 1, len(s)))
        if at.alpha is not None:
            reach = (at.alpha[:, None] + at.c[:, None] * s)[:, None, :]
            keep, phi = ndtr(-reach), np.exp(-0.5 * reach**2 - 0.5 * LOG_2PI)
            kept["read"] = -powers * phi, (3, 3)
            kept["read again"] = powers * reach * phi, (3,)
        kept["not read"] = powers * keep, (1, 2, 3)
        self.from_new = {name: weights.sum(2) for name, (weights, _) in kept.items()}
        return kept

    def of(self, name: str, derivative: int, where: slice) -> list[np.ndarray]:
        """The averages of that name of the places ``where``."""
        sums, known = self.sums[derivative], self.data.known
        at = slice(where.start - known, where.stop - known)
        return [sums[name, k][:, at] for k in range(3) if (name, k) in sums]

    def _average(self, name: str, where: slice) -> tuple[Any, ...]:
        """The average of S of that name of these places, and its derivatives: in z; in kappa; twice in z; in z and kappa; twice in kappa."""
        s0 = self.of(name, 0, where)[0]
        if not self.at.order:
            return s0, *[s0] * 5
        (d, dk), (dd, ddk, dkk) = self.of(name, 1, where), self.of(name, 2, where)
        return s0, d, dk, dd, ddk, dkk

    def average(self, group: Group) -> None:
        """Known to be good, or under observation from then on, at unknown miles."""
        like, d, dk, dd, ddk, dkk = self._average("plain", group.at)
        like = np.maximum(like, TINY)
        self.at.value += (group.w * np.log(like)).sum(1)
        if self.at.order:
            second = {(-1, _KAPPA): ddk, (_KAPPA, _KAPPA): dkk}
            self.add_log(group, like, [(group.at, d, dd)], {_KAPPA: dk}, second)

    def unread_exact(self, group: Group) -> None:
        """Failed on a known day, miles unknown: the density in days is (beta / days) times -dS/dz, averaged."""
        like = np.maximum(-self.of("plain", 1, group.at)[0], TINY)
        self.at.value += (group.w * (np.log(like) + self.at.v[:, None])).sum(1)
        if self.at.order:
            self.at.grad[:, 0] += group.w.sum(1)
            (d, dk, _), (dd, ddk, dkk) = ([-a for a in self.of("plain", k, group.at)] for k in (2, 3))
            second = {(-1, _KAPPA): ddk, (_KAPPA, _KAPPA): dkk}
            self.add_log(group, like, [(group.at, d, dd)], {_KAPPA: dk}, second)

    def unread_interval(self, group: Group) -> None:
        """Failed between two days, miles unknown: the average of S_L - S_U."""
        low, d, dk, dd, ddk, dkk = self._average("plain", group.at)
        high, e, ek, ee, eek, ekk = self._average("plain", group.other)
        like = np.maximum(low - high, TINY)
        self.at.value += (group.w * np.log(like)).sum(1)
        if self.at.order:
            second = {(-1, _KAPPA): ddk, (-2, _KAPPA): -eek, (_KAPPA, _KAPPA): dkk - ekk}
            self.add_log(group, like, [(group.at, d, dd), (group.other, -e, -ee)], {_KAPPA: dk - ek}, second)

    def unread(self, group: Group) -> None:
        """Not heard of and never read: log of the average of S (1 - q) + (S0 - S)(1 - share)(1 - q + q f), q the chance of being read, f how much of
        the life lies before that (`before_reading`), S0 1 from new."""
        at, late = self.at, group.other != group.at
        silent, f = at.silent[:, None], group.before_read
        g, h = silent * (1 - f), silent * f
        ends = [self._average(name, group.at) for name in ("not read", "plain")]
        starts = [self._at_start(name, group) for name in ("not read", "plain")]

        def mixed(of: list[tuple[Any, ...]], kept: Any, plain: Any) -> list[Any]:
            return [kept * a + plain * b for a, b in zip(*of, strict=True)]

        end, start = mixed(ends, 1 - g, -h), mixed(starts, g, h)
        like = np.maximum(end[0] + start[0], TINY)
        at.value += (group.w * np.log(like)).sum(1)
        if not at.order:
            return
        places = [(group.at, end[1], end[3])]
        common: dict[int, np.ndarray] = {_KAPPA: end[2] + start[2]}
        second: _Second = {(-1, _KAPPA): end[4], (_KAPPA, _KAPPA): end[5] + start[5]}
        if late:
            places.append((group.other, start[1], start[3]))
            second[-2, _KAPPA] = start[4]
        if at.at_a is not None:
            self._of_being_read(group, common, second)
        if at.at_l is not None:
            end, start = mixed(ends, f - 1, -f), mixed(starts, 1 - f, f)
            common[_SILENT] = end[0] + start[0]
            second |= {(-1, _SILENT): end[1], (-2, _SILENT): start[1], (_KAPPA, _SILENT): end[2] + start[2]}
        self.add_log(group, like, places, common, second)

    def _at_start(self, name: str, group: Group) -> tuple[Any, ...]:
        """As `_average`, where the lives of the ``group`` came under observation; from new S is 1 for all."""
        if group.other != group.at:
            return self._average(name, group.other)
        return self.from_new[name][:, :1], *[0.0] * 5

    def _of_being_read(self, group: Group, common: dict[int, np.ndarray], second: _Second) -> None:
        """Derivatives of the average of S (1 - q) + (S0 - S)(1 - share)(1 - q + q f) in level and slope, on which the chance of not being read hangs."""
        at, f = self.at, group.before_read
        g = at.silent[:, None] * (1 - f)
        here = [self.of("read", d, group.at) for d in (0, 1)] + [self.of("read again", 0, group.at)]
        then = self._read_at_start(group)
        (r, rz, again), (r0, rz0, again0) = (
            [[k * a for a in averages] for averages in of] for k, of in ((1 - g, here), (g, then))
        )
        for k, number, place in ((0, _LEVEL, at.at_a), (1, _SLOPE, at.at_c)):
            if place is None:
                continue
            common[number] = r[k] + r0[k]
            second |= {(-1, number): rz[k], (-2, number): rz0[k], (_KAPPA, number): rz[k + 1] + rz0[k + 1]}
            second |= {
                (other, number): again[k + j] + again0[k + j] for j, other in ((0, _LEVEL), (1, _SLOPE)) if j <= k
            }
            second[number, _SILENT] = (1 - f) * (then[0][k] - here[0][k])

    def _read_at_start(self, group: Group) -> list[list[Any]]:
        """The averages of `_of_being_read` where the lives of the ``group`` came under observation."""
        if group.other != group.at:
            return [self.of("read", d, group.other) for d in (0, 1)] + [self.of("read again", 0, group.other)]
        read, again = (
            [w[:, k : k + 1] for k in range(3)] for w in (self.from_new["read"], self.from_new["read again"])
        )
        return [read, [0.0] * 3, again]
