"""What the remaining files hold, reckoned in loops: overlap.csv, renew_at_rebuild.csv, ask_for.csv, above_supported.csv, calls.csv, the published
limits of ratings.csv, and the rows set aside; likewise without the package. What hangs on a model is left out."""

from __future__ import annotations

from collections import Counter

from tests.plain.ahead import has_age, life
from tests.plain.figures import (
    EDGE_LB,
    NONE,
    YEAR,
    Watched,
    is_failure,
    limit_in_force,
    middle,
    once_a_row,
    with_particulars,
)
from tests.plain.reckoning import NOT_RECORDED, Shop, history, known, load_on

SEEN, FEWEST = 3, 1  # lives seen so far, and failures, that a part to renew needs here; the package asks for more


def named(table: list[dict]) -> list[tuple[str, str]]:
    """Every part with a name."""
    return sorted({(row["component"], row["part"]) for row in table if row["part"] not in ("", NOT_RECORDED)})


def steps(rows: list[dict]) -> list[dict]:
    """Of survival.csv's points those at which something failed, and the last of each curve; censored since the one before."""
    result, cell, censored = [], None, 0
    for k, row in enumerate(rows):
        own = tuple(row[c] for c in ("clock", "component", "part", "power_band", "weight_class", "finding"))
        last = k + 1 == len(rows) or own != tuple(
            rows[k + 1][c] for c in ("clock", "component", "part", "power_band", "weight_class", "finding")
        )
        censored = row["censored"] + (censored if own == cell else 0)
        cell = own
        if row["failed"] or last:
            result.append(row | {"censored": censored})
            censored = 0
    return result


# ---- overlap -----------------------------------------------------------------------------------------------------------
def share_below(values: list[float], share: float) -> float:
    """Quantile on a straight line between ordered values."""
    values = sorted(values)
    place = share * (len(values) - 1)
    k = int(place)
    return values[k] + (values[min(k + 1, len(values) - 1)] - values[k]) * (place - k)


def usual_weights(table: list[dict]) -> tuple[dict[str, float], float]:
    """Middle of the first known weight of every truck (the lighter of two of a day, of one weight the first use by name), by use, and of all."""
    first: dict[tuple, dict] = {}
    for row in sorted(
        (r for r in table if known(r["weight_lb"])), key=lambda r: (r["started_on"], r["weight_lb"], r["use"])
    ):
        first.setdefault(row["truck"], row)
    uses = {row["use"] for row in first.values()}
    by_use = {use: middle([r["weight_lb"] for r in first.values() if r["use"] == use]) for use in uses}
    return by_use, middle([r["weight_lb"] for r in first.values()])


def overlap(table: list[dict], component: str, parts: tuple[str, str]) -> list[dict]:
    """Power, weight and use of the trucks of two parts, each truck once at each load it ran at."""
    by_use, of_all = usual_weights(table)
    own = [r for r in table if r["component"] == component and known(r["power_hp"]) and has_age(r)]
    loads = {part: set() for part in parts}
    for row in own:
        if row["part"] in parts:
            weight = row["weight_lb"] if known(row["weight_lb"]) else by_use.get(row["use"], of_all)
            loads[row["part"]].add((row["truck"], row["power_hp"], weight, row["use"]))
    uses = sorted({use for at in loads.values() for _, _, _, use in at})
    differ = len({weight for at in loads.values() for _, _, weight, _ in at}) > 1  # one weight tells nothing
    result = []
    for part, at in loads.items():
        columns = [("power, hp", 1)] + ([("weight, lb", 2)] if differ and known(of_all) else [])
        for quantity, k in columns:
            values = [load[k] for load in at]
            low, mid, high = (share_below(values, share) for share in (0.05, 0.5, 0.95))
            result.append({"quantity": quantity, "part": part, "low": low, "middle": mid, "high": high})
        for use in uses:
            share = 100 * sum(load[3] == use for load in at) / len(at)
            name = f"share in {use or 'a use not on record'}, %"
            result.append({"quantity": name, "part": part, "low": NONE, "middle": share, "high": NONE})
    return result


def rateable(table: list[dict]) -> dict[str, list[str]]:
    """By component, its parts that have a life of known power and age."""
    found: dict[str, set] = {}
    for row in table:
        if row["part"] not in ("", NOT_RECORDED) and known(row["power_hp"]) and has_age(row):
            found.setdefault(row["component"], set()).add(row["part"])
    return {component: sorted(parts) for component, parts in found.items()}


# ---- renewed while open ------------------------------------------------------------------------------------------------
def renew(shop: Shop, table: list[dict]) -> list[dict]:
    """Failures of a part with a price, and the miles that so many of its lives have been seen to; of all its trucks and of each use and band
    with as many lives."""
    prices = shop.settings.get("costs", {}).get("parts", {})
    result = []
    for component, part in sorted({(row["component"], row["part"]) for row in table}):
        own = [r for r in table if (r["component"], r["part"]) == (component, part)]
        aged = [r for r in own if has_age(r)]
        failures = sum(map(is_failure, aged))
        if part not in prices or failures < FEWEST:
            continue
        line = {"component": component, "part": part, "price": prices[part], "failures": failures}
        kinds = Counter((r["use"], r["power_band"]) for r in own if r["segment"] == 1)
        kinds = {kind: n for kind, n in kinds.items() if n >= SEEN}
        result.append(line | {"use": "", "power_band": "", "seen_miles": seen_to(aged)})
        for use, band in kinds if len(kinds) > 1 else ():
            mine = [r for r in aged if (r["use"], r["power_band"]) == (use, band)]
            result.append(line | {"use": use, "power_band": band, "seen_miles": seen_to(mine)})
    return result


