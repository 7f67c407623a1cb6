"""Builds: their cells, serials that were built before, and units shipped again after a return."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.reasons import Flag, Issue
from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.flags import add_flag
from analytics.records.loads import plain, quantity, read_load, words
from analytics.records.ordering import begun, in_service, known_on, say
from analytics.records.parts import NOT_RECORDED, part_names
from analytics.records.shop import Shop


def read_builds(builds: Sheet, shop: Shop) -> None:
    """Type the cells of builds. shop: whose settings say what a bare figure means."""
    values = builds.values
    read_load(builds, shop)
    at_install = quantity(builds, "odometer_at_install", cells.DISTANCE, shop.units.distance, "odometer_at_install")
    about = at_install["about"] & at_install["value"].notna()
    values["flags"] = add_flag(values["flags"], about, Flag.ODOMETER_ABOUT)
    rpm = plain(builds, "rpm", 500, 15_000)
    builds.doubt(rpm["problem"] != "", "rpm", rpm["problem"] + ": taken as unknown", rpm["remedy"])
    count = plain(builds, "count", 1, 1_000_000, whole=True)
    remedy = "write how many identical units the row stands for, or leave it blank for one"
    builds.set_aside(count["problem"] != "", "count", count["problem"], remedy)
    values["count"] = count["value"].fillna(1)
    values["builder"] = words(builds, "builder", shop)
    for name in shop.extra_columns:
        own = plain(builds, f"extra:{name}", -1e9, 1e9)
        builds.doubt(own["problem"] != "", f"extra:{name}", own["problem"] + ": taken as unknown", own["remedy"])
    for component in shop.components:
        values[f"component:{component}"] = part_names(builds.text(f"component:{component}"), component, shop)


def order_repeats(builds: Sheet) -> pd.DataFrame:
    """Rows of builds by unit: at (position), first (position of the unit's first row), in order of unit and day.

    Of rows of one day the one that says most comes first, so that the order of the file decides nothing.
    """
    values = builds.values
    order = pd.DataFrame({"key": values["key"], "day": known_on(builds), "at": np.arange(len(values))})[builds.in_use]
    twice = order["key"].duplicated(keep=False)
    once, order = order[~twice], order[twice].copy()
    table = builds.raw.table.loc[order["at"]]
    order["blank"] = (table == "").sum(axis=1).to_numpy()
    order["typed"] = ["|".join(row) for row in table.itertuples(index=False)]
    order = order.sort_values(["key", "day", "blank", "typed", "at"], kind="stable")
    order["first"] = order.groupby("key")["at"].transform("first")
    every = pd.concat([once.assign(first=once["at"]), order])
    return every[["at", "first"]].astype(np.int64).reset_index(drop=True)


def judge_repeats(builds: Sheet, returns: Sheet, order: pd.DataFrame) -> pd.DataFrame:
    """Set aside rows of builds whose serial came before, but for units shipped again after a return.

    Returns (at, first) of each such later shipment.
    order: of events, a row per row of ``returns``.
    """
    again = order[order["at"] != order["first"]]
    day, n = known_on(builds), len(builds.alive)
    back = returns.values.loc[returns.in_use, ["build"]].assign(day=known_on(returns))
    back = back[back["build"].isin(again["first"])]
    back_days = {build: days.to_numpy() for build, days in back.groupby("build")["day"]}
    rows = builds.raw.table.loc[again["at"].to_numpy()].to_dict("index")
    rows |= builds.raw.table.loc[again["first"].unique()].to_dict("index")
    reason, remedy, kind = np.full(n, "", dtype=object), np.full(n, "", dtype=object), np.full(n, Issue.BUILT_ALREADY)
    refused, shipped = np.zeros(n, bool), np.zeros(n, bool)
    kept: dict[int, list[int]] = {}
    for at, first in again.itertuples(index=False):
        if not builds.in_use[at]:
            continue
        number = builds.named(first)
        earlier = kept.setdefault(first, [first])
        same = next((e for e in earlier if not _differing(rows[at], rows[e])), None)
        days = back_days.get(first, np.array([], "datetime64[ns]"))
        between = (days >= np.datetime64(day[earlier[-1]])) & (days <= np.datetime64(day[at]))
        if not builds.in_use[first]:
            refused[at], reason[at] = True, f"the first build of this serial ({number}) is set aside"
            remedy[at], kind[at] = "mend that row first", Issue.BUILD_SET_ASIDE
        elif same is not None:
            refused[at], reason[at] = True, f"the same build is entered in {builds.named(same)}"
            remedy[at], kind[at] = "delete one of the two rows", Issue.REPEATED
        elif between.any():
            earlier.append(at)
            shipped[at] = True
            reason[at] = (
                f"shipped again after a return (first build in {number}): the unit goes on, "
                "with the parts that differ as new"
            )
        else:
            heads = ", ".join(builds.raw.typed.get(h, h) for h in _differing(rows[at], rows[earlier[-1]])[:4])
            refused[at] = True
            reason[at] = f"the serial is already built in {number}, with another {heads}, and did not come back between"
            remedy[at] = "delete the row that is wrong, or correct the serial: two units need two"
    builds.doubt(shipped, "serial", reason, "confirm that it is the same unit", Issue.SHIPPED_AGAIN)
    builds.set_aside(refused, "serial", reason, remedy, kind)
    return again[shipped[again["at"].to_numpy()]].reset_index(drop=True)


def _differing(one: dict, other: dict) -> list[str]:
    """Headings both rows fill, with different text; serials are alike already."""
    return [h for h in one if h != "serial" and one[h] and other[h] and one[h] != other[h]]


def doubt_superseded(builds: Sheet, shop: Shop) -> None:
    """List builds whose part was not yet, or no longer, the one to fit by [[supersessions]].

    shop: whose settings hold them.
    """
    day = begun(builds)
    for change in shop.names.supersessions:
        if change.effective_on is None:
            continue
        column, since = f"component:{change.component}", pd.Timestamp(change.effective_on)
        part = builds.values[column].str.casefold()
        early = (part == change.new.casefold()) & (day < since)
        late = (part == change.old.casefold()) & (day >= since)
        what = f"{change.new} superseded {change.old} on {say(since)}"
        builds.doubt(early, column, f"{what}, after this build", "correct the part or the date", Issue.OFF_SUPERSESSION)
        builds.doubt(
            late, column, f"{what}, before this build", "confirm it, if old stock was used up", Issue.OFF_SUPERSESSION
        )


def builds_table(builds: Sheet, first_rows: np.ndarray, shop: Shop) -> pd.DataFrame:
    """The units, one row each; ``at``: position of the row in the sheet.

    builds: the sheet, its cells typed. first_rows: positions of those that stand for a unit. shop: its
    settings.
    """
    at = np.sort(first_rows[builds.in_use[first_rows]])
    picked = builds.values.iloc[at]
    plain_columns = ["odometer_at_install", "power_hp", "power_low", "power_high", "power_measured_at"]
    table = pd.DataFrame(
        {
            "serial": [" ".join(s.split()) for s in builds.text("serial").iloc[at]],
            "built_on": picked["built_on"].to_numpy(),
            "in_service_on": in_service(builds).iloc[at].to_numpy(),
            "begun_on": begun(builds).iloc[at].to_numpy(),
            **{c: picked[c].to_numpy() for c in plain_columns},
            "power_raw": builds.text("power").iloc[at].to_numpy(),
            "weight_lb": picked["weight_lb"].to_numpy(),
            "weight_raw": builds.text("weight").iloc[at].to_numpy(),
            **{c: picked[c].to_numpy() for c in ("weight_kind", "rpm", "use", "builder")},
            **{f"extra_{c}": picked[f"extra:{c}"].to_numpy(float) for c in shop.extra_columns},
            "count": picked["count"].astype(int).to_numpy(),
            "flags": picked["flags"].to_numpy(),
            "row": builds.raw.row[at],
            **{c: picked[f"component:{c}"].to_numpy() for c in shop.components},
            "at": at,
        }
    )
    return table.astype({"serial": object})


def add_shipments(
    fitted: pd.DataFrame, changes: pd.DataFrame, builds: Sheet, shipments: pd.DataFrame, position: pd.Series, shop: Shop
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Units shipped again: their differing parts join ``fitted``, their differing particulars ``changes``.

    builds: the sheet. shipments: (at, first) of each later row. position: of a row's unit by its place in the
    sheet. shop: its settings. Returns both.
    """
    parts: list[dict] = []
    loads: list[dict] = []
    day = known_on(builds)
    before: dict[int, int] = {}
    for at, first in shipments.itertuples(index=False):
        if not builds.in_use[at] or first not in position.index:
            continue
        there = builds.values.loc[before.get(first, first)]
        here = builds.values.loc[at]
        before[first] = at
        own = {
            "unit": int(position[first]),
            "odometer": here["odometer_at_install"],
            "shipped": True,
            "row": builds.raw.row[at],
        }
        for component in shop.components:
            part = here[f"component:{component}"]
            if part not in ("", NOT_RECORDED, there[f"component:{component}"]):
                parts.append(own | {"component": component, "part": part, "lot": "", "fitted_on": day[at]})
        stated = ("power_hp", "weight_lb", "use")
        if any(here[c] != there[c] and pd.notna(here[c]) and here[c] != "" for c in stated):
            loads.append(
                own | {"changed_on": day[at], **{c: here[c] for c in changes if c in here}, "odometer": np.nan}
            )

    def join(table: pd.DataFrame, rows: list[dict]) -> pd.DataFrame:
        if not rows:
            return table
        return pd.concat([table, pd.DataFrame(rows)[table.columns].astype(table.dtypes)], ignore_index=True)

    return join(fitted, parts), join(changes, loads)
