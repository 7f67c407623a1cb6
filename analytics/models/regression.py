"""Regression of known lives on covariates by maximum likelihood, and the penalised objective that the ratings climb."""

from __future__ import annotations

import numpy as np

from analytics.models.likelihood import Constraint, Layout, log_likelihood
from analytics.models.priors import Priors, penalty
from analytics.models.rows import Rows, Stacked, stack


def objective(
    rows: Rows | Stacked,
    layout: Layout,
    distribution: str,
    priors: Priors,
    nodes: tuple[np.ndarray, np.ndarray],
    constraint: Constraint | None = None,
):
    """The penalised log-likelihood as a function for `maximise`; rows with D > 1 are taken replicate by replicate.
    layout, distribution, nodes, constraint: as for `log_likelihood`; priors: as for `penalty`."""
    data = stack(rows, layout.uses) if isinstance(rows, Rows) else rows
    replicates = data.constant.shape[0]

    def function(theta, which):
        own = data if replicates == 1 or len(which) == replicates else data.pick(which)
        f, g, h = log_likelihood(theta, own, layout, distribution, nodes, 2, constraint)
        p, pg, ph = penalty(theta, layout, priors, constraint is not None)
        return f + p, g + pg, h + ph

    return function
