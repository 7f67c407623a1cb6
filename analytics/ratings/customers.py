"""What customers may be told: no power above what is published, nor above what the records contradict, and for no use they do not cover."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import permutations

import pandas as pd

from analytics.ratings.sheet import PartRating, Ratings, covered_uses
from analytics.records.cover import over, up_to
from analytics.records.limits import limit_for


@dataclass(frozen=True, slots=True)
class Told:
    """The power that may be told, if any. judged: set by judgement, not supported by the records; supported_hp: what they support beside
    it, where that is lower. up_to_lb: how heavy a truck it was rated for, where that is not the edge of the class."""

    hp: float | None = None
    judged: bool = False
    supported_hp: float | None = None
    up_to_lb: float | None = None


NOTHING = Told()


@dataclass(frozen=True, slots=True)
class Line:
    """What may be told of one part, by weight class. uses: those it holds for (none: no use is on record). life: promised, in what it is
    ``counted`` in. first: of its part. failures, units: on record."""

    component: str
    part: str
    uses: tuple[str, ...]
    life: float
    counted: str
    told: tuple[Told, ...]
    failures: float
    units: float
    first: bool = True


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
    """Whether the sheet (``table``) shows anything that is published higher."""
    told = table[table["published_hp"].notna() & (table["verdict"] == "lower")]
    return bool((told["proposed_hp"] < told["published_hp"]).any())


def customer_lines(ratings: Ratings) -> tuple[Line, ...]:
    """Of the ``ratings``, part by part: the uses rated together, below them each with a limit of its own that says something else, and each with a target of
    its own."""
    lines: list[Line] = []
    for rated in (*ratings.parts, *ratings.apart):
        own = ratings.table[(ratings.table["component"] == rated.component) & (ratings.table["part"] == rated.part)]
        own = own[own["use"] == rated.use]
        uses = (rated.use,) if rated.use else covered_uses(rated, ratings.options)
        told = _by_class(ratings, own, "")
        if rated.use and rated.use not in set(_limits_of(ratings, rated)["use"]):
            told = tuple(map(_as_supported, told))
        line = _line(rated, uses, told)
        # a use that no line names is one to ask about
        if not rated.use or set(told) != {NOTHING}:
            lines.append(line)
        for use in _named_uses(ratings, rated) if not rated.use else ():
            told = _by_class(ratings, own, use)
            if told != line.told:
                lines.append(replace(line, uses=(use,), told=told))
    order = {(p.component, p.part): i for i, p in reversed([*enumerate((*ratings.parts, *ratings.apart))])}
    lines.sort(key=lambda line: order[line.component, line.part])
    seen = [(line.component, line.part) for line in lines]
    return tuple(replace(line, first=seen.index(of) == i) for i, (line, of) in enumerate(zip(lines, seen, strict=True)))


@dataclass(frozen=True, slots=True)
class Below:
    """A part that may be told less power than a weaker one of its component, in some class. thinner: its best estimate is no lower, so
    that it is only less known. failures, units: on record, of it and of the weaker one."""

    part: str
    weaker: str
    thinner: bool
    failures: tuple[float, float]
    units: tuple[float, float]


def _somewhere_below(strong: Line, weak: Line) -> bool:
    pairs = ((a.hp, b.hp) for a, b in zip(strong.told, weak.told, strict=True))
    return any(a is not None and b is not None and a < b for a, b in pairs)


def below_weaker(ratings: Ratings, lines: tuple[Line, ...]) -> tuple[Below, ...]:
    """Where the ``lines`` of these ``ratings`` show a stronger part below a weaker one: the dearer, where [costs] states both prices, else
    the one of the higher best estimate."""
    found = []
    for strong, weak in permutations([line for line in lines if line.first], 2):
        one_component = weak.component == strong.component and weak.part != strong.part
        if one_component and _stronger(ratings, strong, weak) and _somewhere_below(strong, weak):
            thinner = not _estimate(ratings, strong) < _estimate(ratings, weak)
            seen = ((strong.failures, weak.failures), (strong.units, weak.units))
            found.append(Below(strong.part, weak.part, thinner, *seen))
    return tuple(found)


def _stronger(ratings: Ratings, one: Line, other: Line) -> bool:
    stated = ratings.records.shop.costs.get("parts")
    prices = stated if isinstance(stated, dict) else {}
    own = [float(prices[line.part]) for line in (one, other) if line.part in prices]
    if len(own) == 2:
        return own[0] > own[1]
    return _estimate(ratings, one) > _estimate(ratings, other)


def _estimate(ratings: Ratings, line: Line) -> float:
    """Best estimate of the lightest class in hp; inf where nothing failed."""
    table = ratings.table
    own = table[(table["component"] == line.component) & (table["part"] == line.part) & (table["use"] == "")]
    best = float(own["estimate_hp"].iat[0]) if len(own) else math.inf
    return best if math.isfinite(best) else math.inf


def _as_supported(told: Told) -> Told:
    """For a use of its own whose limit was published for every use: no more than its own records support."""
    if not told.judged:
        return told
    return replace(told, hp=told.supported_hp, judged=False, supported_hp=None) if told.supported_hp else NOTHING


def _line(rated: PartRating, uses: tuple[str, ...], told: tuple[Told, ...]) -> Line:
    bound = rated.bounds[0]
    return Line(
        component=rated.component,
        part=rated.part,
        uses=uses,
        life=bound.promise.life,
        counted=bound.promise.counted,
        told=told,
        failures=bound.failures,
        units=bound.units,
    )


def _by_class(ratings: Ratings, own: pd.DataFrame, use: str) -> tuple[Told, ...]:
    """What may be told of one part per weight class; for a use, its own published limits count where they are lower."""
    edges = ratings.records.shop.weight.classes if own["weight_up_to"].map(math.isfinite).all() else ()
    out = []
    for low, edge in zip((0.0, *edges), (*edges, math.inf), strict=True):
        row = own[over(own["weight_up_to"], low) & up_to(own["weight_up_to"], edge)]
        told = may_be_told(row, _published(ratings, row, use) if use and len(row) else None)
        heaviest = bool(edges) and told != NOTHING and not up_to(edge, row["weight_up_to"].iat[0])
        out.append(replace(told, up_to_lb=row["weight_up_to"].iat[0]) if heaviest else told)
    return tuple(out)


def _published(ratings: Ratings, row: pd.DataFrame, use: str) -> float:
    limits = ratings.records.limits
    truck = row[["component", "part"]].assign(use=use, weight_lb=row["weight_up_to"], day=ratings.records.as_of)
    at = limit_for(limits, truck.reset_index(drop=True))[0]
    return float(limits["power_limit_hp"].iat[at]) if at >= 0 else math.nan


def _named_uses(ratings: Ratings, rated: PartRating) -> list[str]:
    """Uses for which a limit of their own is on file, and that have no target of their own."""
    named = set(_limits_of(ratings, rated)["use"]) - {""}
    return sorted(named - set(ratings.records.shop.targets.uses))


def _limits_of(ratings: Ratings, rated: PartRating) -> pd.DataFrame:
    limits = ratings.records.limits
    own = limits[(limits["component"] == rated.component) & (limits["part"] == rated.part)]
    return own.assign(use=own["use"].fillna("").astype(str))
