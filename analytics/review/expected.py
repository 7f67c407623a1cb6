"""Expected against actual: what the models of the last quarter's end foresaw for this quarter, and what came."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.lifetimes.later import LIFE, came_later, life_keys
from analytics.ratings.predict import count_chances
from analytics.reasons import Expected, Question, Reason, reason, reason_if
from analytics.review.answer import Answer
from analytics.review.door import level_of, range_of, running_chances, with_level
from analytics.review.snapshot import (
    ANY_LEVEL,
    Snapshot,
    chance_of,
    found_opened,
    from_entry,
    past_of,
    recorded,
    stand_in,
)

_KEPT = [
    "serial", "row_serial", "component", "part", "lot", "spell", "builder", "month", "power_band", "weight_class", "use", "count",
]  # fmt: skip
#: what the quarter is looked at by, besides the component: (name, column)
SIDES = (
    ("component", ""),
    ("part", "part"),
    ("power band", "power_band"),
    ("weight class", "weight_class"),
    ("lot", "lot"),
    ("builder", "builder"),
    ("build month", "month"),
)
LEVEL = 0.90


@dataclass(frozen=True, slots=True, repr=False)
class Stakes:
    """Lives that could fail in a span, with what the models of its start said of each.

    rows: one per life: what it is, ``came`` (1 where it is on record as failed by the end, install errors left out).
    chance: (draws, rows), equal weights, at a ``level`` (draws,) common to all. unforeseen: failures on record by the end that were not at stake (units thought
    sold or lost, lives whose start is unknown). found: damaged, as was seen in the span while the unit was open for something else; it brings no truck in.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    rows: pd.DataFrame
    chance: np.ndarray
    level: np.ndarray
    unforeseen: int
    found: int = 0

    def __repr__(self) -> str:
        return f"Stakes({self.start:%Y-%m-%d} to {self.end:%Y-%m-%d}: {self.expected:.1f} expected, {self.rows['came'].sum():g} came)"

    def take(self, keep: np.ndarray) -> Stakes:
        """The lives in ``keep`` (rows,)."""
        rows = self.rows[keep].reset_index(drop=True)
        return replace(self, rows=rows, chance=self.chance[:, keep])

    @property
    def expected(self) -> float:
        return float((with_level(self.chance, self.level).mean(0) * self.rows["count"].to_numpy()).sum())


def days_between(before: Snapshot, now: Snapshot) -> float:
    """Days from the cut-off of ``before`` to that of ``now``."""
    return float((now.as_of - before.as_of).days)


def at_stake(before: Snapshot, now: Snapshot, foreseen: tuple[pd.DataFrame, np.ndarray] | None = None) -> Stakes:
    """Lives running at ``before`` and those put in since, and which of them are on record as failed by ``now``.

    foreseen: `running_chances` of ``before`` up to ``now``, where they are at hand.
    """
    running, chance = running_chances(before, days_between(before, now)) if foreseen is None else foreseen
    frames, blocks = [running[_KEPT]], [chance]
    known = pd.MultiIndex.from_frame(before.table[LIFE])
    fresh = (now.table["segment"] == 1).to_numpy() & ~life_keys(now.table, before.table).isin(known)
    fresh &= (now.table["fitted_on"] > before.as_of).to_numpy()
    for (component, part), own in now.parts.items():
        which = np.flatnonzero(fresh[own.lives.rows])
        if not len(which):
            continue
        begun, days = from_entry(own.lives.data)
        # a part that failed would have been followed to the end, had it not
        at = now.table.iloc[own.lives.rows]
        whole = (now.as_of - at["fitted_on"]).dt.days.to_numpy(float)
        days = np.where(own.lives.data.failed, np.maximum(whole, 1.0), days)
        blocks.append(
            chance_of(stand_in(before, component, part), past_of(before, component, part), begun, which, days[which])
        )
        frames.append(at.iloc[which][_KEPT])
    rows = pd.concat(frames, ignore_index=True)
    came = came_later(rows, before.table, now.table[now.table["stopped"]])
    rows = rows.assign(
        came=came, power_band=rows["power_band"].astype(str), weight_class=rows["weight_class"].astype(str)
    )
    new = int(
        now.table.loc[now.table["stopped"], "count"].sum() - before.table.loc[before.table["stopped"], "count"].sum()
    )
    return Stakes(
        start=before.as_of,
        end=now.as_of,
        rows=rows,
        chance=np.concatenate(blocks, axis=1),
        level=level_of(before, days_between(before, now)),
        unforeseen=max(new - int(came.sum()), 0),
        found=sum(n for _, n in found_opened(now.table, before.as_of)),
    )


