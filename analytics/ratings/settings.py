"""How a rating is made."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analytics.errors import AnalyticsError
from analytics.models.distributions import DISTRIBUTIONS
from analytics.models.joint import JointModel, Terms, joint_model
from analytics.models.lifedata import LifeData
from analytics.models.mileage import DrivingFit, fit_driving
from analytics.models.priors import Priors

#: age in days past which trucks may drive less
CHANGE_DAYS = 1096.0


@dataclass(frozen=True, slots=True)
class EarlyTest:
    """Failures under ``miles`` count as early where so many more than wear explains have a chance below ``level``; the share of units
    that fail so is then its upper limit at ``confidence``."""

    miles: float = 2000.0
    level: float = 0.002
    confidence: float = 0.7


@dataclass(frozen=True, slots=True)
class Cap:
    """No rating above the ``rank``-th highest power among units at ``weight`` x the weight or more, nor under ``below`` x the lowest power."""

    rank: int = 5
    weight: float = 0.86
    below: float = 0.8


@dataclass(frozen=True, slots=True)
class RatingSettings:
    """How a rating is made. Each default can be switched off; the result says what each one changed.

    both_laws: Weibull and log-normal life both count, as far as the records leave both open. selection: readings may
    come mainly from those who drive more (or less). decline: miles per day may change past CHANGE_DAYS. lately: parts fitted lately may fail
    sooner than those before, as the records lean (`PartFits`). share:
    reporting share, None for one with a prior, 1 for "every failure was reported". early: the early-failure test, under
    ``early_test``. use_terms: a rating per recorded use; one
    with fewer than use_failures is left out of the harshest. replicates: simulated fleets of the calibration; below 20 the
    first-order bound is published. draws: of the second opinion; 0: none, and damage that only a teardown shows is weighed by fewer. explain: work out what each default costs (about as
    long again).
    """

    both_laws: bool = True
    selection: bool = True
    decline: bool = True
    lately: bool = True
    share: float | None = None
    early: bool = True
    early_test: EarlyTest = EarlyTest()
    use_terms: bool = True
    use_failures: int = 3
    replicates: int = 100
    draws: int = 512
    cap: Cap = Cap()
    weight_edges: tuple[float, ...] = (7500.0, 9000.0)
    priors: Priors = field(default_factory=Priors)
    explain: bool = True

    def __post_init__(self) -> None:
        if self.share is not None and not 0 < self.share <= 1:
            raise AnalyticsError(
                f"reporting share {self.share}: give a number above 0 and at most 1, or none for a prior"
            )

    def of(self, component: str, part: str = "") -> RatingSettings:
        """The settings for one component: with its own priors, where the owner stated any; and for one ``part`` of it, where others
        lent to it."""
        own = next((p for p in self.priors.own if (p.component, p.part) == (component, part)), None)
        if own is None and part:
            return self.of(component)
        if own is None:
            return self
        pooled = self.priors.pooled and not part
        priors = replace(self.priors, shape=own.shape, power=own.power, weight=own.weight, pooled=pooled, own=())
        priors = replace(priors, lenders=own.lenders, driving=own.driving)
        if own.driving is not None:
            priors = replace(priors, share=own.driving.of_one("share") or priors.share)
        return replace(self, priors=priors)

    @property
    def distributions(self) -> tuple[str, ...]:
        """Life distributions that are tried."""
        return DISTRIBUTIONS if self.both_laws else DISTRIBUTIONS[:1]

    @property
    def usual_share(self) -> float:
        """The reporting share where one figure is needed: as stated, or the middle of its prior."""
        if self.share is not None:
            return self.share
        return 1.0 if self.priors.share is None else float(1 / (1 + np.exp(-self.priors.share[0])))

    @property
    def terms(self) -> Terms:
        """What the joint model holds under these settings."""
        return Terms(self.decline, CHANGE_DAYS, self.selection, self.share, self.use_terms)

    def driving(self, data: LifeData) -> DrivingFit:
        """The driving of the units under these settings, without regard to lives."""
        return fit_driving(data, self.priors, self.decline, CHANGE_DAYS)

    def model(self, data: LifeData, life_miles: float, distribution: str) -> JointModel:
        """The joint model of life and driving under these settings."""
        return joint_model(data, life_miles, distribution, self.priors, self.terms)


PLAIN = RatingSettings(both_laws=False, selection=False, decline=False, share=1.0, early=False, lately=False)
