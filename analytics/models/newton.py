"""Damped Newton over many replicates at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


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
    """Maximise B functions at once: Newton steps, eigenvalues bent to be negative, cut back until each rises.

    start: (B, p) or (p,). function(theta, which) gives value, gradient, Hessian for the replicates ``which``.
    ``negative``: index of a parameter kept below 0 (a step goes at most 0.8 of the way). ``limits`` (p,): longest step
    per parameter. Converged where the decrement is below ``tolerance`` within so many ``rounds``.
    """
    theta = np.array(np.atleast_2d(start), dtype=float)
    batch = len(theta)
    every = np.arange(batch)
    value, grad, hess = (np.array(x) for x in function(theta, every))
    decrement = np.full(batch, np.inf)
    done = np.zeros(batch, bool)
    stuck = ~_whole(value, grad, hess)  # begun where nothing can be reckoned: it stays there, not converged
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
            good = _whole(tv, tg, th) & (tv >= value[rows] - slack)
            ok = rows[good]
            theta[ok], value[ok], grad[ok], hess[ok] = trial[good], tv[good], tg[good], th[good]
            pending = pending[~good]
            if not len(pending):
                break
            scale[pending] *= 0.35
        stuck[live[pending]] = True
    return Optimum(theta, value, grad, hess, decrement, done, used)


def _whole(value: np.ndarray, grad: np.ndarray, hess: np.ndarray) -> np.ndarray:
    """(B,) bool: all of value (B,), gradient (B, p) and Hessian (B, p, p) are numbers."""
    return np.isfinite(value) & np.isfinite(grad).all(1) & np.isfinite(hess).all((1, 2))
