"""Life against power, weight and use: one likelihood for every kind of record, maximised by damped Newton.

Life is Weibull or log-normal, log T = b0 + x'b + e/beta. In theta = (log beta, gamma, mu_k, log tau, ...),
with gamma = beta b, a life of t miles sits at z = beta log(t/M) - x'gamma; S = exp(-e^z) or S = Phi(-z). At a
power with survival R at M miles, -x'gamma equals the quantile z_R of the law: free of beta and linear in
gamma, so the fit "as if the rating were p" is the same fit with one column less (Lawless, Statistical Models
and Methods for Lifetime Data, 2nd ed. 2003, ch. 4-6, for the likelihoods and the profile argument).

Every number here is a plain function of arrays with a leading axis of replicates, so that one Newton
iteration serves one fleet or hundreds of simulated ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from analytics.errors import AnalyticsError
from analytics.models.quadrature import rate_nodes
from analytics.reasons import Fit, Reason, reason

LAWS = ("weibull", "lognormal")
LOG_2PI = float(np.log(2 * np.pi))
TINY = 1e-300


# ---- the two life laws, as functions of z
# ---------------------------------------------------------------------------
def standard_quantile(reliability: float, law: str) -> float:
    """The z at which survival equals ``reliability``."""
    return float(np.log(-np.log(reliability))) if law == "weibull" else float(ndtri(1 - reliability))


def survival_of(z: np.ndarray, law: str) -> np.ndarray:
    """S(z), any shape."""
    return np.exp(-np.exp(np.minimum(z, 700))) if law == "weibull" else ndtr(-z)


def log_survival(z: np.ndarray, law: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """log S(z) and its first two derivatives."""
    if law == "weibull":
        h = np.exp(np.minimum(z, 600))
        return -h, -h, -h
    value = log_ndtr(-z)
    mills = np.exp(-0.5 * z * z - 0.5 * LOG_2PI - value)
    return value, -mills, -mills * (mills - z)


def log_density(z: np.ndarray, law: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """log of the density in z, and its first two derivatives."""
    if law == "weibull":
        h = np.exp(np.minimum(z, 600))
        return z - h, 1 - h, -h
    return -0.5 * z * z - 0.5 * LOG_2PI, -z, -np.ones_like(z)


def _survival_jet(z: np.ndarray, law: str, order: int) -> list[np.ndarray]:
    """S(z) and its first ``order`` derivatives; linear scale, for sums over the nodes."""
    if law == "weibull":
        h = np.exp(np.minimum(z, 300))  # its square is still a number, and S is 0 long before
        s = np.exp(-h)
        jet = [s]
        if order >= 1:
            hs = h * s
            jet.append(-hs)
        if order >= 2:
            jet.append(hs * (h - 1))
        if order >= 3:
            jet.append(hs * (3 * h - h * h - 1))
        return jet
    jet = [ndtr(-z)]
    if order >= 1:
        phi = np.exp(-0.5 * z * z - 0.5 * LOG_2PI)
        jet.append(-phi)
    if order >= 2:
        jet.append(z * phi)
    if order >= 3:
        jet.append((1 - z * z) * phi)
    return jet


# ---- what the records say, sorted by kind
# ---------------------------------------------------------------------------
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
    other: Points | None = None  # running: the reading; interval: the upper end; unread: the entry


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
# ---------------------------------------------------------------------------------------------
class _Sum:
    """Adds up log-likelihood, gradient (B, p) and Hessian (B, p, p) from local derivatives."""

    def __init__(self, batch: int, size: int, order: int, miles_columns: list[int]):
        self.order = order
        self.value = np.zeros(batch)
        self.grad = np.zeros((batch, size)) if order else None
        self.hess = np.zeros((batch, size, size)) if order else None
        self.miles_columns = miles_columns

    def add(self, locals_: list, first: list, second: dict) -> None:
        """locals_: ("row", J (B, n, p), curve or None) or ("const", v (B, p), V (B, p, p) or None); first: (B, n) each."""
        for a, (kind, jac, curve) in enumerate(locals_):
            l1 = first[a]
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
            (ka, ja, _), (kb, jb, _) = locals_[a], locals_[b]
            if ka == "row" and kb == "row":
                block = np.matmul(np.swapaxes(ja, 1, 2), jb * l2[..., None])
            elif ka == "row":
                block = np.matmul(l2[:, None, :], ja)[:, 0][:, :, None] * jb[:, None, :]
            elif kb == "row":
                block = ja[:, :, None] * np.matmul(l2[:, None, :], jb)[:, 0][:, None, :]
            else:
                block = l2.sum(1)[:, None, None] * ja[:, :, None] * jb[:, None, :]
            self.hess += block if a == b else block + np.swapaxes(block, 1, 2)


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
    theta = np.atleast_2d(theta)
    batch, size = theta.shape
    v = theta[:, 0]
    beta = np.exp(v)
    gamma = theta[:, layout.gamma]
    mu = theta[:, layout.mu]
    tau = np.exp(theta[:, layout.tau]) if layout.uses else np.ones(batch)
    at_d, at_a, at_c, at_l = (layout.place(k) for k in ("decline", "level", "slope", "share"))
    d = theta[:, at_d] if at_d is not None else np.full(batch, layout.fixed_decline)
    later = np.exp(d)[:, None]
    alpha = theta[:, at_a] if at_a is not None else None
    c = theta[:, at_c] if at_c is not None else np.zeros(batch)
    share = 1 / (1 + np.exp(-theta[:, at_l])) if at_l is not None else np.full(batch, layout.fixed_share)
    silent = 1 - share
    full_share = at_l is None and layout.fixed_share >= 1.0
    miles_columns = [0, *range(layout.mu.start, layout.mu.stop)] + ([at_d] if at_d is not None else [])
    total = _Sum(batch, size, order, miles_columns)

    def exposure(pair):
        """log of the days weighted by driving, and its first two derivatives in the decline."""
        before, after = pair
        a = before + later * after
        f = later * after / a
        return np.log(a), f, f * (1 - f)

    def place(x, at: Points):
        """z (B, n) and the Jacobian (B, n, p) of these points."""
        y = at.y
        first = second = None
        if at.num is not None:
            la, first, second = exposure(at.num)
            y = y + la
            if at.den is not None:
                lb, f, s = exposure(at.den)
                y, first, second = y - lb, first - f, second - s
        if at.use is not None:
            y = y + (
                mu if layout.uses == 1 else np.take_along_axis(mu, np.broadcast_to(at.use, (batch, at.use.shape[1])), 1)
            )
        columns = x if constraint is None else x[..., 1:] - constraint.x0
        eta = np.matmul(columns, gamma[:, :, None])[..., 0]
        if constraint is not None:
            eta = eta - constraint.z
        miles = beta[:, None] * y
        z = miles - eta
        if not order:
            return z, None
        jac = np.zeros((*z.shape, size))
        jac[..., 0] = miles
        jac[..., layout.gamma] = -columns
        if at.use is not None:
            for k in range(layout.uses):
                jac[..., layout.mu.start + k] = beta[:, None] * (at.use == k)
        curve = None
        if at_d is not None and first is not None:
            jac[..., at_d] = beta[:, None] * first
            curve = (at_d, beta[:, None] * second)
        return z, ("row", jac, curve)

    def unit(at: int) -> np.ndarray:
        e = np.zeros((batch, size))
        e[:, at] = 1
        return e

    if order and layout.uses:
        kappa = beta * tau
        kv = np.zeros((batch, size))
        kv[:, 0] = kv[:, layout.tau] = kappa
        kk = np.zeros((batch, size, size))
        for i in (0, layout.tau):
            for j in (0, layout.tau):
                kk[:, i, j] = kappa
        steep = ("const", kv, kk)

    for block in rows.blocks:
        w = block.w
        if block.kind == "exact":
            z, local = place(block.x, block.at)
            f0, f1, f2 = log_density(z, law)
            total.value += (w * (f0 + v[:, None])).sum(1)
            if order:
                total.grad[:, 0] += np.broadcast_to(w.sum(1), batch)
                total.add([local], [w * f1], {(0, 0): w * f2})
        elif block.kind in ("running", "entry"):
            z, local = place(block.x, block.at)
            s0, s1, s2 = log_survival(z, law)
            if block.kind == "entry" or full_share or block.other is None:
                sign = -w if block.kind == "entry" else w
                total.value += (sign * s0).sum(1)
                if order:
                    total.add([local], [sign * s1], {(0, 0): sign * s2})
                continue
            # seen running at the reading; since then it runs, or failed without being reported
            zr, local_r = place(block.x, block.other)
            r0, r1, r2 = log_survival(zr, law)
            q = np.exp(np.minimum(s0 - r0, 0))
            pi = share[:, None]
            den = 1 - pi + pi * q
            total.value += (w * (r0 + np.log(den))).sum(1)
            if order:
                p = pi * q / den
                cross = p * (1 - p)
                locals_ = [local, local_r]
                first = [w * p * s1, w * (1 - p) * r1]
                second = {
                    (0, 0): w * (p * s2 + cross * s1 * s1),
                    (1, 1): w * ((1 - p) * r2 + cross * r1 * r1),
                    (0, 1): -w * cross * s1 * r1,
                }
                if at_l is not None:
                    dpi = share * silent
                    locals_.append(("const", unit(at_l) * dpi[:, None], _diag(size, at_l, dpi * (1 - 2 * share))))
                    slope = (q - 1) / den
                    first.append(w * slope)
                    second[(2, 2)] = -w * slope * slope
                    second[(0, 2)] = w * s1 * q / den**2
                    second[(1, 2)] = -w * r1 * q / den**2
                total.add(locals_, first, second)
        elif block.kind in ("interval", "left"):
            zu, local_u = place(block.x, block.other)
            u0, u1, u2 = log_survival(zu, law)
            if block.kind == "left":
                l0 = np.zeros_like(u0)
            else:
                zl, local_l = place(block.x, block.at)
                l0, l1, l2 = log_survival(zl, law)
            gap = -np.expm1(np.minimum(u0 - l0, -1e-14))
            total.value += (w * (l0 + np.log(gap))).sum(1)
            if order:
                rho = (1 - gap) / gap
                bend = rho / gap
                locals_ = [local_u]
                first = [-w * rho * u1]
                second = {(0, 0): w * (-rho * u2 - bend * u1 * u1)}
                if block.kind == "interval":
                    locals_.append(local_l)
                    first.append(w * l1 / gap)
                    second[(1, 1)] = w * (l2 / gap - bend * l1 * l1)
                    second[(0, 1)] = w * bend * u1 * l1
                total.add(locals_, first, second)
        else:
            _unread(
                block,
                total,
                place,
                nodes,
                law,
                order,
                (v, beta * tau, alpha, c, silent),
                (steep if order else None, at_a, at_c, at_l),
                unit,
                full_share,
            )

    if at_l is not None:
        n_fail = np.broadcast_to(rows.reported, batch)
        total.value += n_fail * np.log(share)
        if order:
            total.grad[:, at_l] += n_fail * silent
            total.hess[:, at_l, at_l] -= n_fail * share * silent
    if rows.rates is not None and layout.uses:
        _rates(rows.rates, total, layout, theta, order, mu, tau, exposure, alpha, c)
    total.value += rows.constant
    return total.value, total.grad, total.hess


def _diag(size: int, at: int, value: np.ndarray) -> np.ndarray:
    out = np.zeros((len(value), size, size))
    out[:, at, at] = value
    return out


def _node_sums(z, kappa, s, law, order, weights):
    """sum_j weights[m]_j S^(k)(z + kappa s_j): one (B, n, m_k) array per derivative k. In slabs that fit the cache."""
    batch, n = z.shape
    out = [np.empty((batch, n, wk.shape[-1])) for wk in weights]
    step = max(1, 60_000 // max(1, n * len(s)))
    for i in range(0, batch, step):
        j = min(batch, i + step)
        jet = _survival_jet(z[i:j, :, None] + kappa[i:j, None, None] * s, law, order)
        for k, wk in enumerate(weights):
            np.matmul(jet[k], wk if wk.shape[0] == 1 else wk[i:j], out=out[k][i:j])
    return out


def _unread(block, total, place, nodes, law, order, params, places, unit, full_share):
    """Odometer unknown: averages over the log-normal miles per day of the unit's use, by the trapezoid rule.

    unread: log of the integral of S (1 - q) + (S0 - S)(1 - share), q the chance of having been read, less the log of
    the integral of S0, survival to the entry (1 when it was there from new). unread_alive: of S alone.
    unread_exact: of the density in days; unread_interval: of S_L - S_U; unread_entry: minus that of S.
    """
    v, kappa, alpha, c, silent = params
    steep, at_a, at_c, at_l = places
    s, weight = nodes
    batch = len(v)
    size = total.grad.shape[1] if order else 0
    plain = np.stack([weight, weight * s, weight * s * s], 1)[None]
    cuts = [plain[..., :1], plain[..., :2], plain][: order + 1]
    w = block.w
    z, local = place(block.x, block.at)

    def divide_out(local0, sums0):
        base = np.maximum(sums0[0][..., 0], TINY)
        total.value -= (w * np.log(base)).sum(1)
        if order:
            d2 = {(0, 0): sums0[2][..., 0], (0, 1): sums0[2][..., 1], (1, 1): sums0[2][..., 2]}
            _log_of(total, [local0, steep], [sums0[1][..., 0], sums0[1][..., 1]], d2, base, -w)

    if block.kind == "unread_entry":
        divide_out(local, _node_sums(z, kappa, s, law, order, cuts))
        return
    if block.kind == "unread_alive":
        low = _node_sums(z, kappa, s, law, order, cuts)
        like = np.maximum(low[0][..., 0], TINY)
        total.value += (w * np.log(like)).sum(1)
        if order:
            d2 = {(0, 0): low[2][..., 0], (0, 1): low[2][..., 1], (1, 1): low[2][..., 2]}
            _log_of(total, [local, steep], [low[1][..., 0], low[1][..., 1]], d2, like, w)
        return
    if block.kind == "unread_exact":
        # the density in days is (beta / days) times -dS/dz, averaged
        sums = _node_sums(z, kappa, s, law, 3 if order else 1, [plain[..., :1], *cuts])
        like = np.maximum(-sums[1][..., 0], TINY)
        total.value += (w * (np.log(like) + v[:, None])).sum(1)
        if order:
            total.grad[:, 0] += np.broadcast_to(w.sum(1), batch)
            d2 = {(0, 0): -sums[3][..., 0], (0, 1): -sums[3][..., 1], (1, 1): -sums[3][..., 2]}
            _log_of(total, [local, steep], [-sums[2][..., 0], -sums[2][..., 1]], d2, like, w)
        return
    if block.kind == "unread_interval":
        zu, local_u = place(block.x, block.other)
        low = _node_sums(z, kappa, s, law, order, cuts)
        high = _node_sums(zu, kappa, s, law, order, cuts)
        like = np.maximum(low[0][..., 0] - high[0][..., 0], TINY)
        total.value += (w * np.log(like)).sum(1)
        if order:
            d1 = [low[1][..., 0], low[1][..., 1] - high[1][..., 1], -high[1][..., 0]]
            d2 = {
                (0, 0): low[2][..., 0],
                (0, 1): low[2][..., 1],
                (1, 1): low[2][..., 2] - high[2][..., 2],
                (2, 2): -high[2][..., 0],
                (1, 2): -high[2][..., 1],
            }
            _log_of(total, [local, steep, local_u], d1, d2, like, w)
        return

    if alpha is None:
        keep = np.ones((1, len(s)))
    else:
        reach = alpha[:, None] + c[:, None] * s
        keep = ndtr(-reach)
    net = weight * (keep - silent[:, None]) if not full_share else weight * keep
    columns0, columns1, columns2 = [net], [net, net * s], [net, net * s, net * s * s]
    if order and alpha is not None:
        phi = np.exp(-0.5 * reach**2 - 0.5 * LOG_2PI)
        da, daa = -weight * phi, weight * reach * phi
        columns0 += [da, da * s, daa, daa * s, daa * s * s]
        columns1 += [da, da * s, da * s * s]
    if order and at_l is not None:
        ones = np.broadcast_to(weight, net.shape)
        columns0.append(ones)
        columns1 += [ones, ones * s]
    weights = [np.stack(k, -1) for k in (columns0, columns1, columns2)][: order + 1]
    sums = _node_sums(z, kappa, s, law, order, weights)
    base, local0, sums0 = 1.0, None, None
    if block.other is not None:
        z0, local0 = place(block.x, block.other)
        sums0 = _node_sums(z0, kappa, s, law, order, cuts)
        base = sums0[0][..., 0]
        divide_out(local0, sums0)
    like = np.maximum(sums[0][..., 0] + (0 if full_share else silent[:, None] * base), TINY)
    total.value += (w * np.log(like)).sum(1)
    if not order:
        return
    if block.other is None:
        _unread_from_new(total, local, steep, sums, like, w, silent, (at_a, at_c, at_l))
        return
    locals_ = [local, steep]
    d1 = [sums[1][..., 0], sums[1][..., 1]]
    d2 = {(0, 0): sums[2][..., 0], (0, 1): sums[2][..., 1], (1, 1): sums[2][..., 2]}
    if alpha is not None:
        i = len(locals_)
        locals_.append(("const", unit(at_a), None))
        d1.append(sums[0][..., 1])
        d2 |= {(0, i): sums[1][..., 2], (1, i): sums[1][..., 3], (i, i): sums[0][..., 3]}
        if at_c is not None:
            locals_.append(("const", unit(at_c), None))
            d1.append(sums[0][..., 2])
            d2 |= {
                (0, i + 1): sums[1][..., 3],
                (1, i + 1): sums[1][..., 4],
                (i, i + 1): sums[0][..., 4],
                (i + 1, i + 1): sums[0][..., 5],
            }
    i0 = len(locals_)
    if sums0 is not None and not full_share:
        b = silent[:, None]
        locals_.append(local0)
        d1.append(b * sums0[1][..., 0])
        d1[1] = d1[1] + b * sums0[1][..., 1]
        d2[(1, 1)] = d2[(1, 1)] + b * sums0[2][..., 2]
        d2 |= {(i0, i0): b * sums0[2][..., 0], (1, i0): b * sums0[2][..., 1]}
    if at_l is not None:
        i = len(locals_)
        db = -silent * (1 - silent)
        locals_.append(("const", unit(at_l) * db[:, None], _diag(size, at_l, (2 * silent - 1) * db)))
        d1.append(base - sums[0][..., -1])
        d2 |= {(0, i): -sums[1][..., -2], (1, i): -sums[1][..., -1]}
        if sums0 is not None:
            d2[(1, i)] = d2[(1, i)] + sums0[1][..., 1]
            d2[(i0, i)] = sums0[1][..., 0]
    _log_of(total, locals_, d1, d2, like, w)


def _unread_from_new(total, local, steep, sums, like, w, silent, places) -> None:
    """Derivatives of the unread rows without an entry: what `_log_of` does, with the sums over rows taken first."""
    at_a, at_c, at_l = places
    _, jac, curve = local
    _, kv, kk = steep
    grad, hess = total.grad, total.hess
    wl = w / like
    c0, c1, c2 = (np.matmul(wl[:, None, :], q)[:, 0] for q in sums)
    r1 = np.matmul(np.swapaxes(sums[1] * wl[..., None], 1, 2), jac)
    r2 = np.matmul((sums[2][..., 1] * wl)[:, None, :], jac)[:, 0]
    g = r1[:, 0]
    grad += g
    cols = total.miles_columns
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

    def mixed(at, vector):
        hess[:, at, :] += vector
        hess[:, :, at] += vector

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


def _log_of(total, locals_, d1, d2, like, w) -> None:
    """From derivatives of a likelihood to those of its logarithm."""
    first = [x / like for x in d1]
    second = {}
    for a in range(len(d1)):
        for b in range(a, len(d1)):
            x = d2.get((a, b), d2.get((b, a)))
            second[(a, b)] = w * ((0 if x is None else x / like) - first[a] * first[b])
    total.add(locals_, [w * x for x in first], second)


def _rates(rates, total, layout, theta, order, mu, tau, exposure, alpha, c) -> None:
    """log rate ~ N(mu of the use, tau); a read survivor also says that it was read."""
    batch, size = theta.shape
    la, first, second = exposure(rates.age)
    m = mu if layout.uses == 1 else np.take_along_axis(mu, np.broadcast_to(rates.use, (batch, rates.use.shape[1])), 1)
    t = tau[:, None]
    s = (rates.log_miles - la - m) / t
    w = rates.w
    total.value += (w * (-np.log(t) - 0.5 * s * s - 0.5 * LOG_2PI)).sum(1)
    f1, f2 = -w * s, -w
    at_d, at_a, at_c = (layout.place(k) for k in ("decline", "level", "slope"))
    d = theta[:, at_d][:, None] if at_d is not None else layout.fixed_decline
    late = rates.age[1] > 0
    total.value += (rates.fell * (late * d - la + np.log(rates.age[0] + rates.age[1]))).sum(1)
    if alpha is not None:
        a = alpha[:, None] + c[:, None] * s
        lead = log_ndtr(a)
        total.value += (rates.read * lead).sum(1)
        m1 = np.exp(-0.5 * a * a - 0.5 * LOG_2PI - lead)
        a1, a2 = rates.read * m1, -rates.read * m1 * (m1 + a)
    if not order:
        return
    if at_d is not None:
        total.grad[:, at_d] += (rates.fell * (late - first)).sum(1)
        total.hess[:, at_d, at_d] -= (rates.fell * second).sum(1)
    jac = np.zeros((*s.shape, size))
    for k in range(layout.uses):
        jac[..., layout.mu.start + k] = (rates.use == k) / -t
    jac[..., layout.tau] = -s
    if at_d is not None:
        jac[..., at_d] = -first / t
    g_s, pull = f1, f2
    hess = np.zeros((batch, size, size))
    if alpha is not None:
        g_s = f1 + a1 * c[:, None]
        jac_a = jac * c[:, None, None]
        jac_a[..., at_a] = 1
        if at_c is not None:
            jac_a[..., at_c] = s
            lean = np.matmul(a1[:, None, :], jac)[:, 0]
            hess[:, at_c, :] += lean
            hess[:, :, at_c] += lean
            total.grad[:, at_c] += (a1 * s).sum(1)
        total.grad[:, at_a] += a1.sum(1)
        hess += np.matmul(np.swapaxes(jac_a, 1, 2), jac_a * a2[..., None])
    hess += np.matmul(np.swapaxes(jac, 1, 2), jac * pull[..., None])
    g = np.matmul(g_s[:, None, :], jac)[:, 0]
    total.grad += g
    # second derivatives of s: d2s/dlogtau dx = -ds/dx, d2s/dlogtau2 = s
    it = layout.tau
    total.grad[:, it] -= np.broadcast_to(w.sum(1), batch)
    cols = [*range(layout.mu.start, layout.mu.stop)] + ([at_d] if at_d is not None else [])
    hess[:, it, cols] -= g[:, cols]
    hess[:, cols, it] -= g[:, cols]
    hess[:, it, it] += (g_s * s).sum(1)
    if at_d is not None:
        hess[:, at_d, at_d] -= (g_s * second / t).sum(1)
    total.hess += hess


# ---- weak priors
# ------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Priors:
    """Normal priors (mean, sd) as a penalty on the log-likelihood; None leaves a term out.

    shape: log beta. power: log of -b1, which forces its sign. others: one (mean, sd) per further column of b.
    use: further uses against the first. rate: log miles per day, mean over uses; rate_between: uses about
    that mean. spread: log tau. decline, level, slope, share: see `Layout` (share on the logit scale).
    """

    shape: tuple[float, float] | None = (float(np.log(2.0)), 0.5)
    power: tuple[float, float] | None = (float(np.log(5.0)), 0.6)
    others: tuple[tuple[float, float] | None, ...] = ()
    rate: tuple[float, float] | None = (float(np.log(30.0)), 1.0)
    rate_between: float | None = 0.5
    spread: tuple[float, float] | None = (float(np.log(0.6)), 0.5)
    decline: tuple[float, float] | None = (float(np.log(0.8)), 0.4)
    level: tuple[float, float] | None = (0.0, 3.0)
    slope: tuple[float, float] | None = (0.0, 1.0)
    share: tuple[float, float] | None = (float(np.log(0.8 / 0.2)), 0.6)


NO_PRIORS = Priors(*([None, None, ()] + [None] * 7))


def penalty(
    theta: np.ndarray, layout: Layout, priors: Priors, constrained: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log prior (B,), gradient (B, p), Hessian (B, p, p); up to a constant. The power is the first covariate."""
    theta = np.atleast_2d(theta)
    batch, size = theta.shape
    value, grad, hess = np.zeros(batch), np.zeros((batch, size)), np.zeros((batch, size, size))

    def normal(at: int, prior) -> None:
        mean, sd = prior
        r = (theta[:, at] - mean) / sd
        value[:] += -0.5 * r * r
        grad[:, at] -= r / sd
        hess[:, at, at] -= 1 / sd**2

    if priors.shape is not None:
        normal(0, priors.shape)
    g0 = layout.gamma.start + (0 if constrained else 1)
    inv = np.exp(-theta[:, 0])
    if priors.power is not None and layout.gamma.stop > g0:
        mean, sd = priors.power
        g = theta[:, g0]
        r = (np.log(np.maximum(-g, TINY)) - theta[:, 0] - mean) / sd**2
        value += np.where(g < 0, -0.5 * r * r * sd**2, -np.inf)
        grad[:, g0] -= r / g
        grad[:, 0] += r
        hess[:, g0, g0] += -1 / (sd * g) ** 2 + r / g**2
        hess[:, 0, 0] -= 1 / sd**2
        hess[:, g0, 0] += 1 / (g * sd**2)
        hess[:, 0, g0] += 1 / (g * sd**2)
    for j, prior in enumerate(priors.others):
        if prior is None:
            continue
        at = g0 + 1 + j
        mean, sd = prior
        b = theta[:, at] * inv
        r = (b - mean) / sd**2
        value -= 0.5 * r * (b - mean)
        grad[:, at] -= r * inv
        grad[:, 0] += r * b
        hess[:, at, at] -= inv**2 / sd**2
        cross = b * inv / sd**2 + r * inv
        hess[:, at, 0] += cross
        hess[:, 0, at] += cross
        hess[:, 0, 0] -= b * b / sd**2 + r * b
    if layout.uses:
        mu = theta[:, layout.mu]
        k = layout.uses
        if priors.rate is not None:
            mean, sd = priors.rate
            r = (mu.mean(1) - mean) / sd**2
            value -= 0.5 * r * (mu.mean(1) - mean)
            grad[:, layout.mu] -= (r / k)[:, None]
            hess[:, layout.mu, layout.mu] -= 1 / (k * sd) ** 2
        if priors.rate_between is not None and k > 1:
            dev = mu - mu.mean(1, keepdims=True)
            prec = 1 / priors.rate_between**2
            value -= 0.5 * prec * (dev**2).sum(1)
            grad[:, layout.mu] -= prec * dev
            hess[:, layout.mu, layout.mu] -= prec * (np.eye(k) - 1 / k)
        if priors.spread is not None:
            normal(layout.tau, priors.spread)
    for name in ("decline", "level", "slope", "share"):
        at, prior = layout.place(name), getattr(priors, name)
        if at is not None and prior is not None:
            normal(at, prior)
    return value, grad, hess


