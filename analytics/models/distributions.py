"""The two life distributions, as functions of z: Weibull S = exp(-e^z), log-normal S = Phi(-z)."""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

LAWS = ("weibull", "lognormal")
LOG_2PI = float(np.log(2 * np.pi))


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


def survival_jet(z: np.ndarray, law: str, order: int) -> list[np.ndarray]:
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
