"""The two life distributions (DISTRIBUTIONS), as functions of z: Weibull S = exp(-e^z), log-normal S = Phi(-z)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

DISTRIBUTIONS = ("weibull", "lognormal")
LOG_2PI = float(np.log(2 * np.pi))


def standard_quantile(reliability: float, distribution: str) -> float:
    """The z at which survival under a ``distribution`` equals ``reliability``."""
    return float(np.log(-np.log(reliability))) if distribution == "weibull" else float(ndtri(1 - reliability))


def survival_of(z: np.ndarray, distribution: str) -> np.ndarray:
    """S(z) of a ``distribution``, any shape."""
    return np.exp(-np.exp(np.minimum(z, 700))) if distribution == "weibull" else ndtr(-z)


def log_survival(z: np.ndarray, distribution: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """log S(z) of a ``distribution`` and its first two derivatives, in the shape of z."""
    if distribution == "weibull":
        h = np.exp(np.minimum(z, 600))
        return -h, -h, -h
    value = log_ndtr(-z)
    mills = np.exp(-0.5 * z * z - 0.5 * LOG_2PI - value)
    return value, -mills, -mills * (mills - z)


def log_density(z: np.ndarray, distribution: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """log of the density of a ``distribution`` in z, and its first two derivatives, in the shape of z."""
    if distribution == "weibull":
        h = np.exp(np.minimum(z, 600))
        return z - h, 1 - h, -h
    return -0.5 * z * z - 0.5 * LOG_2PI, -z, -np.ones_like(z)


#: the derivatives of S in z, by order, as terms (p, q, c): with z = u + r, c times e^(pu) e^(qr) S for the Weibull, c times u^p r^q phi
#: for the log-normal, whose S itself stands first
_TERMS = {
    "weibull": (((0, 0, 1),), ((1, 1, -1),), ((1, 1, -1), (2, 2, 1)), ((1, 1, -1), (2, 2, 3), (3, 3, -1))),
    "lognormal": (((0, 0, 1),), ((0, 0, -1),), ((1, 0, 1), (0, 1, 1)), ((0, 0, 1), (2, 0, -1), (1, 1, -2), (0, 2, -1))),
}
#: the highest e^z is e to this: its cube is still a number, and S is 0 long before
_HIGHEST = 230.0
#: cells of a slab that fits the cache
_SLAB = 60_000


def averaged(
    u: np.ndarray, spread: np.ndarray, nodes: np.ndarray, weights: list[np.ndarray], distribution: str
) -> list[np.ndarray]:
    """sum_j weights[k]_j S^(k)(u + spread nodes_j), (B, m_k, n), for each derivative k of S that has weights.

    S: of the ``distribution``. u: (B, n). spread: (B,). nodes: (J,). weights: (B or 1, m_k, J), of S and up to three
    derivatives.

    Each derivative is S or phi times a polynomial whose terms part into a factor of the row and one of the node
    (_TERMS). So S is reckoned once, and what differs between derivatives lies in the weights of one product of
    matrices.
    """
    terms, r = _TERMS[distribution][: len(weights)], spread[:, None] * nodes
    if distribution == "weibull":
        u, r = np.exp(np.minimum(u, _HIGHEST)), np.exp(np.minimum(r, _HIGHEST))
    of_node, of_row = _powers(r[:, None, :]), _powers(u[:, None, :])
    rows = {(k, q): weights[k] * of_node[q] for k, own in enumerate(terms) for q in sorted({q for _, q, _ in own})}
    if distribution == "weibull":
        made = _products(rows, len(nodes), u.shape, lambda i: np.exp(c := -r[i, :, None] * u[i, None, :], out=c))
    else:
        survival = {(0, 0): rows.pop((0, 0))}
        made = _products(survival, len(nodes), u.shape, lambda i: ndtr(-(r[i, :, None] + u[i, None, :])))
        made |= _products(rows, len(nodes), u.shape, lambda i: _phi(r[i, :, None] + u[i, None, :]))
    out = []
    for k, own in enumerate(terms):
        whole, *more = (c * of_row[p] * made[k, q] if p else c * made[k, q] for p, q, c in own)
        for part in more:
            whole += part
        out.append(whole)
    return out


def _powers(x: np.ndarray) -> tuple[np.ndarray | float, ...]:
    """1, x, x^2, x^3."""
    square = x * x
    return 1.0, x, square, square * x


def _phi(z: np.ndarray) -> np.ndarray:
    z *= z
    z += LOG_2PI
    z *= -0.5
    return np.exp(z, out=z)


def _products(
    rows: dict[tuple[int, int], np.ndarray], nodes: int, shape: tuple[int, int], cells: Callable[[slice], np.ndarray]
) -> dict[tuple[int, int], np.ndarray]:
    """Each of the rows (B, m, J) times the cells (B, J, n), which are made slab by slab."""
    if not rows:
        return {}
    wide = [w if len(w) == shape[0] else np.broadcast_to(w, (shape[0], *w.shape[1:])) for w in rows.values()]
    whole = np.concatenate(wide, axis=1)
    out = np.empty((shape[0], whole.shape[1], shape[1]))
    step = max(1, _SLAB // max(1, nodes * shape[1]))
    for start in range(0, shape[0], step):
        at = slice(start, start + step)
        np.matmul(whole[at], cells(at), out=out[at])
    ends = np.cumsum([w.shape[1] for w in rows.values()])
    return dict(zip(rows, np.split(out, ends[:-1], axis=1), strict=True))