# ---- damped Newton over replicates
# ------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Optimum:
    """theta (B, p); value (B,); grad, hess; decrement g'(-H)^-1 g (B,); converged (B,); iterations."""

    theta: np.ndarray
    value: np.ndarray
    grad: np.ndarray
    hess: np.ndarray
    decrement: np.ndarray
    converged: np.ndarray
    iterations: int


def maximise(
    function: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]],
    start: np.ndarray,
    negative: int | None = None,
    limits: np.ndarray | None = None,
    tolerance: float = 1e-8,
    rounds: int = 60,
) -> Optimum:
    """Maximise B functions at once: Newton steps, eigenvalues bent to be negative, halved until each rises.

    function(theta, which) gives value, gradient, Hessian for the replicates ``which``. ``negative``: index of
    a parameter kept below 0 (a step goes at most 0.8 of the way). ``limits`` (p,): longest step per
    parameter.
    """
    theta = np.array(np.atleast_2d(start), dtype=float)
    batch = len(theta)
    every = np.arange(batch)
    value, grad, hess = (np.array(x) for x in function(theta, every))
    decrement = np.full(batch, np.inf)
    done = np.zeros(batch, bool)
    stuck = np.zeros(batch, bool)
    used = 0
    for _ in range(rounds):
        used += 1
        live = every[~done & ~stuck]
        if not len(live):
            break
        curve, vectors = np.linalg.eigh(-hess[live])
        floor = 1e-9 * np.abs(curve).max(1, keepdims=True) + 1e-12
        convex = curve[:, 0] > 0
        bent = np.maximum(np.abs(curve), floor)
        turned = np.matmul(np.swapaxes(vectors, 1, 2), grad[live][..., None])[..., 0]
        step = np.matmul(vectors, (turned / bent)[..., None])[..., 0]
        decrement[live] = (turned**2 / bent).sum(1)
        finished = convex & (decrement[live] < tolerance)
        done[live[finished]] = True
        live, step = live[~finished], step[~finished]
        if not len(live):
            break
        if limits is not None:
            step = step * np.minimum(1, (limits / np.maximum(np.abs(step), 1e-300)).min(1))[:, None]
        if negative is not None:
            here, move = theta[live, negative], step[:, negative]
            room = np.where(move > 0, -0.8 * here / np.maximum(move, 1e-300), 1.0)
            step = step * np.minimum(1, room)[:, None]
        pending, scale = np.arange(len(live)), np.ones(len(live))
        for _ in range(25):
            rows = live[pending]
            trial = theta[rows] + scale[pending, None] * step[pending]
            tv, tg, th = function(trial, rows)
            # near the top, rounding of the value must not stop a good step
            slack = 1e-11 * (1 + np.abs(value[rows]))
            good = np.isfinite(tv) & np.isfinite(tg).all(1) & np.isfinite(th).all((1, 2)) & (tv >= value[rows] - slack)
            ok = rows[good]
            theta[ok], value[ok], grad[ok], hess[ok] = trial[good], tv[good], tg[good], th[good]
            pending = pending[~good]
            if not len(pending):
                break
            scale[pending] *= 0.35
        stuck[live[pending]] = True
    return Optimum(theta, value, grad, hess, decrement, done, used)