def groups_of(rows: pd.DataFrame) -> dict[tuple[str, str, str], np.ndarray]:
    """Positions of the rows of each (side, component, group); what is not recorded is in no group of that side."""
    out: dict[tuple[str, str, str], np.ndarray] = {}
    for side, column in SIDES:
        keys = ["component", column] if column else ["component"]
        for key, at in rows.groupby(keys, sort=True).indices.items():
            component, group = (key[0], str(key[1])) if column else (key if isinstance(key, str) else key[0], "")
            if column and (not group or not recorded(group) or group == "NaT"):
                continue
            out[side, component, group] = at
    return out


def expected_table(stakes: Stakes, level: float = LEVEL, sides: tuple[str, ...] | None = None) -> pd.DataFrame:
    """One row per group of ``stakes`` looked at (of the ``sides`` named; all by default), the shop first: units,
    expected with its prediction limits at ``level``, came, and exact chances of so many or more (``p_more``) and so few
    or fewer (``p_fewer``): Poisson-binomial over lives, mixed over what the fits leave open and a level common to all
    parts."""
    even = np.full(len(stakes.chance), 1 / len(stakes.chance))
    count, came = stakes.rows["count"].to_numpy(), stakes.rows["came"].to_numpy()
    chance = with_level(stakes.chance, stakes.level)
    rows = []
    for (side, component, group), at in [(("shop", "", ""), np.arange(len(count))), *groups_of(stakes.rows).items()]:
        if sides is not None and side not in sides:
            continue
        pmf = count_chances(chance[:, at], count[at], even)
        n = int(came[at].sum())
        lower, upper = range_of(pmf, level)
        rows.append(
            {
                "side": side,
                "component": component,
                "group": group,
                "units": int(count[at].sum()),
                "expected": float(chance[:, at].mean(0) @ count[at]),
                "lower": lower,
                "upper": upper,
                "came": n,
                "p_more": float(min(pmf[min(n, len(pmf) - 1) :].sum(), 1.0)),
                "p_fewer": float(min(pmf[: n + 1].sum(), 1.0)),
            }
        )
    return pd.DataFrame(rows)


def expected_answer(stakes: Stakes, table: pd.DataFrame, name: str, filled: int, of: int) -> Answer:
    """The quarter's count beside what was foreseen, component by component. stakes, table: of `expected_table`. name:
    of the quarter. filled: lives whose power or weight had to be filled in, out of so many (``of``)."""
    whole = table.iloc[0]
    own = table[table["side"] == "component"]
    said = [reason(Expected.WHOLE, **whole[["expected", "lower", "upper", "came"]])]
    high = own[own["came"] > own["upper"]]
    low = own[own["came"] < own["lower"]]
    for rows, code in ((high, Expected.MORE), (low, Expected.FEWER)):
        if len(rows):
            outside = [*rows[["component", "came", "expected"]].itertuples(index=False, name=None)]
            said.append(reason(code, components=outside))
    said += reason_if(Expected.ALL_WITHIN, high.empty and low.empty)
    said += reason_if(Expected.NOT_FOLLOWED, stakes.unforeseen, failures=stakes.unforeseen)
    said += reason_if(Expected.FOUND_OPENED, stakes.found, found=stakes.found)
    return Answer(
        expected_question(name, stakes.start),
        tuple(said),
        table[table["side"] != "shop"].reset_index(drop=True),
        (reason(Expected.FILLED, filled=filled, lives=of),) if filled else (),
    )


def expected_question(quarter: str, start: pd.Timestamp | None) -> Reason:
    """Of the quarter so named, foreseen from the records of ``start``."""
    return reason(Question.EXPECTED, quarter=quarter, start=start)


# ---- over the whole life ---------------------------------------------------------------------------------------------
def life_hazards(before: Snapshot, now: Snapshot) -> pd.DataFrame:
    """Every life of ``now`` with the cumulative hazard ``hazard`` the models of ``before`` give it from the day it was put in
    to its end or to now. Only how it is shared out among groups is used, so a level that is off does no harm."""
    frames = []
    for (component, part), own in now.parts.items():
        begun, days = from_entry(own.lives.data)
        every = np.arange(len(days))
        model = stand_in(before, component, part)
        chance = chance_of(model, ANY_LEVEL, begun, every, days, draws=False)[0]
        at = now.table.iloc[own.lives.rows]
        frames.append(at.assign(hazard=-np.log1p(-np.minimum(chance, 1 - 1e-12)) * at["count"]))
    rows = pd.concat(frames) if frames else now.table.iloc[:0].assign(hazard=0.0)
    return rows.assign(power_band=rows["power_band"].astype(str), weight_class=rows["weight_class"].astype(str))
