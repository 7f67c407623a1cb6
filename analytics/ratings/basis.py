"""What every figure about a rating stands on: sheet, what-if, load, back-test, unknowns and how sure all take it from here.

The lives of a part with the shop's own columns of builds ([extra_columns]) in them, and the shop's own settings ([ratings])
and promise ([targets]), unless the caller was told other ones. The forecasts of the review fit without the own columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.lifetimes.opened import found_damaged, still_driving
from analytics.lifetimes.table import Lifetimes
from analytics.models.lifedata import looked_at, with_uses
from analytics.ratings.predict import PartLives, lives_of
from analytics.reasons import Lives, Reason, reason_if
from analytics.records.measures import DAYS_A_MONTH
from analytics.records.shop import COUNTED, UseTarget


def part_lives(
    lifetimes: Lifetimes,
    component: str,
    part: str | None,
    table: pd.DataFrame | None = None,
    strength: str = "power_hp",
    use: str | None = None,
    hidden_apart: bool = False,
) -> PartLives:
    """The lives a rating of the part (None: of all parts of the component) is made of. ``strength``: the column that stands
    for power. ``table``: that of the lifetimes, read otherwise in places; the rows of the
    result are positions in it. ``use``: one with a target of its own, its lives alone, counted as that is (passes in the place of
    miles); None: those of all other uses. hidden_apart: where openings tell enough of damage that stops no truck it stands beside, in
    `LivesLookedAt`; else such damage found is among the failures. Raises AnalyticsError where there are none."""
    uses = lifetimes.shop.targets.uses
    rows, filled = _of_use(lifetimes.table if table is None else table, uses, use), list[Reason]()
    for column in PARTICULARS if strength == "power_hp" else ():
        rows, taken, guessed = fill_from_alike(rows, component, part, column)
        filled += reason_if(Lives.FILLED_FROM_ALIKE, taken, power=column == "power_hp", units=taken)
        filled += reason_if(Lives.FILLED_FROM_FEW, guessed, power=column == "power_hp", units=guessed)
    soon = _SOON.get("miles" if use is None else uses[use].counted, 1.0)

    def lives(of: pd.DataFrame) -> PartLives:
        return lives_of(
            of,
            component,
            part,
            lifetimes.as_of,
            extra=tuple(lifetimes.shop.extra_columns),
            strength=strength,
            soon=soon,
        )

    found = lives(rows)
    if hidden_apart and len(lifetimes.opened):
        found = _hidden_apart(found, lives, rows, _of_use(lifetimes.opened, uses, use))
    return replace(found, notes=(*found.notes, *filled))


PARTICULARS = ("power_hp", "weight_lb")
#: so many openings must have found the part clean for hidden damage to be fitted apart (ours)
FEWEST_CLEAN = 10


def _hidden_apart(
    whole: PartLives, lives: Callable[[pd.DataFrame], PartLives], rows: pd.DataFrame, opened: pd.DataFrame
) -> PartLives:
    """The lives by what stops a truck alone, with those looked at (``opened``) beside them; the ``whole``, with what was found among the
    failures, where none was, where too few were clean or nothing else has failed. lives: of a table; rows: that of the whole."""
    if not found_damaged(opened[opened["part"] == whole.part]).any():
        return whole
    try:
        looked = lives(_as_filled(opened, rows)).data
    except AnalyticsError:
        return whole
    own = lives(still_driving(rows))
    if not looked.failures or looked.units - looked.failures < FEWEST_CLEAN or not own.data.failures:
        return whole
    # the shop's own columns stay out: they are measured from the average of the lives at hand, and these are others
    plain = replace(looked, extra=looked.extra[:, :0], extra_names=())
    return replace(own, data=looked_at(own.data, with_uses(plain, own.data.use_names)))


def _as_filled(opened: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """The table ``opened`` with what is unknown of a truck as it was filled in in the ``rows`` of the same."""
    of_truck = rows.groupby(["serial", "component"])[list(PARTICULARS)].first()
    at = pd.MultiIndex.from_frame(opened[["serial", "component"]])
    return opened.assign(
        **{c: opened[c].fillna(pd.Series(of_truck[c].reindex(at).to_numpy(), opened.index)) for c in PARTICULARS}
    )


#: within how many of them a failure at 0 was
_SOON = {"miles": 100.0, "months": 1 / DAYS_A_MONTH}


def _of_use(table: pd.DataFrame, uses: Mapping[str, UseTarget], use: str | None) -> pd.DataFrame:
    """The ``table`` of lifetimes with only the lives of a ``use`` in a component, counted as its target is; None: only those of uses
    without one. Rows keep their places."""
    if not uses:
        return table
    own = table["use"].isin(list(uses)) if use is None else table["use"] != use
    table = table.assign(component=table["component"].mask(own, ""))
    if use is None or uses[use].counted == "miles":
        return table
    clock, each = COUNTED[uses[use].counted], DAYS_A_MONTH if uses[use].counted == "months" else 1.0
    sides = {f"{side}_miles": table[f"{side}_{clock}"] / each for side in ("entry", "lower", "upper")}
    # days are known of every life, so none needs a rate
    run = [table["run_runs"], table["run_days"]] if clock == "runs" else [np.nan, np.nan]
    return table.drop(columns="miles_days").assign(**sides, read_miles=run[0], read_days=run[1])


#: how many alike must have it for what is unknown to be filled in
_ALIKE = 5
#: and where more of them are without it than with it. Of fleets of 500 whose survivors' power, or weight, was on record of 40 alone, 40 in each of 12 settings
#: (seed 7000000, first order), bounds held .93 and .94 at .89 and .91 of the truth in the middle, as with all on record (.95, .95; .89, .91); with
#: 20 on record .91 and .94, with 5 .87 and .92; with the others left out, as they were, all held at .48 and .59
FEW_ALIKE = 40


def fill_from_alike(
    table: pd.DataFrame, component: str, part: str | None, column: str
) -> tuple[pd.DataFrame, int, int]:
    """The ``table`` of lifetimes with an unknown ``column`` (power_hp or weight_lb) of the units of a part (``component``, ``part``; None: any) taken
    from units of the same use that fared alike (failed, or not), how many units, and of how many of these most alike are without it.

    Leaving them out would bend a rating wherever the figure is known mostly for what came back. What is taken runs evenly through
    those of the alike (a hot deck, sampled systematically: Rubin, *Multiple Imputation for Nonresponse in Surveys*, 1987, ch. 4,
    for the idea; one draw, so that the little it adds to the spread is not counted). Of survivors, who hardly tell apart what they might be, that is
    their average over what is unknown. Where fewer than 5 alike have it, or fewer than 40 and less than half of them, it stays
    unknown. Same table, same figures.
    """
    own = table["component"].eq(component) & (table["part"].eq(part) if part is not None else table["part"].notna())
    mine = table.loc[own, ["serial", "use", "ended", "count", column]]
    gap = ~(mine[column] > 0).to_numpy()
    if not gap.any():
        return table, 0, 0
    truck, names = pd.factorize(mine["serial"].to_numpy(), sort=True)
    use, count, value = mine["use"].to_numpy(), mine["count"].to_numpy(), mine[column].to_numpy(float, copy=True)
    failed = np.bincount(truck, mine["ended"].eq("failed"), len(names))[truck] > 0

    def each_once(rows: np.ndarray) -> np.ndarray:
        """Where each truck among the ``rows`` (n,) first stands, in the order of their serials."""
        at = np.flatnonzero(rows)
        return at[np.unique(truck[at], return_index=True)[1]]

    out, taken, guessed = value.copy(), 0, 0
    for name in pd.unique(use[gap]):
        for fared in (True, False):
            alike = (use == name) & (failed == fared)
            blank, known = each_once(alike & gap), each_once(alike & ~gap)
            have, lack = int(count[known].sum()), int(count[blank].sum())
            if not lack or have < (_ALIKE if lack <= have else FEW_ALIKE):
                continue
            given = spread(np.sort(value[known]), len(blank), [have, lack, column == "power_hp"])
            at = np.flatnonzero(alike & gap)
            out[at] = given[np.searchsorted(truck[blank], truck[at])]
            taken, guessed = taken + lack, guessed + lack * (lack > have)
    whole = table[column].to_numpy(copy=True)
    whole[own.to_numpy()] = out
    return table.assign(**{column: whole}), taken, guessed


def few_known(notes: Iterable[Reason]) -> bool:
    """Whether lives with these ``notes`` (`part_lives`) have power or weight of most trucks from the few that have it."""
    return any(n.code is Lives.FILLED_FROM_FEW for n in notes)


def spread(known: np.ndarray, wanted: int, seed: list[int]) -> np.ndarray:
    """So many ``wanted`` of the sorted values ``known`` (n,), evenly through them, in an order of chance, drawn by ``seed``."""
    places = ((np.arange(wanted) + 0.5) / wanted * len(known)).astype(int)
    return known[places][np.random.default_rng(seed).permutation(wanted)]
