"""The counts behind the watch, the forecasts, the guarantees and the readings, in loops; likewise without the package."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict

from tests.plain.figures import (
    NONE,
    YEAR,
    Watched,
    curve,
    is_failure,
    looks,
    mean_cumulative,
    once_a_row,
    ordinal,
    stop_where_thin,
    with_particulars,
)
from tests.plain.reckoning import NOT_RECORDED, Shop, band_of, history, known, lifetimes, load_on

LIFE = ("truck", "component", "spell")


def life(row: dict) -> tuple:
    return tuple(row[c] for c in LIFE)


def has_age(row: dict) -> bool:
    """Miles or days on record; a part broken on the day it went to work has neither."""
    return known(row["lower_miles"]) or row["lower_days"] > 0 or (is_failure(row) and row["upper_days"] > 0)


def fitted(row: dict) -> int:
    return ordinal(row["started_on"]) - row["entry_days"]


def begun(build: dict) -> int:
    """The day that tells when a truck was built."""
    return ordinal(build["built_on"]) if build["built_on"] else build["start"]


def with_origin(shop: Shop, table: list[dict]) -> list[dict]:
    """month: in which the part was put in, that of the build for what left with the truck; made_by: who built it, for those."""
    builds = {build["truck"]: build for build in shop.trucks}
    result = []
    for row in table:
        build, day = builds[row["truck"]], fitted(row)
        new = row["spell"] == 1 and day == build["start"]
        month = dt.date.fromordinal(begun(build) if new else day).isoformat()[:7]
        result.append(row | {"month": month, "made_by": build["builder"] if new else ""})
    return result


# ---- looks over whole lives --------------------------------------------------------------------------------------------
def life_tests(shop: Shop, table: list[dict]) -> list[dict]:
    """Lives and failures of each lot, month and builder that can be held against others of the same part; of install errors
    against others of the same component. A life cut in pieces is one."""
    rows = [row for row in with_origin(shop, table) if has_age(row) and row["part"] != NOT_RECORDED]
    result = []
    for family, column, install in (
        ("LOT_LIFE", "lot", False), ("MONTH_LIFE", "month", False), ("BUILDER_LIFE", "made_by", False),
        ("MONTH_INSTALL", "month", True), ("BUILDER_INSTALL", "made_by", True),
    ):  # fmt: skip
        alike = defaultdict(lambda: defaultdict(list))
        for row in rows:
            if row[column]:
                alike[row["component"], "" if install else row["part"]][row[column]].append(row)
        sums = defaultdict(lambda: [0, 0])
        for (component, part), groups in alike.items():
            counted = {name: sum(broke(row, install) for row in own) for name, own in groups.items()}
            if len(groups) < 2 or not sum(counted.values()):
                continue
            for name, own in groups.items():
                one = sums[component, part if family == "LOT_LIFE" else "", name]
                one[0] += len({life(row) for row in own})
                one[1] += counted[name]
        result += [
            {"family": family, "component": component, "group": name, "units": units, "came": came}
            for (component, _, name), (units, came) in sums.items()
        ]
    return result


def broke(row: dict, install: bool) -> bool:
    return (row["ended"] == "failed" and row["cause"] == "install") if install else is_failure(row)


def lots(shop: Shop, table: list[dict]) -> list[dict]:
    """Lots of a part of which there are several, where any came back."""
    rows = [row for row in table if has_age(row) and row["part"] != NOT_RECORDED and row["lot"]]
    result = []
    for component, part in sorted({(row["component"], row["part"]) for row in rows}):
        own = [row for row in rows if (row["component"], row["part"]) == (component, part)]
        names = {row["lot"] for row in own}
        if len(names) > 1 and any(map(is_failure, own)):
            for name in names:
                mine = [row for row in own if row["lot"] == name]
                result.append(
                    {"component": component, "part": part, "lot": name, "units": len({life(row) for row in mine}),
                     "came": sum(map(is_failure, mine))}
                )  # fmt: skip
    return result


# ---- what is at stake in a quarter -----------------------------------------------------------------------------------
def running(table: list[dict]) -> list[dict]:
    return [row for row in table if row["followed"] and has_age(row)]


def at_stake(before: Shop, after: Shop) -> tuple[list[dict], int]:
    """Lives running at the quarter's start and those put in since, each with whether it has failed; failures of no such life."""
    then, now = with_origin(before, lifetimes(before)), with_origin(after, lifetimes(after))
    old, failed = {life(row) for row in then}, {life(row) for row in now if is_failure(row)}
    new = [row for row in now if row["segment"] == 1 and life(row) not in old and fitted(row) > before.as_of]
    rows = [row | {"came": life(row) in failed} for row in [*running(then), *(row for row in new if has_age(row))]]
    others = len(failed) - sum(map(is_failure, then)) - sum(row["came"] for row in rows)
    return rows, max(others, 0)


