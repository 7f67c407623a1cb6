"""The figures of a shop reckoned a second time, from its CSV files, in plain loops.

Written from what the README says the sheets mean. Nothing of the package is imported, so that a fault of the package
cannot be a fault of this too. Cells are taken to be clean (dates as 2024-03-31, no misspelt serial): reading what people
type is tested elsewhere. Days are whole numbers (date.toordinal()).
"""

from __future__ import annotations

import csv
import datetime as dt
import math
import tomllib
from itertools import pairwise
from pathlib import Path

NONE = float("nan")
NOT_RECORDED = "not recorded"
#: hp, lb and miles in the units a cell can have
FACTOR = {
    "hp": 1.0, "whp": 1.0, "kW": 1000 / 745.69987158227022, "PS": 735.49875 / 745.69987158227022,
    "lb": 1.0, "kg": 1 / 0.45359237, "t": 1000 / 0.45359237, "miles": 1.0, "km": 1000 / 1609.344,
}  # fmt: skip
#: a part entered in ``fitted`` this soon after a return is the one that return put in (common practice, no source)
SAME_PART_DAYS = 60
GONE = ("sold", "lost", "scrapped")
#: a class holds what lies above its edge by half a kilogram, a band begins half a kilowatt under its edge: figures are rounded
EDGE_LB, EDGE_HP = 0.5 / 0.45359237 + 1e-6, 500 / 745.69987158227022 + 1e-6


# ---- the sheets --------------------------------------------------------------------------------------------------------
def day_of(cell: str) -> int | None:
    return dt.date.fromisoformat(cell).toordinal() if cell[:4].isdigit() else None


def amount(cell: str, unit: str) -> float:
    """A number with or without its unit, or the middle of a range; NaN where the cell is blank."""
    if not cell:
        return NONE
    figure, _, own = cell.partition(" ")
    ends = [float(end) for end in figure.split("-")]
    return sum(ends) / len(ends) * FACTOR[own or unit]


def number(cell: str) -> float:
    return float(cell) if cell else NONE


def known(value: float) -> bool:
    return value == value


