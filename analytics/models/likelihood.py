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

import numpy as np
from scipy.special import log_ndtr, ndtr

from analytics.models.distributions import LOG_2PI, averaged, log_density, log_survival

TINY = 1e-300


# ---- what the records say, sorted by kind
@dataclass(frozen=True, slots=True)
class Points:
    """Places on the life axis: log miles = y [+ mu of the use] [+ log exposure] [- log exposure at the
    reading].

    y: (D, n). use: (D, n) codes, or None where the miles are known. num, den: pairs (days before, days after)
    the age at which the driving rate may change, each (D, n), or None. D is 1 (data shared) or the number of
    replicates.
    """

    y: np.ndarray
    use: np.ndarray | None = None
    num: tuple[np.ndarray, np.ndarray] | None = None
    den: tuple[np.ndarray, np.ndarray] | None = None


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of one kind. x: (D, n, q) with the intercept first; w: (D, n), 0 for padding; points by name."""

    kind: (
        str  # exact, running, interval, left, entry, unread, unread_alive, unread_exact, unread_interval, unread_entry
    )
    x: np.ndarray
    w: np.ndarray
    at: Points
    # running: the reading; interval: the upper end, as is ``at`` of left; unread: the entry
    other: Points | None = None

    @property
    def end(self) -> Points:
        """The upper end of an interval."""
        assert self.other is not None
        return self.other


@dataclass(frozen=True, slots=True)
class Rates:
    """Known miles per day: log miles (D, n) at an age split in two (D, n); w (D, n).

    read (D, n): w where a survivor was read. fell (D, n): w where the age is that of a failure: there miles and age are
    both outcomes, so the density of (miles, age) carries d log rate/d age, which depends on the decline.
    """

    log_miles: np.ndarray
    age: tuple[np.ndarray, np.ndarray]
    use: np.ndarray
    w: np.ndarray
    read: np.ndarray
    fell: np.ndarray


@dataclass(frozen=True, slots=True)
class Rows:
    """All records of one fleet (D = 1) or of D fleets. ``constant``: terms free of theta, (D,)."""

    blocks: tuple[Block, ...]
    rates: Rates | None
    columns: int
    uses: int
    reported: np.ndarray  # (D,) weight of reported failures
    constant: np.ndarray  # (D,)


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
#: derivatives of z (or of a parameter) that a record's term is differentiated through: kind ("row": one Jacobian row per record,
#: "const": the same for all records), first derivatives, and second ones or None
Local = tuple
NO_SLOPES: Local = ()  # where the value alone is asked for


def log_likelihood(
    theta: np.ndarray,
    rows: Rows,
    layout: Layout,
    law: str,
    nodes: tuple[np.ndarray, np.ndarray],
    order: int = 2,
    constraint: Constraint | None = None,
) -> tuple[np.ndarray, np.ndarray | None, np.ndarray | None]:
    """Log-likelihood (B,), gradient (B, p) and Hessian (B, p, p) at theta (B, p); order 0 gives the value
    alone.

    Data with D = 1 are shared by all B; otherwise D must equal B. ``nodes`` from `rate_nodes`.
    """
    at = _At(np.atleast_2d(theta), layout, law, nodes, order, constraint)
    for block in rows.blocks:
        getattr(at, block.kind)(block)
    at.reported(rows.reported)
    if rows.rates is not None and layout.uses:
        at.rates(rows.rates)
    at.value += rows.constant
    return (at.value, at.grad, at.hess) if order else (at.value, None, None)


class _At:
    """The parameters at theta (B, p), and the sums of log-likelihood, gradient and Hessian over the records taken so far.

    One method per kind of record, named as its `Block`.
    """

    def __init__(
        self,
        theta: np.ndarray,
        layout: Layout,
        law: str,
        nodes: tuple[np.ndarray, np.ndarray],
        order: int,
        constraint: Constraint | None,
    ):
        self.batch, self.size = theta.shape
        self.layout, self.law, self.nodes, self.order, self.constraint = layout, law, nodes, order, constraint
        self.v = theta[:, 0]
        self.beta = np.exp(self.v)
        self.gamma = theta[:, layout.gamma]
        self.mu = theta[:, layout.mu]
        self.tau = np.exp(theta[:, layout.tau]) if layout.uses else np.ones(self.batch)
        self.kappa = self.beta * self.tau
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
        self.steep = self._steep() if order and layout.uses else NO_SLOPES

    # -- places on the life axis
    def exposure(self, pair: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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

    def place(self, x: np.ndarray, at: Points) -> tuple[np.ndarray, Local]:
        """z (B, n) and the Jacobian (B, n, p) of these points."""
        y = at.y
        first = second = None
        if at.num is not None:
            la, first, second = self.exposure(at.num)
            y = y + la
            if at.den is not None:
                lb, f, s = self.exposure(at.den)
                y, first, second = y - lb, first - f, second - s
        if at.use is not None:
            y = y + self.use_means(at.use)
        columns = x if self.constraint is None else x[..., 1:] - self.constraint.x0
        eta = np.matmul(columns, self.gamma[:, :, None])[..., 0]
        if self.constraint is not None:
            eta = eta - self.constraint.z
        miles = self.beta[:, None] * y
        z = miles - eta
        return z, self._slopes(miles, columns, at.use, (first, second)) if self.order else NO_SLOPES

    def _slopes(self, miles: np.ndarray, columns: np.ndarray, use: np.ndarray | None, decline: tuple) -> Local:
        layout, (first, second) = self.layout, decline
        n = max(miles.shape[1], columns.shape[-2])
        jac = np.zeros((self.batch, n, self.size))
        jac[..., 0] = miles
        jac[..., layout.gamma] = -columns
        if use is not None:
            for k in range(layout.uses):
                jac[..., layout.mu.start + k] = self.beta[:, None] * (use == k)
        curve = None
        if self.at_d is not None and first is not None:
            jac[..., self.at_d] = self.beta[:, None] * first
            curve = (self.at_d, self.beta[:, None] * second)
        return "row", jac, curve

    def _steep(self) -> Local:
        """kappa = beta tau, which spreads the nodes, with its derivatives in log beta and log tau."""
        tau = self.layout.tau
        kv = np.zeros((self.batch, self.size))
        kv[:, 0] = kv[:, tau] = self.kappa
        kk = np.zeros((self.batch, self.size, self.size))
        for i in (0, tau):
            for j in (0, tau):
                kk[:, i, j] = self.kappa
        return "const", kv, kk

    def unit(self, at: int) -> np.ndarray:
        """The unit vector of a parameter, (B, p)."""
        e = np.zeros((self.batch, self.size))
        e[:, at] = 1
        return e

    def diagonal(self, at: int, value: np.ndarray) -> np.ndarray:
        """(B, p, p), ``value`` (B,) at one place of the diagonal."""
        out = np.zeros((len(value), self.size, self.size))
        out[:, at, at] = value
        return out

    # -- adding up
    def add(self, locals_: list[Local], first: list[np.ndarray], second: dict) -> None:
        """The chain rule: locals_ as `Local`, first (B, n) each, second by pair of locals."""
        for (kind, jac, curve), l1 in zip(locals_, first, strict=True):
            if kind == "row":
                g = np.matmul(l1[:, None, :], jac)[:, 0]
                self.grad += g
                # z = beta y - x'gamma: its second derivatives in log beta repeat the first ones
                cols = self.miles_columns
                self.hess[:, 0, cols] += g[:, cols]
                self.hess[:, cols[1:], 0] += g[:, cols[1:]]
                if curve is not None:
                    at, bend = curve
                    self.hess[:, at, at] += (l1 * bend).sum(1)
            else:
                total = l1.sum(1)
                self.grad += total[:, None] * jac
                if curve is not None:
                    self.hess += total[:, None, None] * curve
        for (a, b), l2 in second.items():
            block = _pair(locals_[a], locals_[b], l2)
            self.hess += block if a == b else block + np.swapaxes(block, 1, 2)

    def add_log(self, locals_: list[Local], d1: list[np.ndarray], d2: dict, like: np.ndarray, w: np.ndarray) -> None:
        """From derivatives of a likelihood to those of its logarithm."""
        first = [x / like for x in d1]
        second = {}
        for a in range(len(d1)):
            for b in range(a, len(d1)):
                x = d2.get((a, b), d2.get((b, a)))
                second[(a, b)] = w * ((0 if x is None else x / like) - first[a] * first[b])
        self.add(locals_, [w * x for x in first], second)

    # -- known miles
    def exact(self, block: Block) -> None:
        """Failed at known miles."""
        w = block.w
        z, local = self.place(block.x, block.at)
        f0, f1, f2 = log_density(z, self.law)
        self.value += (w * (f0 + self.v[:, None])).sum(1)
        if self.order:
            self.grad[:, 0] += np.broadcast_to(w.sum(1), self.batch)
            self.add([local], [w * f1], {(0, 0): w * f2})

    def entry(self, block: Block) -> None:
        """Came under observation at known miles."""
        self._survived(block, -block.w)

    def running(self, block: Block) -> None:
        """Still running at known miles; with ``other``, the reading, it may have failed since without being reported."""
        if self.full_share or block.other is None:
            self._survived(block, block.w)
            return
        w = block.w
        z, local = self.place(block.x, block.at)
        s0, s1, s2 = log_survival(z, self.law)
        zr, local_r = self.place(block.x, block.other)
        r0, r1, r2 = log_survival(zr, self.law)
        q = np.exp(np.minimum(s0 - r0, 0))
        pi = self.share[:, None]
        den = 1 - pi + pi * q
        self.value += (w * (r0 + np.log(den))).sum(1)
        if not self.order:
            return
        p = pi * q / den
        cross = p * (1 - p)
        locals_ = [local, local_r]
        first = [w * p * s1, w * (1 - p) * r1]
        second = {
            (0, 0): w * (p * s2 + cross * s1 * s1),
            (1, 1): w * ((1 - p) * r2 + cross * r1 * r1),
            (0, 1): -w * cross * s1 * r1,
        }
        if self.at_l is not None:
            dpi = self.share * self.silent
            bend = self.diagonal(self.at_l, dpi * (1 - 2 * self.share))
            locals_.append(("const", self.unit(self.at_l) * dpi[:, None], bend))
            slope = (q - 1) / den
            first.append(w * slope)
            second[(2, 2)] = -w * slope * slope
            second[(0, 2)] = w * s1 * q / den**2
            second[(1, 2)] = -w * r1 * q / den**2
        self.add(locals_, first, second)

    def _survived(self, block: Block, weight: np.ndarray) -> None:
        z, local = self.place(block.x, block.at)
        s0, s1, s2 = log_survival(z, self.law)
        self.value += (weight * s0).sum(1)
        if self.order:
            self.add([local], [weight * s1], {(0, 0): weight * s2})

    def interval(self, block: Block) -> None:
        """Failed between two known miles."""
        self._between(block, block.end, *self.place(block.x, block.at))

    def left(self, block: Block) -> None:
        """Failed before known miles."""
        self._between(block, block.at, None, None)

    def _between(self, block: Block, end: Points, zl: np.ndarray | None, local_l: Local | None) -> None:
        w = block.w
        zu, local_u = self.place(block.x, end)
        u0, u1, u2 = log_survival(zu, self.law)
        l0, l1, l2 = (np.zeros_like(u0), None, None) if zl is None else log_survival(zl, self.law)
        gap = -np.expm1(np.minimum(u0 - l0, -1e-14))
        self.value += (w * (l0 + np.log(gap))).sum(1)
        if not self.order:
            return
        rho = (1 - gap) / gap
        bend = rho / gap
        locals_ = [local_u]
        first = [-w * rho * u1]
        second = {(0, 0): w * (-rho * u2 - bend * u1 * u1)}
        if local_l is not None:
            locals_.append(local_l)
            first.append(w * l1 / gap)
            second[(1, 1)] = w * (l2 / gap - bend * l1 * l1)
            second[(0, 1)] = w * bend * u1 * l1
        self.add(locals_, first, second)

    # -- odometer unknown: averages over the log-normal miles per day of the unit's use, by the trapezoid rule
    def average(self, z: np.ndarray, weights: list[np.ndarray]) -> list[np.ndarray]:
        """sum_j weights[k]_j S^(k)(z + kappa s_j): one (B, n, m_k) array per derivative k."""
        return averaged(z, self.kappa, self.nodes[0], weights, self.law)

    @property
    def moments(self) -> list[np.ndarray]:
        """Node weights times 1, s, s^2, as far as the order asks, for each derivative of S."""
        s, weight = self.nodes
        plain = np.stack([weight, weight * s, weight * s * s], 1)[None]
        return [plain[..., :1], plain[..., :2], plain][: self.order + 1]

    def _add_average(self, local: Local, sums: list[np.ndarray], like: np.ndarray, w: np.ndarray) -> None:
        """w log(like), like an average S: derivatives through z and through kappa."""
        self.value += (w * np.log(like)).sum(1)
        if self.order:
            d2 = {(0, 0): sums[2][..., 0], (0, 1): sums[2][..., 1], (1, 1): sums[2][..., 2]}
            self.add_log([local, self.steep], [sums[1][..., 0], sums[1][..., 1]], d2, like, w)

    def unread_alive(self, block: Block) -> None:
        """Known to be good, miles unknown."""
        z, local = self.place(block.x, block.at)
        sums = self.average(z, self.moments)
        self._add_average(local, sums, np.maximum(sums[0][..., 0], TINY), block.w)

    def unread_entry(self, block: Block) -> None:
        """Came under observation at unknown miles."""
        z, local = self.place(block.x, block.at)
        sums = self.average(z, self.moments)
        self._add_average(local, sums, np.maximum(sums[0][..., 0], TINY), -block.w)

    def unread_exact(self, block: Block) -> None:
        """Failed on a known day, miles unknown: the density in days is (beta / days) times -dS/dz, averaged."""
        w = block.w
        z, local = self.place(block.x, block.at)
        moments = self.moments
        sums = self.average(z, [moments[0], *moments])
        like = np.maximum(-sums[1][..., 0], TINY)
        self.value += (w * (np.log(like) + self.v[:, None])).sum(1)
        if self.order:
            self.grad[:, 0] += np.broadcast_to(w.sum(1), self.batch)
            d2 = {(0, 0): -sums[3][..., 0], (0, 1): -sums[3][..., 1], (1, 1): -sums[3][..., 2]}
            self.add_log([local, self.steep], [-sums[2][..., 0], -sums[2][..., 1]], d2, like, w)

    def unread_interval(self, block: Block) -> None:
        """Failed between two days, miles unknown: the average of S_L - S_U."""
        w = block.w
        z, local = self.place(block.x, block.at)
        zu, local_u = self.place(block.x, block.end)
        low, high = self.average(z, self.moments), self.average(zu, self.moments)
        like = np.maximum(low[0][..., 0] - high[0][..., 0], TINY)
        self.value += (w * np.log(like)).sum(1)
        if not self.order:
            return
        d1 = [low[1][..., 0], low[1][..., 1] - high[1][..., 1], -high[1][..., 0]]
        d2 = {
            (0, 0): low[2][..., 0],
            (0, 1): low[2][..., 1],
            (1, 1): low[2][..., 2] - high[2][..., 2],
            (2, 2): -high[2][..., 0],
            (1, 2): -high[2][..., 1],
        }
        self.add_log([local, self.steep, local_u], d1, d2, like, w)

    def unread(self, block: Block) -> None:
        """Not heard of: log of the average of S (1 - q) + (S0 - S)(1 - share), q the chance of having been read, less the
        log of the average of S0, survival to the entry (1 when it was there from new)."""
        w = block.w
        z, local = self.place(block.x, block.at)
        sums = self.average(z, self._unread_weights())
        base: float | np.ndarray = 1.0
        local0, sums0 = NO_SLOPES, None
        if block.other is not None:
            z0, local0 = self.place(block.x, block.other)
            sums0 = self.average(z0, self.moments)
            base = sums0[0][..., 0]
            self._add_average(local0, sums0, np.maximum(base, TINY), -w)
        silent = self.silent[:, None]
        like = np.maximum(sums[0][..., 0] + (0 if self.full_share else silent * base), TINY)
        self.value += (w * np.log(like)).sum(1)
        if not self.order:
            return
        if block.other is None:
            self._unread_from_new(local, sums, like, w)
        else:
            self._unread_late(local, local0, sums, sums0, like, w)

    def _unread_weights(self) -> list[np.ndarray]:
        """Node weights (B or 1, J, m) of what unread rows need, for each derivative of S."""
        s, weight = self.nodes
        if self.alpha is None:
            keep = np.ones((1, len(s)))
        else:
            reach = self.alpha[:, None] + self.c[:, None] * s
            keep = ndtr(-reach)
        net = weight * (keep - self.silent[:, None]) if not self.full_share else weight * keep
        columns0, columns1, columns2 = [net], [net, net * s], [net, net * s, net * s * s]
        if self.order and self.alpha is not None:
            phi = np.exp(-0.5 * reach**2 - 0.5 * LOG_2PI)
            da, daa = -weight * phi, weight * reach * phi
            columns0 += [da, da * s, daa, daa * s, daa * s * s]
            columns1 += [da, da * s, da * s * s]
        if self.order and self.at_l is not None:
            ones = np.broadcast_to(weight, net.shape)
            columns0.append(ones)
            columns1 += [ones, ones * s]
        return [np.stack(k, -1) for k in (columns0, columns1, columns2)][: self.order + 1]

    def _unread_late(self, local, local0, sums, sums0, like, w) -> None:
        """Derivatives of the unread rows that came under observation late."""
        locals_ = [local, self.steep]
        d1 = [sums[1][..., 0], sums[1][..., 1]]
        d2 = {(0, 0): sums[2][..., 0], (0, 1): sums[2][..., 1], (1, 1): sums[2][..., 2]}
        if self.at_a is not None:
            i = len(locals_)
            locals_.append(("const", self.unit(self.at_a), None))
            d1.append(sums[0][..., 1])
            d2 |= {(0, i): sums[1][..., 2], (1, i): sums[1][..., 3], (i, i): sums[0][..., 3]}
            if self.at_c is not None:
                locals_.append(("const", self.unit(self.at_c), None))
                d1.append(sums[0][..., 2])
                d2 |= {
                    (0, i + 1): sums[1][..., 3],
                    (1, i + 1): sums[1][..., 4],
                    (i, i + 1): sums[0][..., 4],
                    (i + 1, i + 1): sums[0][..., 5],
                }
        i0 = len(locals_)
        if not self.full_share:
            b = self.silent[:, None]
            locals_.append(local0)
            d1.append(b * sums0[1][..., 0])
            d1[1] = d1[1] + b * sums0[1][..., 1]
            d2[(1, 1)] = d2[(1, 1)] + b * sums0[2][..., 2]
            d2 |= {(i0, i0): b * sums0[2][..., 0], (1, i0): b * sums0[2][..., 1]}
        if self.at_l is not None:
            i = len(locals_)
            db = -self.silent * (1 - self.silent)
            bend = self.diagonal(self.at_l, (2 * self.silent - 1) * db)
            locals_.append(("const", self.unit(self.at_l) * db[:, None], bend))
            d1.append(sums0[0][..., 0] - sums[0][..., -1])
            d2 |= {(0, i): -sums[1][..., -2], (1, i): -sums[1][..., -1] + sums0[1][..., 1], (i0, i): sums0[1][..., 0]}
        self.add_log(locals_, d1, d2, like, w)

    def _unread_from_new(self, local, sums, like, w) -> None:
        """Derivatives of the unread rows without an entry: what `add_log` does, with the sums over rows taken first."""
        _, jac, curve = local
        _, kv, kk = self.steep
        grad, hess, silent = self.grad, self.hess, self.silent
        wl = w / like
        c0, c1, c2 = (np.matmul(wl[:, None, :], q)[:, 0] for q in sums)
        r1 = np.matmul(np.swapaxes(sums[1] * wl[..., None], 1, 2), jac)
        r2 = np.matmul((sums[2][..., 1] * wl)[:, None, :], jac)[:, 0]
        g = r1[:, 0]
        grad += g
        cols = self.miles_columns
        hess[:, 0, cols] += g[:, cols]
        hess[:, cols[1:], 0] += g[:, cols[1:]]
        if curve is not None:
            at, bend = curve
            hess[:, at, at] += (sums[1][..., 0] * wl * bend).sum(1)
        hess += np.matmul(np.swapaxes(jac, 1, 2), jac * (sums[2][..., 0] * wl)[..., None])
        grad += c1[:, 1, None] * kv
        hess += c1[:, 1, None, None] * kk + c2[:, 2, None, None] * kv[:, :, None] * kv[:, None, :]
        cross = r2[:, :, None] * kv[:, None, :]
        hess += cross + np.swapaxes(cross, 1, 2)
        score = jac * (sums[1][..., 0] / like)[..., None]
        for i in np.flatnonzero(kv.any(0)):
            score[..., i] += kv[:, i, None] * (sums[1][..., 1] / like)

        def mixed(at: int, vector: np.ndarray) -> None:
            hess[:, at, :] += vector
            hess[:, :, at] += vector

        at_a, at_c, at_l = self.at_a, self.at_c, self.at_l
        if at_a is not None:
            grad[:, at_a] += c0[:, 1]
            hess[:, at_a, at_a] += c0[:, 3]
            mixed(at_a, r1[:, 2] + c1[:, 3, None] * kv)
            score[..., at_a] = sums[0][..., 1] / like
        if at_c is not None:
            grad[:, at_c] += c0[:, 2]
            hess[:, at_c, at_c] += c0[:, 5]
            hess[:, at_a, at_c] += c0[:, 4]
            hess[:, at_c, at_a] += c0[:, 4]
            mixed(at_c, r1[:, 3] + c1[:, 4, None] * kv)
            score[..., at_c] = sums[0][..., 2] / like
        if at_l is not None:
            db = -silent * (1 - silent)
            lost = wl.sum(1) - c0[:, -1]
            grad[:, at_l] += db * lost
            hess[:, at_l, at_l] += (2 * silent - 1) * db * lost
            mixed(at_l, -db[:, None] * (r1[:, -2] + c1[:, -1, None] * kv))
            score[..., at_l] = db[:, None] * (1 - sums[0][..., -1]) / like
        hess -= np.matmul(np.swapaxes(score, 1, 2), score * w[..., None])

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


def _pair(one: Local, other: Local, l2: np.ndarray) -> np.ndarray:
    """The part of the Hessian (B, p, p) that two local derivatives make together."""
    (ka, ja, _), (kb, jb, _) = one, other
    if ka == "row" and kb == "row":
        return np.matmul(np.swapaxes(ja, 1, 2), jb * l2[..., None])
    if ka == "row":
        return np.matmul(l2[:, None, :], ja)[:, 0][:, :, None] * jb[:, None, :]
    if kb == "row":
        return ja[:, :, None] * np.matmul(l2[:, None, :], jb)[:, 0][:, None, :]
    return l2.sum(1)[:, None, None] * ja[:, :, None] * jb[:, None, :]