# ---- a fit on plain arrays
# ----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class LifeFit:
    """A fitted life regression: log T = intercept + columns b + sigma e.

    coef: (1 + q,) intercept first; sigma = 1/beta; covariance: (q + 2, q + 2) of (coef, log sigma); loglik
    uses the density of T and drops no constant (and leaves the priors out). ``reason``: why it did not
    converge, else None.
    """

    law: str
    names: tuple[str, ...]
    coef: np.ndarray
    sigma: float
    covariance: np.ndarray
    loglik: float
    failures: float
    rows: int
    converged: bool
    iterations: int
    reason: Reason | None

    def __repr__(self) -> str:
        terms = ", ".join(f"{n} {b:.4g}" for n, b in zip(self.names, self.coef, strict=True))
        state = "" if self.converged else ", NOT CONVERGED"
        return f"LifeFit({self.law}: {terms}, sigma {self.sigma:.4g}, loglik {self.loglik:.4f}{state})"

    def z_at(self, time: float, x: np.ndarray) -> tuple[float, float]:
        """z = (log time - mu)/sigma at covariates x (q,), and its standard error."""
        x = np.concatenate([[1.0], np.atleast_1d(np.asarray(x, float))])
        z = (np.log(time) - x @ self.coef) / self.sigma
        g = np.concatenate([-x / self.sigma, [-z]])
        return float(z), float(np.sqrt(g @ self.covariance @ g))

    def reliability(self, time: float, x: np.ndarray, level: float = 0.95) -> tuple[float, float, float]:
        """Survival at ``time``: estimate and two-sided Wald limits taken on z."""
        z, se = self.z_at(time, x)
        k = ndtri(0.5 + level / 2)
        return tuple(float(survival_of(np.array(q), self.law)) for q in (z, z + k * se, z - k * se))

    def quantile(self, fraction: float, x: np.ndarray, level: float = 0.95) -> tuple[float, float, float]:
        """Life by which ``fraction`` has failed: estimate and Wald limits taken on the log."""
        x = np.concatenate([[1.0], np.atleast_1d(np.asarray(x, float))])
        q = standard_quantile(1 - fraction, self.law)
        log_t = x @ self.coef + self.sigma * q
        g = np.concatenate([x, [self.sigma * q]])
        half = ndtri(0.5 + level / 2) * np.sqrt(g @ self.covariance @ g)
        return float(np.exp(log_t)), float(np.exp(log_t - half)), float(np.exp(log_t + half))