class Shop:
    """The rows the shop could know of by its as-of day, with what they say in hp, lb and miles."""

    def __init__(self, folder: Path, as_of: str = "") -> None:
        self.settings = tomllib.loads((folder / "shop.toml").read_text())
        shop, checks = self.settings["shop"], self.settings.get("checks", {})
        self.as_of = day_of(as_of or shop["as_of"])
        self.records_start = day_of(shop.get("records_start", ""))
        self.components = self.settings["components"]
        self.at_risk_to_show = checks.get("at_risk_to_show", 5)
        self.hidden = self.settings.get("findings", {}).get("found_at_teardown", [])
        self.units = {"power": "hp", "weight": "lb", "distance": "miles"} | self.settings.get("units", {})
        self.read: dict[str, int] = {}  # rows of each sheet
        self.aside: list[dict] = []  # those that are not used: file, row, column, raw, says
        self.by_serial: dict[str, dict] = {}
        self.builds = [self.build(row) for row in self.rows(folder, "builds", "built_on", "in_service_on")]
        self.by_serial = {build["serial"]: build for build in self.builds}
        for name, *days in (
            ("returns", "returned_on", "failed_on"), ("readings", "read_on"), ("changes", "changed_on"), ("fitted", "fitted_on"),
        ):  # fmt: skip
            for build in self.builds:
                build[name] = []
            for row in self.rows(folder, name, *days):
                self.by_serial[row["serial"]][name].append(row)
        for build in self.builds:
            self.returns(build)
            for row in build["changes"]:
                row["load"] = (self.power(row), amount(row["weight"], self.units["weight"]), row["use"])
        self.trucks = [truck for build in self.builds for truck in singles(build)]
        self.limits = self.limits_of(self.rows(folder, "limits", "effective_on"))
        self.judge_again(self.rows(folder, "judged_again", "judged_on"))

    def rows(self, folder: Path, name: str, *days: str) -> list[dict]:
        """Rows of a sheet known of by the as-of day, by the first of ``days`` that is filled, or undated; without those that are no record."""
        with (folder / f"{name}.csv").open(newline="") as sheet:
            rows = list(csv.DictReader(sheet))
        for row in rows:
            dates = [day_of(row[heading]) for heading in days]
            row["day"] = next((day for day in dates if day is not None), None)
            for heading in days:
                row[heading + "?"] = day_of(row[heading])
        known_of = [(n, row) for n, row in enumerate(rows, 2) if row["day"] is None or row["day"] <= self.as_of]
        if name == "builds":
            self.to_come = {row["serial"] for row in rows} - {row["serial"] for _, row in known_of}
        elif name == "fitted":  # what was put in is known with its build
            known_of = [(n, row) for n, row in known_of if row["serial"] not in self.to_come]
        told: dict[tuple, int] = {}
        kept = []
        for line, row in known_of:
            column, says = self.no_record(name, row, told.setdefault(tuple(row.values()), line), line)
            row["line"] = line
            if says:
                self.put_aside(name, row, column, says)
            else:
                kept.append(row)
        self.read[name] = len(known_of)
        return kept

    def put_aside(self, name: str, row: dict, column: str, says: str) -> None:
        self.aside.append(
            {"file": f"{name}.csv", "row": row["line"], "column": column, "raw": row[column], "reason": says}
        )

    def no_record(self, name: str, row: dict, first: int, line: int) -> tuple[str, str]:
        """The column and the reason why a row is no record; first: where the same is entered first. ("", "") for one that is."""
        if name not in ("builds", "limits") and row["serial"] not in self.by_serial:
            return "serial", "no build with this serial"
        if first < line and (name == "builds" or (name == "returns" and self.by_serial[row["serial"]]["count"] == 1)):
            return "serial", f"the same {name[:-1]} is entered in row {first}"
        if first < line and name in ("changes", "fitted"):
            return "serial", "is entered twice"
        column, *says = {
            "readings": ("odometer", "runs", "still_running", "odometer_replaced"),
            "changes": ("power", "weight", "use"),
            "judged_again": ("finding", "order", "cause"),
        }.get(name, ("",))  # fmt: skip
        return (column, "that could be read") if says and not any(row[h] for h in (column, *says)) else ("", "")

    def judge_again(self, rows: list[dict]) -> None:
        """Each is of the last return of its component before it, or of the one it names, if that is one and not judged again before."""
        taken: dict[int, int] = {}
        for row in sorted(rows, key=lambda row: (row["day"], row["finding"], row["order"], row["cause"])):
            own = [r for r in self.by_serial[row["serial"]]["returns"] if r["component"] == row["component"]]
            on = day_of(row["returned_on"])
            days = [r["day"] for r in own if (r["day"] == on if on else r["day"] <= row["day"])]
            fits = [id(r) for r in own if days and r["day"] == max(days)]
            if len(fits) == 1 and fits[0] not in taken:
                taken[fits[0]] = row["line"]
            else:
                says = f"{len(fits)} returns of this component" if fits else "no return of this unit and component"
                says = f"already judged again in row {taken[fits[0]]}" if len(fits) == 1 else says
                self.put_aside("judged_again", row, "serial", says)

    def power(self, row: dict, heading: str = "power") -> float:
        """At the crank."""
        wheels = row[heading].endswith("whp") or row.get("power_measured_at") == "wheels"
        return amount(row[heading], self.units["power"]) / (0.82 if wheels else 1.0)

    def limits_of(self, rows: list[dict]) -> list[dict]:
        """Limits as published, up to a weight, over one or for any; of two that differ in power alone neither is believed."""
        for row in rows:
            kind, _, cell = row["weight_up_to"].rpartition("over ")
            edge = amount(cell, self.units["weight"])
            row["kind"] = (
                "over" if kind or row["weight_up_to"].startswith("over") else "up to" if known(edge) else "any"
            )
            row |= {"power_hp": self.power(row, "power_limit"), "edge": edge}
        kept: dict[tuple, list[dict]] = {}
        for row in rows:
            part = (row["component"], row["part"])
            alike = [x["edge"] for x in rows if (x["component"], x["part"], x["kind"]) == (*part, row["kind"])]
            edges = sorted(edge for edge in alike if edge <= row["edge"])
            # edges half a kilogram apart are one, whatever their units
            one = sum(b - a > EDGE_LB for a, b in pairwise(edges))
            row["narrow"] = (["any", "over", "up to"].index(row["kind"]), -one if row["kind"] == "up to" else one)
            kept.setdefault((*part, row["narrow"], row["use"], row["day"]), []).append(row)
        for own in kept.values():
            first = {round(row["power_hp"], 6): row for row in reversed(own)}
            for row in own:
                if row not in first.values():
                    self.put_aside("limits", row, "power_limit", "the same limit is entered twice")
                elif len(first) > 1:
                    self.put_aside("limits", row, "power_limit", "another limit of the same day")
        return [own[0] for own in kept.values() if len({round(row["power_hp"], 6) for row in own}) == 1]

    def build(self, row: dict) -> dict:
        start = row["built_on?"] if row["in_service_on?"] is None else row["in_service_on?"]
        return row | {
            "start": start,
            "count": int(row["count"] or 1),
            "load": (self.power(row), amount(row["weight"], self.units["weight"]), row["use"]),
            "install": amount(row["odometer_at_install"], self.units["distance"]),
        }

    def returns(self, build: dict) -> None:
        """What the returns of a build mean where they leave it blank."""
        for row in build["returns"]:
            alone = {r["component"] for r in build["returns"] if r["day"] == row["day"] and r["cause"] != "no fault"}
            if row["cause"] == "no fault":
                row["order"] = ""
            elif not row["order"]:
                row["order"] = "unclear" if len(alone) > 1 else "first"
            row["cause"] = row["cause"] or "unclear"
            row["teardown"] = row["failed_on"] == "teardown" or row["finding"] in self.hidden
            row["failed"] = row["day"] if row["failed_on?"] is None else row["failed_on?"]