def expected(rows: list[dict]) -> list[dict]:
    """Lives at stake and those of them that came, of the shop and of every group with a name."""
    groups = defaultdict(list)
    for row in rows:
        groups["shop", "", ""].append(row)
        groups["component", row["component"], ""].append(row)
        for side, column in (
            ("part", "part"), ("power band", "power_band"), ("weight class", "weight_class"), ("lot", "lot"),
            ("builder", "made_by"), ("build month", "month"),
        ):  # fmt: skip
            if row[column] not in ("", NOT_RECORDED):
                groups[side, row["component"], row[column]].append(row)
    groups.setdefault(("shop", "", ""), [])
    return [
        {"side": side, "component": component, "group": name, "units": len(own), "came": sum(r["came"] for r in own)}
        for (side, component, name), own in groups.items()
    ]


def kept_word(before: Shop, after: Shop, span: str) -> list[dict]:
    """kept_word.csv: lives running when a forecast was made, and those of them that have come back since."""
    failed = {life(row) for row in lifetimes(after) if is_failure(row)}
    then = running(lifetimes(before))
    name = {"made_on": dt.date.fromordinal(before.as_of).isoformat(), "span": span}
    return [name | count | {"came": sum(life(row) in failed for row in own)} for count, own in by_component(then)]


def by_component(rows: list[dict]) -> list[tuple[dict, list[dict]]]:
    groups = {"": rows} | {c: [r for r in rows if r["component"] == c] for c in sorted({r["component"] for r in rows})}
    return [({"component": name, "units": len(own)}, own) for name, own in groups.items() if own]


# ---- ahead -------------------------------------------------------------------------------------------------------------
def forecast(table: list[dict]) -> list[dict]:
    """forecast.csv: lives running, a quarter and a year ahead."""
    own = running(table)
    told = [count for count, _ in by_component(own)] or [{"component": "", "units": 0}]
    return [{"span": span} | count for span in ("quarter", "year") for count in told]


def unit_chances(shop: Shop, units: list[Watched], table: list[dict]) -> list[dict]:
    """unit_chances.csv: the units with a part running, and what their likeliest part has run at; without a fit the first by name.

    A truck tuned on the very day runs at the new load with a part put in that day, at the old one with the others.
    """
    result = []
    for unit in once_a_row(units):
        own = sorted((r for r in running(table) if r["truck"] == unit.truck), key=lambda row: row["component"])
        if own:
            day, miles = history(shop, unit.build, "miles")[-1]
            result.append(
                {"serial": own[0]["serial"], "power_hp": own[0]["power_hp"], "weight_lb": own[0]["weight_lb"],
                 "use": own[0]["use"], "years": own[0]["unit_days"] / YEAR,
                 "odometer_known": miles > 0 and day > unit.build["start"]}
            )  # fmt: skip
    return result


