"""Survival, shares, comebacks and counts from the lives of the plain reckoning, in loops; likewise without the package."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter, defaultdict
from itertools import pairwise

from tests.plain.reckoning import (
    EDGE_LB,
    NONE,
    Shop,
    band_of,
    history,
    in_stretch,
    known,
    lifetimes,
    load_on,
    sight,
)

Z = 1.959963984540054  # normal quantile of two-sided 95 %
YEAR = 365.25
FEWEST_AT_RISK = 20


def date(day: int) -> dt.date:
    return dt.date.fromordinal(day)


def ordinal(text: str) -> int:
    return dt.date.fromisoformat(text).toordinal()


# ---- survival ----------------------------------------------------------------------------------------------------------
def is_failure(row: dict) -> bool:
    return row["ended"] == "failed" and row["cause"] != "install"


def looks(rows: list[dict], clock: str) -> list[tuple[float, float, str]]:
    """(entry, time, finding or "") of the lives whose age is known; install errors and the like leave at the age they came."""
    seen = []
    for row in rows:
        entry, lower, upper = (row[f"{side}_{clock}"] for side in ("entry", "lower", "upper"))
        upper = upper if is_failure(row) or row["ended"] != "failed" or not known(upper) else math.inf
        time = upper if is_failure(row) else lower
        if all(map(known, (entry, lower, upper))) and (time > entry or (entry == 0 and is_failure(row))):
            seen.append((entry, time, (row["finding"] or "not stated") if is_failure(row) else ""))
    return seen


def curve(seen: list[tuple[float, float, str]]) -> list[dict]:
    """Kaplan-Meier, Greenwood limits on log(-log S), and the share lost to each finding with the others competing."""
    times = sorted({time for _, time, _ in seen} | {entry for entry, _, _ in seen if entry > 0})
    survival, greenwood, rows = 1.0, 0.0, []
    lost, alone = defaultdict(float), defaultdict(lambda: 1.0)
    for now in times:
        at_risk = sum(time >= now and (entry < now or entry == 0) for entry, time, _ in seen)
        here = [finding for _, time, finding in seen if time == now]
        failed = sum(finding != "" for finding in here)
        for finding in {f for f in here if f}:
            lost[finding] += survival * here.count(finding) / at_risk
            alone[finding] *= 1 - here.count(finding) / at_risk
        if failed:
            survival *= (at_risk - failed) / at_risk
            greenwood += failed / (at_risk * (at_risk - failed)) if at_risk > failed else math.inf
        lower = upper = NONE
        if 0 < survival < 1:
            spread = math.exp(Z * math.sqrt(greenwood) / abs(math.log(survival)))
            lower, upper = survival**spread, survival ** (1 / spread)
        rows.append(
            {"time": now, "at_risk": at_risk, "failed": failed, "censored": here.count(""), "survival": survival, "lower": lower,
             "upper": upper, "lost": dict(lost), "alone": dict(alone), "failed_of": {f: here.count(f) for f in here}}
        )  # fmt: skip
    return rows


def stop_where_thin(rows: list[dict], fewest: int) -> list[dict]:
    """Up to the last time with enough at risk, before the first failure that met too few."""
    last = -1.0
    for row in rows:
        if row["failed"] and row["at_risk"] < fewest:
            break
        if row["at_risk"] >= fewest:
            last = row["time"]
    return [row for row in rows if row["time"] <= last]


def survival(shop: Shop, table: list[dict]) -> list[dict]:
    """survival.csv: of each component, each part, each part by band and class, and by finding where there are several."""
    result = []
    for clock in ("miles", "days", "runs"):
        cells: dict[tuple, list[dict]] = defaultdict(list)
        for row in table:
            component, part = row["component"], row["part"]
            cells[component, "", "", ""].append(row)
            cells[component, part, "", ""].append(row)
            cells[component, part, row["power_band"], row["weight_class"]].append(row)
        for (component, part, band, weight), rows in cells.items():
            whole = curve(looks(rows, clock))
            name = {"component": component, "part": part, "power_band": band, "weight_class": weight, "clock": clock}
            result += [name | {"finding": ""} | row for row in stop_where_thin(whole, shop.at_risk_to_show)]
            findings = sorted(whole[-1]["lost"]) if whole and not band else []
            for finding in findings if len(findings) > 1 else []:
                own = [
                    row | {"survival": 1 - row["lost"].get(finding, 0.0), "failed": row["failed_of"].get(finding, 0)}
                    for row in whole
                ]
                result += [name | {"finding": finding} | row for row in stop_where_thin(own, shop.at_risk_to_show)]
    return result


def finding_shares(shop: Shop, table: list[dict]) -> list[dict]:
    """findings.csv: shares by the age up to which enough are followed."""
    result = []
    for component in shop.components:
        rows = [row for row in table if row["component"] == component]
        seen = looks(rows, "days")
        whole = curve(seen)
        shown = stop_where_thin(whole, shop.at_risk_to_show)
        enough = [row for row in shown if row["at_risk"] >= shop.at_risk_to_show]
        if not enough or not any(finding for _, _, finding in seen):
            continue
        end = enough[-1]
        findings = sorted({finding for _, _, finding in seen if finding})
        share = {f: end["lost"].get(f, 0.0) for f in findings}
        alone = {f: 1 - end["alone"].get(f, 1.0) for f in findings}
        for f in findings:
            result.append(
                {"component": component, "finding": f, "failed": sum(x == f for _, _, x in seen), "by_years": end["time"] / YEAR,
                 "share_back": share[f], "as_if_alone": alone[f], "all_findings": sum(share.values()),
                 "all_as_if_alone": sum(alone.values())}
            )  # fmt: skip
    return result


# ---- comebacks ---------------------------------------------------------------------------------------------------------
class Watched:
    """One unit as its comebacks are counted: the stretches it was in sight, cut to the records, and the days it came back."""

    def __init__(self, shop: Shop, build: dict) -> None:
        self.truck, self.build = build["truck"], build
        stretches, self.end = sight(shop, build)
        self.stop = stretches[-1][1]
        since = shop.records_start or 0
        self.stretches = [
            (max(a, since), b) for a, b in stretches if b > max(a, since) or (a == b == build["start"] >= since)
        ]
        returns = [row for row in build["returns"] if row["cause"] != "no fault"]
        self.comebacks = sorted({day for day in map(self.seen_on, returns) if day is not None})
        self.returned = len({row["day"] for row in returns})

    def seen_on(self, row: dict) -> int | None:
        """The day a comeback is dated, if its failure lies in sight: the return, or the last day in sight before it."""
        for a, b in self.stretches:
            if in_stretch(self.build, max(row["failed"], self.build["start"]), a, b):
                return min(row["day"], b)
        return None

    def history(self, events: list[int], since: int = 0) -> tuple[list[tuple[int, int]], list[int]]:
        """Stretches in sight from the day ``since`` on, and the events in them, in days of age."""
        start = self.build["start"]
        stretches = [(max(a, since), b) for a, b in self.stretches if max(a, since) < b or max(a, since) == b == start]
        own = [day - start for day in events if any(a < day <= b or day == a == start for a, b in stretches)]
        return [(a - start, b - start) for a, b in stretches], own


def units_of(shop: Shop) -> list[Watched]:
    return [Watched(shop, build) for build in shop.trucks if build["start"] <= shop.as_of]


def at_risk(unit: tuple[list[tuple[int, int]], list[int]], age: float) -> bool:
    return any(a < age <= b or a == age == 0 for a, b in unit[0])


def mean_cumulative(units: list[tuple[list[tuple[int, int]], list[int]]]) -> list[dict]:
    """Mean events per unit by age, with limits robust to units that come back often (Lawless and Nadeau 1995)."""
    rows, mean = [], 0.0
    apart = [0.0] * len(units)  # of each unit: its own events less those of the mean, while at risk
    for age in sorted({age for _, events in units for age in events}):
        there = [at_risk(unit, age) for unit in units]
        own = [events.count(age) for _, events in units]
        n, d = sum(there), sum(own)
        mean += d / n
        for k, unit_there in enumerate(there):
            apart[k] += (own[k] - d / n) / n if unit_there else 0.0
        error = math.sqrt(sum(x * x for x in apart))
        spread = math.exp(Z * error / mean)
        rows.append(
            {"time": age, "at_risk": n, "events": d, "mean": mean, "lower": mean / spread, "upper": mean * spread}
        )
    return rows


def by_build_year(units: list[Watched]) -> list[dict]:
    """by_build_year.csv; a year too young or too small to compare is said too."""
    result = []
    years = defaultdict(list)
    for unit in units:
        years[date(ordinal(unit.build["built_on"]) if unit.build["built_on"] else unit.build["start"]).year].append(
            unit
        )
    for year, own in sorted(years.items()):
        singles = [unit.history(unit.comebacks) for unit in own]
        line = mean_cumulative(singles)
        last = max((b for stretches, _ in singles for _, b in stretches), default=0)
        name = {"built_in": str(year), "units": len(own), "comebacks": sum(len(events) for _, events in singles)}
        told = []
        for age in (1.0, 2.0, 3.0):
            n = sum(at_risk(single, age * YEAR) for single in singles)
            if line and n >= FEWEST_AT_RISK and age * YEAR <= last:
                here = [row for row in line if row["time"] <= age * YEAR]
                at = here[-1] if here else {"mean": 0.0, "lower": NONE, "upper": NONE}
                told.append(
                    {
                        "age_years": age,
                        "at_risk": n,
                        "mean_comebacks": at["mean"],
                        "lower": at["lower"],
                        "upper": at["upper"],
                    }
                )
        none = {"age_years": NONE, "at_risk": len(own), "mean_comebacks": NONE, "lower": NONE, "upper": NONE}
        result += [name | row for row in told or [none]]
    return result


# ---- months in service -------------------------------------------------------------------------------------------------
def months_in_service(units: list[Watched], table: list[dict], step: int = 3) -> list[dict]:
    """months_in_service.csv: the last day of a stretch of months belongs to it, the first day of service to the first."""
    span = step * YEAR / 12
    cells: dict[tuple, dict] = defaultdict(lambda: {"units": 0, "days": 0.0, "came": 0, "install_errors": 0})
    for unit in units:
        start = unit.build["start"]
        month = (unit.build["built_on"] or date(start).isoformat())[:7]
        met = defaultdict(lambda: [0.0, 0, 0])
        for a, b in unit.stretches:
            for k in range(int((b - start) // span) + 1):
                days = min(b - start, (k + 1) * span) - max(a - start, k * span)
                if days > 0:
                    met[k][0] += days
        for row in table:
            if row["truck"] == unit.truck and row["ended"] == "failed":
                k = max(math.ceil((ordinal(row["ended_on"]) - start) / span) - 1, 0)
                met[k][1] += 1
                met[k][2] += row["cause"] == "install"
        for k, (days, came, install) in met.items():
            cell = cells[month, k]
            cell["units"] += 1
            cell["days"] += days
            cell["came"] += came
            cell["install_errors"] += install
    return [
        {"built": month, "month_from": k * step, "month_to": (k + 1) * step, "units": cell["units"], "unit_years": cell["days"] / YEAR,
         "came": cell["came"], "install_errors": cell["install_errors"],
         "per_100_unit_years": 100 * cell["came"] / (cell["days"] / YEAR) if cell["days"] else NONE}
        for (month, k), cell in sorted(cells.items())
    ]  # fmt: skip


# ---- several parts broken together -------------------------------------------------------------------------------------
def returns_by_event(shop: Shop) -> list[list[dict]]:
    """Damaged components, those of one unit and day together."""
    events = defaultdict(list)
    for build in shop.builds:
        for row in build["returns"]:
            if row["cause"] != "no fault":
                events[build["serial"], row["day"]].append(row)
    return list(events.values())


def drags_others(shop: Shop) -> list[dict]:
    """drags_others.csv: of the failures that were first, how many took which other component along."""
    firsts = defaultdict(list)
    for event in returns_by_event(shop):
        for component in {row["component"] for row in event}:
            own = [row for row in event if row["component"] == component and row["order"] == "first"]
            if own:
                firsts[component, own[0]["finding"]].append(event)
    result = []
    for (component, finding), events in firsts.items():
        alone = [
            sum(float(row["cost"]) for row in event)
            for event in returns_by_event(shop)
            if {row["component"] for row in event} == {component} and any(row["finding"] == finding for row in event)
        ]
        for other in shop.components:
            hit = [(e, r) for e in events for r in [next((r for r in e if r["component"] == other), None)] if r]
            dragged = sum(row["order"] == "followed" for _, row in hit)
            maybe = sum(row["order"] == "unclear" for _, row in hit)
            if other != component and dragged + maybe:
                costs = [sum(float(row["cost"]) for row in event) for event, _ in hit]
                result.append(
                    {"first": component, "finding": finding or "not stated", "damaged": other, "first_failures": len(events),
                     "dragged": dragged, "may_be_dragged": maybe, "share": dragged / len(events),
                     "mean_cost": sum(costs) / len(costs), "mean_cost_alone": sum(alone) / len(alone) if alone else NONE}
                )  # fmt: skip
    return result


def first_or_followed(shop: Shop) -> list[dict]:
    result = []
    for component in shop.components:
        own = [[r for r in event if r["component"] == component] for event in returns_by_event(shop)]
        orders = [rows[0]["order"] for rows in own if rows]
        if orders:
            result.append(
                {"component": component, "damaged": len(orders), "first_for_sure": orders.count("first"),
                 "followed": orders.count("followed"), "one_of_several": orders.count("unclear")}
            )  # fmt: skip
    return result


def causes_by_year(shop: Shop) -> list[dict]:
    years = defaultdict(list)
    for build in shop.builds:
        for row in build["returns"]:
            if row["order"] != "followed":
                years[date(row["day"]).year].append(row["cause"])
    words = ("part", "install", "over limit", "unclear", "no fault")
    return [{"year": year, **{w: causes.count(w) for w in words}, "all": len(causes)} for year, causes in years.items()]


# ---- limits ------------------------------------------------------------------------------------------------------------
def covers(limit: dict, weight: float) -> bool:
    """An edge holds what lies half a kilogram above it; a truck of unknown weight falls under limits without a weight alone."""
    above = weight > limit["edge"] + EDGE_LB
    return limit["kind"] == "any" or (known(weight) and above == (limit["kind"] == "over"))


def limit_in_force(shop: Shop, component: str, part: str, use: str, weight: float, day: int) -> dict | None:
    """Of the limits in force the narrowest weight that covers the truck, a stated use before any use, the latest date.

    A limit over an edge takes the place of every earlier one for the same use that names another edge above it.
    """
    own = [x for x in shop.limits if (x["component"], x["part"]) == (component, part) and x["day"] <= day]
    own = [x for x in own if x["use"] in ("", use) and covers(x, weight)]
    told = []
    for limit in own:
        later = [x for x in own if x["kind"] == "over" and x["use"] == limit["use"] and limit["kind"] != "any"]
        later = [x for x in later if x["day"] > limit["day"] or (x["day"] == limit["day"] and limit["kind"] == "up to")]
        told += [] if later else [limit]
    return max(told, key=lambda x: (x["narrow"], x["use"] != "", x["day"]), default=None)


def limits_spoken_to(shop: Shop, table: list[dict]) -> list[dict]:
    """Parts that have run within and above each limit of their build, each once a side, and how many failed there."""
    now = date(shop.as_of)
    quarter = dt.date(now.year, 3 * ((now.month - 1) // 3) + 1, 1).toordinal()
    result = []
    for limit in shop.limits:
        sides = {"within": [set(), 0, 0], "above": [set(), 0, 0]}
        for row in table:
            build = shop.by_serial[row["serial"]]
            built = ordinal(build["built_on"]) if build["built_on"] else build["start"]
            if limit_in_force(shop, row["component"], row["part"], row["use"], row["weight_lb"], built) is not limit:
                continue
            if not known(row["power_hp"]):
                continue
            over = row["power_hp"] > limit["power_hp"]
            side = sides["above" if over else "within"]
            side[0].add((row["truck"], row["spell"]))
            side[1] += is_failure(row)
            side[2] += is_failure(row) and ordinal(row["ended_on"]) >= quarter
        result.append(
            {"component": limit["component"], "part": limit["part"], "weight_up_to_lb": limit["edge"] if limit["kind"] == "up to" else NONE,
             "weight_over_lb": limit["edge"] if limit["kind"] == "over" else NONE,
             "use": limit["use"], "power_limit_hp": limit["power_hp"], "effective_on": date(limit["day"]).isoformat(),
             **{f"parts_{name}": len(side[0]) for name, side in sides.items()},
             **{f"failed_{name}": side[1] for name, side in sides.items()},
             **{f"failed_{name}_quarter": side[2] for name, side in sides.items()}}
        )  # fmt: skip
    return result


# ---- by band and class -------------------------------------------------------------------------------------------------
def by_cell(table: list[dict], component: str) -> list[dict]:
    """Failures and unit-years of a component by power band and weight class; a life counts once in each cell it ran in."""
    cells = defaultdict(lambda: {"parts": set(), "failures": 0, "install_errors": 0, "days": 0})
    for row in table:
        if row["component"] == component:
            cell = cells[row["power_band"], row["weight_class"]]
            cell["parts"].add((row["truck"], row["spell"]))
            cell["failures"] += is_failure(row)
            cell["install_errors"] += row["ended"] == "failed" and not is_failure(row)
            cell["days"] += ordinal(row["ended_on"]) - ordinal(row["started_on"])
    return [
        {"component": component, "power_band": band, "weight_class": weight, "parts": len(cell["parts"]), "failures": cell["failures"],
         "install_errors": cell["install_errors"], "unit_years": cell["days"] / YEAR}
        for (band, weight), cell in cells.items()
    ]  # fmt: skip


# ---- again and again ---------------------------------------------------------------------------------------------------
def again(shop: Shop, units: list[Watched], table: list[dict]) -> list[dict]:
    """Mean failures per unit by its age, replacements included, of the units with a part of the component."""
    result = []
    for component in sorted({row["component"] for row in table}):
        singles, times = [], []
        for unit in units:
            own = [r for r in table if (r["truck"], r["component"]) == (unit.truck, component)]
            if not own:
                continue
            since = min(ordinal(row["started_on"]) for row in own)  # the day the first of them was put in
            events = sorted(ordinal(row["ended_on"]) for row in own if is_failure(row))
            single = unit.history(events, since)
            singles += [single] if single[0] else []
            times.append(len(events))
        line = mean_cumulative(singles)
        if line:
            result.append(
                {"component": component, "units": len(singles), "failures": sum(len(events) for _, events in singles),
                 "units_once": times.count(1), "units_more_than_once": sum(n > 1 for n in times),
                 "mean_failures": line[-1]["mean"], "by_years": line[-1]["time"] / YEAR, "lower": line[-1]["lower"],
                 "upper": line[-1]["upper"]}
            )  # fmt: skip
    return result


# ---- new against rebuilt -----------------------------------------------------------------------------------------------
def between_comebacks(shop: Shop, units: list[Watched]) -> list[dict]:
    """Each unit's time from new, or from its nth comeback, to the next, until it first goes out of sight."""
    result = []
    for unit in units:
        if not unit.stretches:
            continue
        since, until = unit.stretches[0]
        band = band_of(shop, load_on(unit.build, unit.build["start"])[0])  # as it went out
        name = {"band": band, "use": unit.build["use"] or "not recorded", "unit": unit.truck}
        begin, entry, n, gone = unit.build["start"], since - unit.build["start"], 0, False
        for day in [day for day in unit.comebacks if day <= until]:
            result.append(name | {"n": n, "entry": entry, "time": day - begin, "failed": True})
            begin, entry, n = day, 0, n + 1
            gone = any(r["day"] == day and r["replaced_with"] == "scrapped" for r in unit.build["returns"])
            if gone:
                break
        if not gone and until > begin:
            result.append(name | {"n": n, "entry": entry, "time": until - begin, "failed": False})
    return [row for row in result if row["time"] > row["entry"] or (row["entry"] == 0 and row["failed"])]