def singles(build: dict) -> list[dict]:
    """The trucks a row of builds stands for, each with its name (truck), whatever day the records are looked at. In order of
    day each return is of another one, as long as there is one; then of the one that came back longest ago. Readings and
    changes hold for each; parts fitted later are of nobody knows which."""
    several = build["count"] > 1
    trucks = [build | {"several": several, "truck": (build["serial"], k)} for k in range(build["count"])]
    if not several:
        return trucks
    fitted = [row for row in build["fitted"] if row["day"] is None or row["day"] <= build["start"]]
    trucks = [truck | {"returns": [], "fitted": fitted} for truck in trucks]
    queue, gone = list(trucks), []
    for day in sorted({row["day"] for row in build["returns"]}):
        truck = (queue or gone).pop(0)  # gone as they are, one of them was seen again
        own = [row for row in build["returns"] if row["day"] == day]
        if truck["returns"]:  # whose odometer it is, is not known
            own = [row | {"odometer": "", "miles_in_service": "", "runs": ""} for row in own]
        truck["returns"] += own
        (gone if any(row["replaced_with"] == "scrapped" for row in own) else queue).append(truck)
    return trucks


# ---- when a unit is in sight -------------------------------------------------------------------------------------------
def sight(shop: Shop, build: dict) -> tuple[list[tuple[int, int]], str]:
    """Stretches of days in which a break of the unit would have been heard of, and how the last one ends.

    A unit sold, lost or scrapped is out of sight from that day until it is heard of again; one that does not run ends
    there if nothing is heard of it after.
    """
    words: dict[int, str] = {}
    heard = [(row["day"], "" if row["still_running"] == "yes" else row["still_running"]) for row in build["readings"]]
    heard += [(row["day"], "scrapped" if row["replaced_with"] == "scrapped" else "") for row in build["returns"]]
    heard += [(row["day"], "") for row in build["fitted"] if row["day"] is not None and row["day"] > build["start"]]
    heard += [(row["day"], "") for row in build["changes"]]
    weight = ["", "no", "lost", "sold", "scrapped"]
    for day, word in heard:
        words[day] = max(word, words.get(day, ""), key=weight.index)
    stretches, since, stopped, end = [], build["start"], None, "in use"
    for day in sorted(words):
        word = words[day]
        if word in GONE and since is not None:
            stretches.append((since, day))
            since, end = None, word
        elif word not in GONE and since is None:
            since = day
        if word == "no" and since is not None:
            stopped = day if stopped is None else stopped
        elif word != "no":
            stopped = None
    if since is not None:
        end = "in use" if stopped is None else "no"
        stretches.append((since, shop.as_of if stopped is None else stopped))
    return stretches, end


def in_stretch(build: dict, day: int, since: int, until: int) -> bool:
    """What befell a unit on the last day of a stretch counts, on the first only if it went into service then."""
    return since < day <= until or (day == since == build["start"] and since <= until)