def seen_to(rows: list[dict]) -> float:
    """Miles that SEEN of the lives are known to have reached."""
    miles: dict[tuple, float] = {}
    for row in rows:
        if known(row["lower_miles"]):
            miles[life(row)] = max(row["lower_miles"], miles.get(life(row), 0.0))
    seen = sorted(miles.values(), reverse=True)
    return seen[SEEN - 1] if len(seen) >= SEEN else 0.0


# ---- what to ask for ---------------------------------------------------------------------------------------------------
def ask_for(shop: Shop, units: list[Watched], table: list[dict]) -> list[dict]:
    """What is unknown of each truck, alike ones of a row of builds that never came back once: the odometer of a running one that was never read, power and weight where not on record."""
    read = {unit.truck: history(shop, unit.build, "miles")[-1] for unit in units}
    start = {unit.truck: unit.build["start"] for unit in units}
    once = {unit.truck for unit in once_a_row(units)}
    wanted: dict[tuple, dict] = {}
    for component, part in named(table):
        own = [r for r in table if (r["component"], r["part"]) == (component, part)]
        if not any(r["ended"] == "failed" for r in own) or not any(map(has_age, with_particulars(own))):
            continue
        weighed = any(known(r["weight_lb"]) for r in own)
        for row in own:
            day, miles = read[row["truck"]]
            never_read = not (miles > 0 and day > start[row["truck"]]) and not known(row["lower_miles"])
            lacks = [
                word
                for word, missing in (
                    ("power", not known(row["power_hp"])),
                    ("weight", weighed and not known(row["weight_lb"])),
                    ("odometer", never_read and row["followed"]),
                )
                if missing
            ]
            if lacks and has_age(row) and row["truck"] in once:
                wanted.setdefault((row["serial"], row["truck"]), {}).setdefault(" and ".join(lacks), {})[part] = True
    return [
        {"serial": serial, "ask": ask, "parts": ", ".join(parts)}
        for (serial, _), asks in wanted.items()
        for ask, parts in asks.items()
    ]


# ---- above what a sheet of ratings supports ----------------------------------------------------------------------------
def supported(rows: list[dict], edges: list[float], weight: float, use: str, proven: bool) -> float | None:
    """What the rows of a part support for a truck: of its class, of its use before of any; 0 where they support nothing, None where there is
    no row at all. proven=False: a class that supports nothing is under the next heavier one that does, the open one excepted."""

    def number(pounds: float) -> int:
        return sum(pounds > edge + EDGE_LB for edge in edges)

    if not rows:
        return None
    at, top = number(weight), len(edges)
    own = [row for row in rows if row["use"] in ("", use) and (proven or known(row["supported_hp"]))]
    own = [r for r in own if number(r["weight_up_to"]) == at or (not proven and at < number(r["weight_up_to"]) < top)]
    best = min(own, key=lambda row: (row["weight_up_to"], row["use"] == ""), default=None)
    return best["supported_hp"] if best and known(best["supported_hp"]) else 0.0


def above(shop: Shop, units: list[Watched], table: list[dict], sheet: list[dict], proven: bool) -> list[dict]:
    """Trucks running above what a sheet supports. proven: those are meant too for whose part, weight and use it supports nothing; a truck of
    unknown weight is held against the lightest class. Else of unknown weight against none, and where nothing is supported nobody is."""
    edges = shop.settings.get("weight", {}).get("classes", [7500, 9000])
    alone = Counter(unit.build["serial"] for unit in units if not unit.build["returns"])
    result = []
    for unit in once_a_row(units):
        over, (power, weight, use) = [], load_on(unit.build, shop.as_of)
        for row in table:
            if not (
                row["followed"] and row["truck"] == unit.truck and (known(row["lower_miles"]) or row["lower_days"])
            ):
                continue
            own = [r for r in sheet if (r["component"], r["part"]) == (row["component"], row["part"])]
            if not known(weight) and not proven:
                continue
            limit = supported(own, edges, weight if known(weight) else 0.0, use, proven)
            if limit is None or (limit == 0 and not proven):
                continue
            if limit == 0 or power > limit:
                over.append((power / limit - 1 if limit else NONE, row))
        if over:
            shares = [share for share, _ in over if known(share)]
            result.append(
                {"serial": over[0][1]["serial"], "over_by": max(shares) if shares else NONE, "power_hp": power,
                 "weight_lb": weight, "use": use, "years_out": (unit.stop - unit.build["start"]) / YEAR,
                 "trucks": 1 if unit.build["returns"] else alone[unit.build["serial"]],
                 "parts": sorted({(row["component"], row["part"]) for _, row in over})}
            )  # fmt: skip
    return result


def by_part(trucks: list[dict]) -> list[dict]:
    """Trucks above, by part."""
    counts: Counter = Counter()
    for truck in trucks:
        for pair in truck["parts"]:
            counts[pair] += truck["trucks"]
    return [{"component": component, "part": part, "trucks": n} for (component, part), n in counts.items()]


def published(shop: Shop, table: list[dict], weights: list[float], uses: list[str]) -> list[dict]:
    """The limit in force on the day of the records, of every part, weight and use."""
    result = []
    for component, part in named(table):
        for weight in weights:
            for use in uses:
                limit = limit_in_force(shop, component, part, use, weight, shop.as_of)
                line = {"component": component, "part": part, "weight_lb": weight, "use": use}
                result.append(line | {"published_hp": limit["power_hp"] if limit else NONE})
    return result