def strata(rows: list[dict]) -> dict[tuple, list[float]]:
    """Years and comebacks by age since new or rebuilt, power band and use; an age on an edge belongs to the younger side."""
    cells: dict[tuple, list[float]] = defaultdict(lambda: [0.0, 0])
    edges = [0.0, 0.25 * YEAR, YEAR, 2 * YEAR, 3 * YEAR, math.inf]
    for row in rows:
        for low, high in pairwise(edges):
            cell = cells[row["band"], row["use"], low]
            cell[0] += max(min(row["time"], high) - max(row["entry"], low), 0) / YEAR
            cell[1] += row["failed"] and (low < row["time"] <= high or row["time"] == low == 0)
    return cells


def rebuilt(shop: Shop, units: list[Watched]) -> list[dict]:
    """rebuilt.csv: comebacks of rebuilt units against those expected at the rates of new units alike."""
    every = between_comebacks(shop, units)
    new = strata([row for row in every if row["n"] == 0])
    result = []
    for n, words in enumerate(("new", "once", "twice or more")):
        rows = [row for row in every if row["n"] == n or row["n"] > n == 2]
        if not rows:
            continue
        mine = strata(rows)
        alike = [key for key in mine if key in new and new[key][0] > 0]
        expected = sum(mine[key][0] * new[key][1] / new[key][0] for key in alike)
        compared = sum(mine[key][1] for key in alike)
        line = stop_where_thin(
            curve([(r["entry"], r["time"], "back" if r["failed"] else "") for r in rows]), FEWEST_AT_RISK
        )
        year = [r["survival"] for r in line if r["time"] <= YEAR] if line and line[-1]["time"] >= YEAR else None
        result.append(
            {"rebuilds": words, "units": len({row["unit"] for row in rows}), "unit_years": sum(y for y, _ in mine.values()),
             "comebacks": sum(k for _, k in mine.values()), "compared_comebacks": compared,
             "expected_as_new": expected if n else NONE, "ratio": compared / expected if n and expected >= 1 else NONE,
             "back_in_a_year": NONE if year is None else 1 - (year[-1] if year else 1.0)}
        )  # fmt: skip
    return result