# ---- what its odometer says --------------------------------------------------------------------------------------------
def history(shop: Shop, build: dict, clock: str) -> list[tuple[int, float]]:
    """(day, miles or runs since in service) of a unit, in order; nought at the start."""
    if clock == "runs":
        told = [(row["day"], number(row["runs"])) for row in build["readings"]]
        told += [(row["failed"], number(row["runs"])) for row in build["returns"]]
        figures = {}
        for day, runs in told:
            if known(runs):
                figures[day] = max(runs, figures.get(day, 0.0))
        return sorted(({build["start"]: 0.0} | figures).items())
    unit, base = shop.units["distance"], -build["install"]
    rows = [(row["day"], row) for name in ("readings", "changes") for row in build[name]]
    rows += [(row["failed"], row) for row in build["returns"]]
    rows += [(row["day"], row) for row in build["fitted"] if row["day"] is not None and row["day"] > build["start"]]
    figures, reached = {build["start"]: 0.0}, 0.0
    for day, row in sorted(rows, key=lambda item: item[0]):
        miles = amount(row["odometer"], unit) + base
        if known(amount(row.get("miles_in_service", ""), unit)):
            miles = amount(row["miles_in_service"], unit)
        replaced = row.get("odometer_replaced", "")
        if replaced:  # a new odometer starts at nought; without the old one's last figure the miles between are lost
            base = base + amount(replaced, unit) if replaced != "yes" else reached if known(base) else NONE
            miles = base
        if known(miles):
            figures[day] = max(miles, figures[day]) if day in figures and day != build["start"] else miles
            reached = miles
    return sorted(figures.items())


def last_figure(figures: list[tuple[int, float]], day: int) -> tuple[int, float]:
    return [figure for figure in figures if figure[0] <= day][-1]


def figure_on(figures: list[tuple[int, float]], day: int) -> tuple[float, bool]:
    """Value on a day, on a straight line between figures (and whether it is); NaN after the last."""
    before_day, before = last_figure(figures, day)
    if before_day == day:
        return before, False
    after = [figure for figure in figures if figure[0] > day]
    if not after:
        return NONE, False
    after_day, then = after[0]
    return before + (then - before) * ((day - before_day) / (after_day - before_day)), True


# ---- the lives at one position -----------------------------------------------------------------------------------------
def first_part(build: dict, heading: str, component: str) -> tuple[str, str]:
    """Part and lot at the build; ``fitted`` is believed before ``builds``."""
    part, lot = {"none": "", "": NOT_RECORDED}.get(build[heading], build[heading]), ""
    own = [row for row in build["fitted"] if row["component"] == component]
    for row in sorted(own, key=lambda row: (row["day"] is not None, row["day"] or 0)):
        if row["day"] is None or row["day"] <= build["start"]:
            part, lot = row["part"], row["lot"]
    return part, lot


def ends_a_life(row: dict) -> str:
    """How a return ends the part's life: it failed, was taken out whole or broken by another, or stays ("")."""
    if row["cause"] == "no fault":
        return "removed" if row["replaced_with"] else ""
    return "removed" if row["order"] == "followed" else "failed"


def walk(build: dict, heading: str, component: str, stop: int, end: str) -> list[dict]:
    """Lives at one position of one unit, in order. counted_from: the day whose odometer a life starts from."""
    part, lot = first_part(build, heading, component)
    lives: list[dict] = []
    empty = {"part": "", "lot": "", "fitted": build["start"], "counted_from": build["start"]}
    here, fitted = empty | {"part": part, "lot": lot}, part != ""
    last_return, last_life = None, None
    events = [(row["day"], 0, row) for row in build["returns"] if row["component"] == component and ends_a_life(row)]
    own = [row for row in build["fitted"] if row["component"] == component]
    events += [(row["day"], 1, row) for row in own if row["day"] is not None and row["day"] > build["start"]]
    events.sort(key=lambda e: (e[0], e[1], e[1] == 0 and ends_a_life(e[2]) != "failed", e[2].get("finding", "")))
    for day, kind, row in events:
        if kind == 1:
            counted = here["counted_from"]
            if last_return is None or day - last_return > SAME_PART_DAYS:  # not the one the return put in
                if fitted:
                    lives.append(here | {"ended": day, "how": "removed"})
                counted = day
            here, fitted = {"part": row["part"], "lot": row["lot"], "fitted": day, "counted_from": counted}, True
            last_return = last_life = None
            continue
        how = ends_a_life(row)
        if day == last_return:  # a second piece of the component, which had run as long
            if how == "failed" and last_life:
                lives.append(last_life | {"ended": max(row["failed"], last_life["fitted"]), "how": how, "row": row})
            if fitted and here["part"] != NOT_RECORDED:
                continue
        else:
            if not fitted or here["part"] == NOT_RECORDED:  # it came back, so one was in there
                here = here | {"part": row["part"] or (not fitted and here["part"]) or NOT_RECORDED}
            lives.append(here | {"ended": max(row["failed"], here["fitted"]), "how": how, "row": row})
            last_life, last_return = here, day
            counted = max(row["failed"], here["counted_from"])
            here = {"part": "", "lot": "", "fitted": day, "counted_from": counted}
        new = row["replaced_with"]
        fitted = new not in ("not replaced", "scrapped")
        here = here | {"part": (new or NOT_RECORDED) if fitted else ""}
    if fitted and here["fitted"] <= stop and not (here["fitted"] == stop and end != "in use" and lives):
        lives.append(here | {"ended": stop, "how": "running"})
    return [life | {"spell": spell} for spell, life in enumerate(lives, 1)]


