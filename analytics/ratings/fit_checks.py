"""What in the data or the fit weakens a rating."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.stats import norm

from analytics.models.joint import JointModel, fit_joint
from analytics.models.lifedata import LifeData
from analytics.models.newton import Optimum
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import FAR_BEHIND, FitRating
from analytics.reasons import Checked, Reason, reason, reason_if
from analytics.records.cover import class_of

NAN = float("nan")
#: standard errors from 0 at which a lean of the driving is told
_LEANS = 1.64


def check_fit(data: LifeData, model: JointModel, top: Optimum, settings: RatingSettings) -> list[Reason]:
    """Checks of the lives rated (``data``) and of their first fit, ``model`` and ``top``, under the ``settings``,
    whatever the weight."""
    found = _slope_in_power(data, model, top)
    found += reason_if(Checked.ODOMETERS_ALIKE, data.rates_alike)
    return found + _own_columns(data, model, top) + _collinear(data, model)


def check_laws_apart(fits: list[tuple[JointModel, Optimum]]) -> list[Reason]:
    """Which distribution fits better, and how the trucks are driven; fits: one per distribution, Weibull first."""
    found = []
    if len(fits) == 2:
        ahead = float(fits[1][1].value[0] - fits[0][1].value[0])
        found += reason_if(
            Checked.FITS_BETTER, abs(ahead) > 2, distribution="lognormal" if ahead > 0 else "weibull", ahead=abs(ahead)
        )
    return found + _driving(*fits[0])


def _left_out(r: FitRating, behind: float, not_tried: bool) -> list[Reason]:
    """Why fleets of a distribution, so far behind the best, are missing from the calibration."""
    if r.fleets < 0.9 * r.tried:
        missed = r.tried - r.fleets
        return [reason(Checked.FLEETS_NOT_FITTED, missed=missed, fleets=r.tried, distribution=r.distribution)]
    if not_tried and behind >= FAR_BEHIND:
        return [reason(Checked.DISTRIBUTION_FAR_BEHIND, distribution=r.distribution, behind=behind)]
    return reason_if(Checked.DISTRIBUTION_RULES_NOTHING_OUT, not_tried, distribution=r.distribution)


def check_ratings(each: list[FitRating], bound: float, opinion: float, settings: RatingSettings) -> list[Reason]:
    """How the calibration and the posterior draws of ``each`` distribution's rating went under the ``settings``. bound, opinion: log
    powers."""
    found, best = [], max(r.loglik for r in each)
    for r in each:
        found += _left_out(r, best - r.loglik, settings.replicates >= 20 and not r.tried)
        found += reason_if(
            Checked.FEW_DRAWS,
            np.isfinite(r.effective_draws) and r.effective_draws < 50,
            draws=r.effective_draws,
            distribution=r.distribution,
        )
    found += reason_if(
        Checked.POSTERIOR_FAR_OFF,
        np.isfinite(opinion) and np.isfinite(bound) and abs(opinion - bound) > 0.1,
        posterior_hp=np.exp(opinion),
        bound_hp=np.exp(bound),
    )
    return found


def _slope_in_power(data: LifeData, model: JointModel, top: Optimum) -> list[Reason]:
    """Do the records show by themselves that more power means less life?"""
    if np.ptp(data.log_power) < 1e-6:
        return [reason(Checked.ONE_POWER)]
    _, open_top = fit_joint(replace(model, priors=replace(model.priors, power=None)), top.theta[0])
    if not open_top.converged[0]:
        return [reason(Checked.SLOPE_UNSETTLED)]
    theta = open_top.theta[0]
    var = np.linalg.pinv(-open_top.hess[0])[2, 2]
    p = float(norm.cdf(theta[2] / np.sqrt(var))) if var > 0 else NAN
    return [] if p < 0.1 else [reason(Checked.SLOPE_NOT_SHOWN, exponent=theta[2] / np.exp(theta[0]), p_value=p)]


def _own_columns(data: LifeData, model: JointModel, top: Optimum) -> list[Reason]:
    """What the owner's own columns do to life, one standard deviation more of each."""
    gamma = model.layout.gamma
    se = np.sqrt(np.maximum(np.diag(np.linalg.pinv(-top.hess[0])), 0))[gamma]
    found = []
    for name in (n for n in model.columns if n in data.extra_names):
        at = model.columns.index(name)
        g = top.theta[0][gamma][at]
        times = np.exp(g / np.exp(top.theta[0][0]))
        p = float(2 * norm.sf(abs(g) / max(se[at], 1e-12)))
        found.append(reason(Checked.OWN_COLUMN, column=name, times=times, p_value=p))
    return found


def _collinear(data: LifeData, model: JointModel) -> list[Reason]:
    """Does power move together with the other columns? By its variance inflation."""
    columns = model.x[:, 1:]
    if columns.shape[1] < 2:
        return []
    others = np.column_stack([np.ones(len(columns)), columns[:, 1:]])
    w = np.sqrt(data.weight)
    fit = np.linalg.lstsq(others * w[:, None], columns[:, 0] * w, rcond=None)[0]
    left = (data.weight * (columns[:, 0] - others @ fit) ** 2).sum()
    mean = np.average(columns[:, 0], weights=data.weight)
    inflation = (data.weight * (columns[:, 0] - mean) ** 2).sum() / max(left, 1e-300)
    return [reason(Checked.COLLINEAR, inflation=inflation)] if inflation > 5 else []


def check_class(data: LifeData, weight_lb: float, settings: RatingSettings) -> list[Reason]:
    """Have all failures in ``data`` happened in one weight class of the ``settings``, and not in that of ``weight_lb``?"""
    classes = class_of(np.exp(data.log_weight), settings.weight_edges)
    hit, here = np.unique(classes[data.failed]), int(class_of(weight_lb, settings.weight_edges))
    one = len(hit) == 1 and len(np.unique(classes)) > 1 and here != hit[0]
    return [reason(Checked.OTHER_CLASS_FAILED)] if one else []


def _driving(model: JointModel, top: Optimum) -> list[Reason]:
    """Who is read, and do trucks drive less with age?"""
    lay, theta = model.layout, top.theta[0]
    cov = np.linalg.pinv(-top.hess[0])
    found = []
    for name, code in (("slope", Checked.WHO_IS_READ), ("decline", Checked.DRIVING_CHANGES)):
        at = lay.place(name)
        if at is not None and abs(theta[at]) > _LEANS * np.sqrt(max(cov[at, at], 1e-12)):
            found.append(reason(code, value=theta[at]))
    return found
