"""Several parts broken and nobody knows which went first: shares among the candidates, no broken part counted twice.

Source: Usher and Hodgson, IEEE Trans. Reliability 37 (1988) 550-555 (from memory): each candidate set adds the sum of its
hazards to the likelihood. With all positions watched alike, that is the product of the sets' summed shares.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analytics.errors import AnalyticsError


def first_shares(sure: Mapping[str, int], sets: Mapping[frozenset[str], int]) -> dict[str, float]:
    """Expected number of times each was first: the sure ones, and its part of every candidate set.

    sure: times each was first beyond doubt. sets: how often each set of candidates was found. Maximum likelihood by
    expectation and maximisation; a set of which no member was ever surely first is shared out equally. Assumes that which
    of a set was first does not decide whether it can be told.
    """
    names = sorted({*sure, *(n for s in sets for n in s)})
    if any(len(s) < 2 for s in sets):
        raise AnalyticsError("a candidate set needs two members: one alone was first.")
    place = {n: i for i, n in enumerate(names)}
    own = np.array([float(sure.get(n, 0)) for n in names])
    groups = [
        (np.array([place[n] for n in sorted(s)]), float(k)) for s, k in sorted(sets.items(), key=lambda g: sorted(g[0]))
    ]
    found = own + sum(
        (np.bincount(i, np.full(len(i), k / len(i)), len(names)) for i, k in groups), np.zeros(len(names))
    )
    for _ in range(10_000):
        new = own.copy()
        for i, k in groups:
            new[i] += k * found[i] / found[i].sum()
        if np.abs(new - found).max() < 1e-10:
            break
        found = new
    return dict(zip(names, found.tolist(), strict=True))