# ---- lives cut where the load changed, and to the time in sight ----------------------------------------------------------
def load_on(build: dict, day: int) -> tuple[float, float, str]:
    """Power, weight and use from ``day`` on: of the build, then of each change up to that day; a blank changes nothing."""
    power, weight, use = build["load"]
    for row in sorted(build["changes"], key=lambda row: row["day"]):
        if row["day"] <= day:
            power = row["load"][0] if known(row["load"][0]) else power
            weight = row["load"][1] if known(row["load"][1]) else weight
            use = row["load"][2] or use
    return power, weight, use


def pieces(shop: Shop, build: dict, life: dict, stretches: list[tuple[int, int]]) -> list[dict]:
    """A life cut where the load changed, without what lay out of sight or before the records start."""
    fitted, ended = life["fitted"], life["ended"]
    row = life.get("row")
    life["hidden"] = life["how"] == "failed" and row["teardown"]
    opened = [r["day"] for r in build["returns"] if r["cause"] != "no fault" and fitted <= r["day"] < ended]
    good = max(opened, default=fitted)  # a part found damaged at a teardown was last known good when opened before
    life["good"] = good if opened else None
    cuts = sorted({row["day"] for row in build["changes"] if fitted < row["day"] < ended})
    loads = {fitted: load_on(build, fitted)} | {day: load_on(build, day) for day in cuts}
    if (
        life["hidden"] and cuts and cuts[-1] > good
    ):  # it may have been broken before the change: the load at the end holds
        loads = {day: load for day, load in loads.items() if day < good} | {good: load_on(build, ended - 1)}
    # nothing is in sight of a unit whose last day is that on which the records start
    begins = shop.records_start
    if begins is not None:
        stretches = [(a, b) for a, b in stretches if b > begins or a == b == build["start"] == begins]
    cut = []
    starts = sorted(loads)
    for since, until in zip(starts, [*starts[1:], ended], strict=True):
        for a, b in stretches:
            start, stop = max(since, a), min(until, b)
            if start < stop or (since == until and in_stretch(build, since, a, b)):
                cut.append({"since": start, "until": stop, "load": loads[since], "end": False})
    if cut and cut[-1]["until"] == ended:
        cut[-1]["end"] = True
    result = []
    for number, piece in enumerate(cut):
        how = life["how"] if piece["end"] else "changed" if number < len(cut) - 1 else "running"
        if begins is None or piece["since"] >= begins or piece["until"] > begins:
            since = piece["since"] if begins is None else max(piece["since"], begins)
            result.append(piece | {"since": since, "how": how, "segment": len(result) + 1})
    return result


def count_days(life: dict, piece: dict) -> dict:
    fitted = life["fitted"]
    entry, upper = piece["since"] - fitted, piece["until"] - fitted
    failed = piece["how"] == "failed"
    lower = upper
    if failed and life["hidden"]:
        lower = max(entry, life["good"] - fitted) if life["good"] is not None else entry
    return {"entry_days": entry, "lower_days": lower, "upper_days": upper if failed else float("inf")}