# ---- the quarter -------------------------------------------------------------------------------------------------------
def quarter_start(day: int, back: int = 0) -> int:
    """First day of the calendar quarter a day lies in, or of one so many quarters earlier."""
    now = date(day)
    months = 12 * now.year + 3 * ((now.month - 1) // 3) - 3 * back
    return dt.date(months // 12, months % 12 + 1, 1).toordinal()


def change(shop: Shop, units: list[Watched], table: list[dict]) -> list[dict]:
    """Damaged components that broke for themselves, and unit-years, this quarter, the last and the four before."""
    now, last, base = (quarter_start(shop.as_of, back) for back in (0, 1, 4))
    spans = {"": (now, shop.as_of), "last_quarter": (last, now - 1), "year_before": (base, now - 1)}
    result = []
    for component in shop.components:
        own = [row for row in table if row["component"] == component]
        if not own:
            continue
        line = {"component": component}
        days = []
        for unit in units:
            for row in unit.build["returns"]:
                if row["component"] == component and row["cause"] != "no fault" and row["order"] != "followed":
                    day = unit.seen_on(row)
                    days += [day] if day is not None else []
        for name, (since, until) in spans.items():
            years = 0.0
            for row in own:
                start, end = ordinal(row["started_on"]), ordinal(row["ended_on"])
                years += max(min(end, until + 1) - max(start, since), 0) / YEAR
            line[name or "comebacks"] = sum(since <= day <= until for day in days)
            line[f"{name}_unit_years" if name else "unit_years"] = years
        result.append(line)
    return result


def came_back(shop: Shop, component_of: dict[str, str]) -> list[dict]:
    """One line per component returned in the quarter."""
    result = []
    for build in shop.builds:
        for row in build["returns"]:
            if row["day"] >= quarter_start(shop.as_of):
                part = build[component_of[row["component"]]]
                power, weight, use = build["load"]
                result.append(
                    {"returned_on": date(row["day"]).isoformat(), "serial": build["serial"], "component": row["component"],
                     "part_at_build": {"none": "", "": "not recorded"}.get(part, part), "finding": row["finding"],
                     "order": row["order"], "cause": row["cause"], "power_at_build_hp": power, "weight_at_build_lb": weight,
                     "use": use, "unit_days_in_service": row["day"] - build["start"], "cost": row["cost"]}
                )  # fmt: skip
    return result


# ---- the fleet ---------------------------------------------------------------------------------------------------------
def middle(values: list[float]) -> float:
    values = sorted(values)
    half = len(values) // 2
    return NONE if not values else values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2


def fleet(shop: Shop, units: list[Watched]) -> list[dict]:
    """Units, ages and known odometers by use."""
    result = []
    for use in sorted({unit.build["use"] for unit in units}):
        own = [unit for unit in units if unit.build["use"] == use]
        read = [(history(shop, unit.build, "miles")[-1], unit.build["start"]) for unit in own]
        driven = [miles / (day - start) * YEAR for (day, miles), start in read if day > start]
        result.append(
            {"use": use or "not recorded", "units": len(own), "in_use": sum(unit.end == "in use" for unit in own),
             "median_years": middle([(unit.stop - unit.build["start"]) / YEAR for unit in own]),
             "came_back": sum(unit.returned > 0 for unit in own), "odometer_known": len(driven),
             "median_miles_a_year": middle(driven)}
        )  # fmt: skip
    return result


def once_a_row(units: list[Watched]) -> list[Watched]:
    """One for all the trucks of a row of builds that never came back, and each that did."""
    rest = {unit.build["serial"]: unit for unit in reversed(units) if not unit.build["returns"]}
    return [unit for unit in units if unit.build["returns"] or rest[unit.build["serial"]] is unit]


def random_calls(shop: Shop, units: list[Watched]) -> list[dict]:
    """Units in use that nobody has heard of for a year or more; fewer than the calls, so that all are drawn."""
    result = []
    for unit in once_a_row(units):
        build = unit.build
        heard = [row["day"] for name in ("returns", "readings", "changes") for row in build[name]]
        heard += [row["day"] for row in build["fitted"] if row["day"] is not None]
        if unit.end == "in use" and shop.as_of - max([build["start"], *heard]) >= 365:
            result.append(
                {"serial": build["serial"], "in_service_on": date(build["start"]).isoformat(), "use": build["use"]}
            )
    return result


def above_limit(shop: Shop, units: list[Watched], table: list[dict]) -> list[dict]:
    """above_limit.csv: units in service with a part above the limit in force today, with the load they carry from today on."""
    result = []
    for unit in once_a_row(units):
        over, (power, weight, use) = [], load_on(unit.build, shop.as_of)
        for row in table:
            if row["followed"] and row["truck"] == unit.truck and (known(row["lower_miles"]) or row["lower_days"] > 0):
                limit = limit_in_force(shop, row["component"], row["part"], use, weight, shop.as_of)
                if limit and power > limit["power_hp"]:
                    over.append((power / limit["power_hp"] - 1, row))
        if over:
            row = over[0][1]
            read = history(shop, unit.build, "miles")[-1][0]
            result.append(
                {"serial": row["serial"], "over_by": max(share for share, _ in over), "power_hp": power,
                 "weight_lb": weight, "use": use or "not recorded",
                 "years_out": (unit.stop - unit.build["start"]) / YEAR, "odometer_known": read > unit.build["start"]}
            )  # fmt: skip
    return result


def counts(shop: Shop) -> list[dict]:
    """counts.csv: every row read is used or set aside."""
    aside = Counter(row["file"].removesuffix(".csv") for row in shop.aside)
    return [
        {"sheet": name, "read": n, "used": n - aside[name], "set_aside": aside[name]} for name, n in shop.read.items()
    ]


def set_aside(shop: Shop) -> list[dict]:
    """set_aside.csv: which rows are not used, with the cell that tells it."""
    return [{key: row[key] for key in ("file", "row", "column", "raw", "reason")} for row in shop.aside]


def alike(own: list[dict], row: dict, column: str) -> bool:
    """Whether what is unknown of a row is taken from trucks of the same use that fared alike: five or more have it, and at least
    as many as have not."""
    broken = {r["truck"] for r in own if r["ended"] == "failed"}
    same = [r for r in own if r["use"] == row["use"] and (r["truck"] in broken) == (row["truck"] in broken)]
    have = {r["truck"] for r in same if known(r[column])}
    lack = {r["truck"] for r in same if not known(r[column])}
    return len(have) >= 5 and len(lack) <= len(have)


def with_particulars(own: list[dict]) -> list[dict]:
    """Of the rows of a part those whose power and weight are on record, or taken from others alike; where no weight is, by power alone."""
    weighed = any(known(r["weight_lb"]) for r in own)
    return [
        r
        for r in own
        if (known(r["power_hp"]) or alike(own, r, "power_hp"))
        and (known(r["weight_lb"]) or not weighed or alike(own, r, "weight_lb"))
    ]


# ---- a quarter replayed --------------------------------------------------------------------------------------------------
def replayed(before: Shop, after: Shop) -> list[dict]:
    """Of the lives running at a quarter's end: how many have failed by the next, and how many of them in between."""
    then, since = lifetimes(before), lifetimes(after)
    life = ("truck", "component", "spell")
    failed = {tuple(r[c] for c in life): ordinal(r["ended_on"]) for r in since if is_failure(r)}
    result = []
    for component, part in sorted({(r["component"], r["part"]) for r in then}):
        own = [r for r in then if (r["component"], r["part"]) == (component, part)]
        told = with_particulars(own)
        aged = [
            r for r in told if known(r["lower_miles"]) or r["lower_days"] > 0 or (is_failure(r) and r["upper_days"] > 0)
        ]
        followed = [r for r in own if r["followed"]]
        line = {"component": component, "part": part, "failures": sum(map(is_failure, aged))}
        if not line["failures"]:
            continue
        for name, rows in (
            ("", [r for r in followed if r in aged]),
            ("left_out_", [r for r in followed if r not in aged]),
        ):
            came = [failed[tuple(r[c] for c in life)] for r in rows if tuple(r[c] for c in life) in failed]
            line[f"{name}came_back"] = len(came)
            if not name:
                line |= {"units": len(rows), "failed_in_quarter": sum(day > before.as_of for day in came)}
            else:
                line["left_out"] = len(rows)
        result.append(line)
    return result