def known_rows(lower, upper, columns, entry=None, weights=None, scale: float = 1.0) -> Rows:
    """Rows from known lives: lower == upper failed then; upper inf running; otherwise failed between (lower 0: before)."""
    lower, upper = np.asarray(lower, float), np.asarray(upper, float)
    n = len(lower)
    x = np.asarray(columns, float).reshape(n, -1)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    entry = np.zeros(n) if entry is None else np.asarray(entry, float)
    bad = np.flatnonzero(
        ~(lower >= 0) | ~(upper >= lower) | ~(upper > 0) | ~(entry >= 0) | ~(entry <= lower) | ~(w >= 0)
    )
    if len(bad):
        i = bad[0]
        raise AnalyticsError(
            f"row {i}: entry {entry[i]:g}, lower {lower[i]:g}, upper {upper[i]:g}, weight {w[i]:g} is not a life; "
            "need 0 <= entry <= lower <= upper, upper above 0, weight not negative"
        )
    blocks = []
    exact, right = lower == upper, np.isinf(upper)

    def take(mask, kind, first, second=None):
        if mask.any():
            at = Points(np.log(first[mask] / scale)[None]) if first is not None else None
            other = Points(np.log(second[mask] / scale)[None]) if second is not None else None
            blocks.append(Block(kind, x[mask][None], w[mask][None], at, other))

    take(exact, "exact", lower)
    take(right & (lower > 0), "running", lower)
    between = ~exact & ~right
    take(between & (lower > 0), "interval", lower, upper)
    take(between & (lower <= 0), "left", None, upper)
    take(entry > 0, "entry", entry)
    constant = -(w[exact] * np.log(lower[exact])).sum()
    return Rows(tuple(blocks), None, x.shape[1], 0, np.array([w[~right].sum()]), np.array([constant]))


