"""Regression of known lives on covariates by maximum likelihood, and the penalised objective that the ratings climb."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analytics.models.likelihood import Block, Constraint, Layout, Points, Rates, Rows, log_likelihood
from analytics.models.priors import Priors, penalty


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
