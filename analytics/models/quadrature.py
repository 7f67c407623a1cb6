"""Nodes for averaging over unknown miles per day.

The integrand is a life distribution in log miles averaged over a normal log rate. The trapezoid rule
converges geometrically for such smooth, rapidly falling integrands (Trefethen and Weideman, SIAM Review
56 (2014) 385-458), far faster than Gauss-Hermite here, whose weight does not suit exp(-exp(z)).
"""

from __future__ import annotations

import math

import numpy as np


def rate_nodes(steepness: float, reach: float = 6.0, fine: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """Standard normal nodes and weights (each of shape (J,)) for averaging g(steepness * s) over s ~ N(0, 1), from
    -``reach`` to it.

    ``steepness`` is shape x standard deviation of the log rate: the steeper, the more nodes. Weights sum to 1.
    ``fine=False`` gives the coarser rule of the simulated fleets, over 0.8 of the reach, where an error of 1e-4 does no
    harm.
    """
    count = math.ceil(10 + 17 * steepness) if fine else math.ceil(7 + 9 * steepness)
    count = int(np.clip(count, 24 if fine else 13, 96 if fine else 48))
    nodes = np.linspace(-reach, reach, count) if fine else np.linspace(-0.8 * reach, 0.8 * reach, count)
    weights = np.exp(-0.5 * nodes**2)
    return nodes, weights / weights.sum()