def objective(rows: Rows, layout: Layout, law: str, priors: Priors, nodes, constraint: Constraint | None = None):
    """The penalised log-likelihood as a function for `maximise`; data with D > 1 are taken replicate by replicate."""
    shared = rows.constant.shape[0] == 1

    def function(theta, which):
        data = rows if shared or len(which) == rows.constant.shape[0] else _pick(rows, which)
        f, g, h = log_likelihood(theta, data, layout, law, nodes, 2, constraint)
        p, pg, ph = penalty(theta, layout, priors, constraint is not None)
        return f + p, g + pg, h + ph

    return function


def _pick(rows: Rows, which: np.ndarray) -> Rows:
    def cut(a):
        return a if a.shape[0] == 1 else a[which]

    def points(p):
        if p is None:
            return None
        pair = [None if q is None else (cut(q[0]), cut(q[1])) for q in (p.num, p.den)]
        return Points(cut(p.y), None if p.use is None else cut(p.use), *pair)

    blocks = tuple(Block(b.kind, cut(b.x), cut(b.w), points(b.at), points(b.other)) for b in rows.blocks)
    r = rows.rates
    if r is not None:
        r = Rates(cut(r.log_miles), (cut(r.age[0]), cut(r.age[1])), cut(r.use), cut(r.w), cut(r.read), cut(r.fell))
    return replace(rows, blocks=blocks, rates=r, reported=cut(rows.reported), constant=cut(rows.constant))