def guarantee(shop: Shop, units: list[Watched], table: list[dict]) -> list[dict]:
    """The counts of guarantee.csv: of each power band, as its trucks went out, those built in the last three years, how long
    ten of the band have been followed, comebacks in a year, and failures."""
    parts = defaultdict(list)
    for row in table:
        parts[row["truck"]].append(row)
    first = min((begun(unit.build) for unit in units), default=0)
    result = []
    bands = defaultdict(list)
    for unit in units:
        bands[band_of(shop, load_on(unit.build, unit.build["start"])[0])].append(unit)
    for band, own in bands.items():
        lately = [unit for unit in own if begun(unit.build) >= shop.as_of - round(3 * YEAR)]
        in_sight = any(row["spell"] == 1 for unit in lately for row in parts[unit.truck])
        if band == NOT_RECORDED or not in_sight:
            continue
        ages = sorted((unit.stop - unit.build["start"] for unit in own), reverse=True)
        read = [history(shop, unit.build, "miles")[-1] for unit in own]
        miles = sorted((m for (day, m), unit in zip(read, own, strict=True) if day > unit.build["start"]), reverse=True)
        singles = [unit.history(unit.comebacks) for unit in own]
        line = [row for row in mean_cumulative(singles) if row["time"] <= YEAR]
        last = max((b for stretches, _ in singles for _, b in stretches), default=0)
        at = {"mean": NONE, "lower": NONE, "upper": NONE}
        if last >= YEAR and any(events for _, events in singles):
            at = line[-1] if line else {"mean": 0.0, "lower": NONE, "upper": NONE}
        result.append(
            {"band": band, "built": len(lately), "a_year": len(lately) / min(3.0, max((shop.as_of - first) / YEAR, 1 / 12)),
             "seen_months": ages[9] / (YEAR / 12) if len(ages) > 9 else 0.0, "seen_miles": miles[9] if len(miles) > 9 else 0.0,
             "year_on_record": at["mean"], "year_lower": at["lower"], "year_upper": at["upper"],
             "failures": sum(is_failure(row) and has_age(row) for unit in own for row in parts[unit.truck])}
        )  # fmt: skip
    return result


# ---- read otherwise ----------------------------------------------------------------------------------------------------
def how_sure(shop: Shop, table: list[dict]) -> list[dict]:
    """The shares back of how_sure.csv: within two years, as the records stand, were fewer reported, were the unclear not its own."""
    open_to_doubt = [r for r in table if r["ended"] == "failed" and "unclear" in (r["cause"], r["order"])]
    taken_out = [r | {"ended": "removed", "cause": ""} if r in open_to_doubt else r for r in table]
    ways = [("IT_STANDS", 1.0, table)] + [("REPORTED", share, table) for share in (1.0, 0.85, 0.7, 0.5)]
    ways += [("UNCLEAR_OUT", 1.0, taken_out)] if open_to_doubt else []
    result = []
    for how, share, rows in ways:
        for component in shop.components:
            line = curve(looks([r for r in rows if r["component"] == component], "days"))
            shown = [r for r in stop_where_thin(line, shop.at_risk_to_show) if r["at_risk"] >= shop.at_risk_to_show]
            if not shown or shown[-1]["time"] < 2 * YEAR:
                continue
            past = [r["survival"] for r in line if r["time"] <= 2 * YEAR]
            back = 1 - past[-1] if past else 0.0
            result.append({"what": component, "how": how, "share": share, "value": min(back / share, 1.0)})
    return result


def rated(table: list[dict]) -> list[dict]:
    """The counts of ratings.csv: units and failures of each part whose power, weight and age are on record."""
    result = []
    for component, part in sorted({(row["component"], row["part"]) for row in table}):
        own = [row for row in table if (row["component"], row["part"]) == (component, part)]
        told = [r for r in with_particulars(own) if has_age(r)]
        if told:
            result.append(
                {"component": component, "part": part, "units": len({row["truck"] for row in told}),
                 "failures": sum(map(is_failure, told))}
            )  # fmt: skip
    return result
