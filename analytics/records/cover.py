"""How a weight and a use are covered: the one rule of weight classes, power bands, limits, the ledger and the call lists.

- A class, or a limit "up to" an edge, holds the edge itself, and what lies above it by no more than EDGE_LB: 7,500 lb written in whole
  kilograms is 3,402 kg, a little more. A band of power begins at its edge, less EDGE_HP likewise.
- The open top class, or a limit "over" an edge, holds every weight beyond that. A class is rated at its upper edge, the open one at a
  weight of its own above the last edge: that weight stands for every weight above the edge.
- A limit without a weight holds for any, one without a use for every use. A truck of unknown weight is covered by those without a weight alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import constants

#: half a kilogram and half a kilowatt, in lb and hp: as far off as an edge can be that was rounded to whole ones
EDGE_LB = 0.5 / constants.lb
EDGE_HP = 500 / constants.hp
_HAIR = 1e-6  # for what is lost in changing units


def up_to(weight_lb, edge_lb):
    """Whether weights lie at or under an edge; arrays broadcast, an unknown weight (NaN) does not, inf is an edge above all.

    weight_lb, edge_lb: lb, any shape.
    """
    return np.asarray(weight_lb, float) <= np.asarray(edge_lb, float) + EDGE_LB + _HAIR


def over(weight_lb, edge_lb):
    """Whether weights lie above an edge; arrays broadcast, an unknown weight (NaN) does not.

    weight_lb, edge_lb: lb, any shape.
    """
    return np.asarray(weight_lb, float) > np.asarray(edge_lb, float) + EDGE_LB + _HAIR


def same_edge(a_lb, b_lb):
    """Whether two edges are one; any weight (inf) is only itself. a_lb, b_lb: lb."""
    a, b = np.asarray(a_lb, float), np.asarray(b_lb, float)
    with np.errstate(invalid="ignore"):
        return (a == b) | (np.abs(a - b) <= EDGE_LB + _HAIR)


def class_of(weight_lb, edges_lb) -> np.ndarray:
    """Number of the weight class, 0 for the lightest, len(edges) for the open one and for an unknown weight (NaN).

    weight_lb: lb, any shape; edges_lb: in rising order.
    """
    return np.searchsorted(np.asarray(edges_lb, float) + EDGE_LB + _HAIR, np.asarray(weight_lb, float), side="left")


def band_of(power_hp, edges_hp) -> np.ndarray:
    """Number of the power band, 0 for the lowest, len(edges) for the open one and for an unknown power (NaN).

    power_hp: hp, any shape; edges_hp: in rising order.
    """
    return np.searchsorted(np.asarray(edges_hp, float) - EDGE_HP - _HAIR, np.asarray(power_hp, float), side="right")


@dataclass(frozen=True, slots=True)
class Weights:
    """The weights a limit holds for: up to an edge, over one, or any (both NaN), lb."""

    up_to_lb: float = math.nan
    over_lb: float = math.nan


def weights_of(rated_lb: float, edges_lb: tuple[float, ...]) -> Weights:
    """The class that was rated at a weight: above the last edge it is the open one. inf: any weight.

    rated_lb: lb; edges_lb: in rising order.
    """
    if math.isinf(rated_lb):
        return Weights()
    return Weights(over_lb=edges_lb[-1]) if over(rated_lb, edges_lb[-1]) else Weights(up_to_lb=rated_lb)


def edge_groups(limits: pd.DataFrame, column: str) -> pd.Series:
    """A number for each edge in a ``column`` of ``limits`` (component, part), rising with it and the same for edges of a part that
    are one; NaN stays NaN."""
    return limits.groupby(["component", "part"])[column].transform(_numbered)


def _numbered(edges_lb: pd.Series) -> pd.Series:
    known = edges_lb.dropna().sort_values(kind="stable")
    new = known.diff() > EDGE_LB + _HAIR
    return new.cumsum().astype(float).reindex(edges_lb.index)