def fit_life(
    lower: np.ndarray,
    upper: np.ndarray,
    covariates: np.ndarray | None = None,
    names: tuple[str, ...] = (),
    law: str = "weibull",
    entry: np.ndarray | None = None,
    weights: np.ndarray | None = None,
) -> LifeFit:
    """Maximum likelihood on known lives, no priors. covariates: (n, q) or None. Raises AnalyticsError on
    fewer than
    two failures, on columns that cannot be told apart, and on rows that are no lives."""
    lower, upper = np.asarray(lower, float), np.asarray(upper, float)
    n = len(lower)
    if law not in LAWS:
        raise AnalyticsError(f"life law {law!r} is not known; use one of {', '.join(LAWS)}")
    cov = np.zeros((n, 0)) if covariates is None else np.asarray(covariates, float).reshape(n, -1)
    q = cov.shape[1]
    names = names or tuple(f"column {j + 1}" for j in range(q))
    failed = np.isfinite(upper)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    if w[failed].sum() < 2 or (failed & (w > 0)).sum() < 1:
        raise AnalyticsError(f"{w[failed].sum():g} failures in {n} rows: a life law needs at least 2")
    centre = cov[failed].mean(0) if q else np.zeros(0)
    spread = cov.std(0) if q else np.zeros(0)
    for j in np.flatnonzero(spread <= 1e-12 * np.maximum(np.abs(centre), 1)):
        raise AnalyticsError(f"{names[j]} is the same in all {n} rows: leave it out")
    x = np.column_stack([np.ones(n), (cov - centre) / spread]) if q else np.ones((n, 1))
    if np.linalg.matrix_rank(x) < q + 1:
        raise AnalyticsError(f"the columns {', '.join(names)} cannot be told apart: leave one out")
    mid = np.where(
        np.isfinite(upper), np.where(lower > 0, np.sqrt(np.maximum(lower, 1e-300) * upper), upper / 2), np.nan
    )
    scale = float(np.exp(np.average(np.log(mid[failed]), weights=w[failed])))
    rows = known_rows(lower, upper, x, entry, weights, scale)
    layout = Layout(q + 1)
    # start from one shape at which expected failures equal those seen
    z = np.log(np.where(failed, np.nan_to_num(mid, nan=1.0), np.maximum(lower, 1e-300)) / scale)
    start = np.zeros(q + 2)
    start[1] = np.log((w * np.exp(z)).sum() / w[failed].sum()) if law == "weibull" else 0.0
    fun = objective(rows, layout, law, NO_PRIORS, rate_nodes(1.0))
    limits = np.full(q + 2, 8.0)
    limits[0] = 1.0
    top = maximise(fun, start, limits=limits, tolerance=1e-16, rounds=100)
    theta, value = top.theta[0], float(top.value[0])
    decrement = float(top.decrement[0])
    # where the likelihood rises for ever, steps shrink too: its curvature there has all but vanished
    converged = bool(decrement < 1e-8 and np.linalg.eigvalsh(-top.hess[0])[0] > 1e-5 * w[failed].sum())
    _v, beta = theta[0], np.exp(theta[0])
    # from (v, gamma scaled and centred) to (intercept, b raw, log sigma)
    b = theta[1:] / beta
    raw = b.copy()
    raw[1:] = b[1:] / spread
    raw[0] = np.log(scale) + b[0] - raw[1:] @ centre
    jac = np.zeros((q + 2, q + 2))
    jac[:-1, 1:] = np.eye(q + 1) / beta
    jac[:-1, 0] = -b
    shape = np.eye(q + 2)
    for j in range(q):
        shape[1 + j, 1 + j] = 1 / spread[j]
        shape[0, 1 + j] = -centre[j] / spread[j]
    jac[-1, 0] = -1
    covariance = np.full((q + 2, q + 2), np.nan)
    if converged:
        m = shape @ jac
        covariance = m @ np.linalg.inv(-top.hess[0]) @ m.T
    why = None if converged else reason(Fit.NO_MAXIMUM, decrement=decrement, rounds=top.iterations)
    return LifeFit(
        law,
        ("intercept", *names),
        raw,
        float(1 / beta),
        covariance,
        value,
        float(w[failed].sum()),
        n,
        converged,
        top.iterations,
        why,
    )