def count_figures(life: dict, piece: dict, figures: list[tuple[int, float]], clock: str) -> dict:
    """Miles or runs on the part: a running one is known to have survived to the last figure of its unit."""
    since, until, how = piece["since"], piece["until"], piece["how"]
    base, _ = figure_on(figures, life["counted_from"])
    entry, entry_line = (base, False) if since == life["fitted"] else figure_on(figures, since)
    end, end_line = figure_on(figures, until)
    at_end = how == "failed" or (how == "changed" and known(end))
    last_day, last = last_figure(figures, until)
    seen = last_day > since or (last_day >= until and since == until)
    lower = end if at_end else last if seen else NONE
    if how == "failed" and life["hidden"] and known(end):
        _, good = last_figure(figures, since if life["good"] is None else life["good"])
        lower = min(max(good, entry), end) if known(entry) else min(good, end)
    if life["whose"] == "not known":  # which of several trucks it was, and what that had run
        base = entry = lower = NONE
    told = known(lower - base)
    # to a millionth: figures typed in km that are alike are not so to the last bit
    result = {
        f"entry_{clock}": round(entry - base, 6),
        f"lower_{clock}": round(lower - base, 6),
        f"upper_{clock}": NONE if not told else round(end - base, 6) if how == "failed" else float("inf"),
    }
    if clock == "miles":
        line = entry_line or (end_line and at_end)
        kind = "interpolated" if line else "return" if how in ("failed", "removed") else "reading"
        result["miles_from"] = kind if told else "none"
        result["miles_days"] = (until if at_end else last_day) - life["fitted"] if told else NONE
    return result


def edges_in_words(edges: list, unit: str) -> list[str]:
    """Edges of bands in the shop's own unit, to whole ones (tonnes to hundredths), finer where two would be alike."""
    if FACTOR[unit] == 1:
        return [f"{edge:,}" for edge in edges]
    places = 2 if unit == "t" else 0
    while len({round(edge / FACTOR[unit], places) for edge in edges}) < len(edges):
        places += 1
    return [f"{edge / FACTOR[unit]:,.{places}f}" for edge in edges]


def band_of(shop: Shop, power: float) -> str:
    edges = shop.settings.get("power", {}).get("bands", [400, 600, 1000])
    words = edges_in_words(edges, shop.units["power"])
    names = [f"under {words[0]}", *(f"{a} to {b}" for a, b in pairwise(words)), f"{words[-1]} and over"]
    return names[sum(power >= edge - EDGE_HP for edge in edges)] if known(power) else NOT_RECORDED


def class_of(shop: Shop, weight: float) -> str:
    edges = shop.settings.get("weight", {}).get("classes", [7500, 9000])
    words = edges_in_words(edges, shop.units["weight"])
    names = [f"up to {words[0]}", *(f"{a} to {b}" for a, b in pairwise(words)), f"over {words[-1]}"]
    return names[sum(weight > edge + EDGE_LB for edge in edges)] if known(weight) else NOT_RECORDED


def lifetimes(shop: Shop) -> list[dict]:
    """One row per part fitted, spell and segment, a truck a row, under the headings of lifetimes.csv. truck: which one."""
    table = []
    for build in shop.trucks:
        stretches, end = sight(shop, build)
        stop = stretches[-1][1]
        if build["start"] > stop:
            continue  # not yet in service
        figures = {clock: history(shop, build, clock) for clock in ("miles", "runs")}
        for component, heading in shop.components.items():
            for life in walk(build, heading, component, stop, end):
                life["whose"] = "not known" if build["several"] and life["spell"] > 1 else "known"
                for piece in pieces(shop, build, life, stretches):
                    row = row_of(shop, build, component, life, piece, figures)
                    followed = row["ended"] == "running" and piece["until"] == shop.as_of and end == "in use"
                    table.append(
                        row | {"truck": build["truck"], "unit_days": stop - build["start"], "followed": followed}
                    )
    return table


def row_of(shop: Shop, build: dict, component: str, life: dict, piece: dict, figures: dict) -> dict:
    power, weight, use = piece["load"]
    failed = piece["how"] == "failed"
    row = life.get("row") if piece["end"] else None
    rpm = number(build["rpm"]) if power == build["load"][0] else NONE  # the engine speed of a later tune is not known
    return {
        "serial": build["serial"],
        "component": component,
        "part": life["part"],
        "lot": life["lot"],
        "spell": life["spell"],
        "segment": piece["segment"],
        **count_figures(life, piece, figures["miles"], "miles"),
        **count_days(life, piece),
        **count_figures(life, piece, figures["runs"], "runs"),
        "ended": piece["how"],
        "cause": row["cause"] if row and failed else "",
        "finding": row["finding"] if row else "",
        "order": row["order"] if row else "",
        "power_hp": power,
        "torque_lbft": power * 33000 / (2 * math.pi) / rpm,
        "weight_lb": weight,
        "use": use,
        "power_band": band_of(shop, power),
        "weight_class": class_of(shop, weight),
        "builder": build["builder"],
        "built_on": build["built_on"],
        "started_on": dt.date.fromordinal(piece["since"]).isoformat(),
        "ended_on": dt.date.fromordinal(piece["until"]).isoformat(),
    }
