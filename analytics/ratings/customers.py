"""What customers may be told: no power above what is published, nor above what the records contradict."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pandas as pd

from analytics.ratings.sheet import Ratings
from analytics.records.cover import over, same_edge
from analytics.records.limits import limit_for


@dataclass(frozen=True, slots=True)
class Told:
    """The power that may be told, if any. judged: set by judgement, not supported by the records; supported_hp: what they support beside
    it, where that is lower. up_to_lb: of the open class, how heavy a truck it was rated for."""

    hp: float | None = None
    judged: bool = False
    supported_hp: float | None = None
    up_to_lb: float | None = None


NOTHING = Told()


@dataclass(frozen=True, slots=True)
class Line:
    """What may be told of one part, by weight class; use: for that alone ("": for any). failures, units: on record."""

    component: str
    part: str
    use: str
    told: tuple[Told, ...]
    failures: float
    units: float


def may_be_told(row: pd.DataFrame, published: float | None = None) -> Told:
    """The published limit, or what it is to be lowered to. row: of the sheet of ratings, or none. published: the limit of a use whose
    rating is this row."""
    if row.empty:
        return NOTHING
    verdict, supported, proposed = (row[c].iat[0] for c in ("verdict", "supported_hp", "proposed_hp"))
    published = row["published_hp"].iat[0] if published is None else min(published, row["published_hp"].iat[0])
    if not math.isfinite(published):
        return NOTHING
    told = min(published, proposed) if verdict == "lower" else published
    return Told(told, judged=not supported >= told, supported_hp=supported if supported < told else None)


def lowers(table: pd.DataFrame) -> bool:
    """Whether the sheet shows anything that is published higher."""
    told = table[table["published_hp"].notna() & (table["verdict"] == "lower")]
    return bool((told["proposed_hp"] < told["published_hp"]).any())


def customer_lines(ratings: Ratings) -> tuple[Line, ...]:
    """Part by part, and below it each use with a limit of its own that says something else."""
    table, lines = ratings.table[ratings.table["use"] == ""], []
    for (component, part), own in table.groupby(["component", "part"], sort=False):
        general = _by_class(ratings, own, "")
        line = Line(component, part, "", general, own["failures"].iat[0], own["units"].iat[0])
        alone = ((use, _by_class(ratings, own, use)) for use in _named_uses(ratings, component, part))
        lines += [line, *(replace(line, use=use, told=told) for use, told in alone if told != general)]
    return tuple(lines)


def _by_class(ratings: Ratings, own: pd.DataFrame, use: str) -> tuple[Told, ...]:
    """What may be told of one part per weight class; for a use, its own published limits count where they are lower."""
    edges = ratings.records.shop.weight.classes if own["weight_up_to"].map(math.isfinite).all() else ()
    out = []
    for edge in (*edges, None):
        row = own[same_edge(own["weight_up_to"], edge) if edge else over(own["weight_up_to"], max(edges, default=0.0))]
        told = may_be_told(row, _published(ratings, row, use) if use and len(row) else None)
        heaviest = edge is None and bool(edges) and told != NOTHING
        out.append(replace(told, up_to_lb=row["weight_up_to"].iat[0]) if heaviest else told)
    return tuple(out)


def _published(ratings: Ratings, row: pd.DataFrame, use: str) -> float:
    limits = ratings.records.limits
    truck = row[["component", "part"]].assign(use=use, weight_lb=row["weight_up_to"], day=ratings.records.as_of)
    at = limit_for(limits, truck.reset_index(drop=True))[0]
    return float(limits["power_limit_hp"].iat[at]) if at >= 0 else math.nan


def _named_uses(ratings: Ratings, component: str, part: str) -> list[str]:
    """Uses for which a limit of their own is on file."""
    limits = ratings.records.limits
    own = limits[(limits["component"] == component) & (limits["part"] == part)]
    return sorted(u for u in own["use"].fillna("").astype(str).unique() if u)
