"""The shop's own settings: what it calls things, and what is assumed where a sheet is silent."""

from __future__ import annotations

import datetime as dt
import difflib
import itertools
import math
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.errors import RecordsError
from analytics.records.headings import HEADINGS, heading_key
from analytics.records.words import CLOSED

if TYPE_CHECKING:
    from analytics.records.files import Grid

SHEETS = tuple(HEADINGS)
#: names of other columns in the table of builds
_TAKEN = frozenset(
    {
        *HEADINGS["builds"].known,
        "power_hp",
        "power_low",
        "power_high",
        "power_raw",
        "weight_lb",
        "weight_raw",
        "flags",
        "row",
        "unit",
        "at",
    }
)

#: section -> key -> type, for the sections with fixed keys. Sections named by the shop's own words are read apart.
_FIXED: dict[str, dict[str, type | tuple[type, ...]]] = {
    "shop": {"name": str, "as_of": (str, dt.date), "records_start": (str, dt.date)},
    "dates": {"order": str, "epoch": int},
    "units": {"power": str, "weight": str, "distance": str, "length": str, "pressure": str, "torque": str},
    "power": {"measured_at": str, "driveline_loss": (int, float), "bands": list},
    "weight": {"kind": str, "classes": list},
    "findings": {"found_at_teardown": list},
    "targets": {"miles": (int, float), "reliability": (int, float), "confidence": (int, float)},
    "checks": {"miles_per_year_max": (int, float), "failures_to_fit": int, "at_risk_to_show": int},
}
_FREE = (
    "components",
    "extra_columns",
    "sheets",
    "headings",
    "parts",
    "supersessions",
    "words",
    "costs",
    "ratings",
    "driveline",
)


@dataclass(frozen=True, slots=True)
class SheetPlace:
    """Where one sheet is kept.

    files, pages: names, or patterns such as "orders *", in order. skip_rows: rows to pass over before the headings. rows: which rows
    of the page are its own: the shop's heading -> the words that stand there, by their key. decimal: "comma" or "point", None where
    the figures themselves tell. crossed_out: whether crossed-out rows are read.
    """

    files: tuple[str, ...] = ()
    pages: tuple[str, ...] = ()
    skip_rows: int | None = None
    rows: dict[str, tuple[str, ...]] = field(default_factory=dict)
    decimal: str | None = None
    crossed_out: bool = False


@dataclass(frozen=True, slots=True)
class Supersession:
    """Part ``old`` of a component was followed by ``new`` for units built from ``effective_on``."""

    component: str
    old: str
    new: str
    effective_on: dt.date | None


@dataclass(frozen=True, slots=True)
class Shop:
    """Settings of one shop, every one with its default (README lists them).

    Power bands run from their lower edge up to, not including, the next; a weight class includes its upper edge; `cover` says how near.
    The default edges (400, 600, 1,000 hp; 7,500, 9,000 lb), the driveline loss (18 %) and the 60,000 miles a year
    above which an odometer is doubted are common practice, no source.
    """

    folder: Path
    name: str
    components: dict[str, str]
    extra_columns: dict[str, str] = field(default_factory=dict)
    as_of: dt.date | None = None
    records_start: dt.date | None = None
    places: dict[str, SheetPlace] = field(default_factory=dict)
    headings: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    date_order: str | None = None
    date_epoch: int = 1900
    power_unit: str = "hp"
    weight_unit: str = "lb"
    distance_unit: str = "miles"
    length_unit: str = "in"
    pressure_unit: str = "psi"
    torque_unit: str = "lb ft"
    power_measured_at: str = "crank"
    driveline_loss: float = 0.18
    power_bands: tuple[float, ...] = (400.0, 600.0, 1000.0)
    weight_kind: str = "as driven"
    weight_classes: tuple[float, ...] = (7500.0, 9000.0)
    part_names: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    supersessions: tuple[Supersession, ...] = ()
    found_at_teardown: tuple[str, ...] = ()
    words: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    target_miles: float = 50_000.0
    reliability: float = 0.90
    confidence: float = 0.90
    miles_per_year_max: float = 60_000.0
    failures_to_fit: int = 5
    at_risk_to_show: int = 5
    costs: dict[str, object] = field(default_factory=dict)
    ratings: dict[str, object] = field(default_factory=dict)
    driveline: dict[str, object] = field(default_factory=dict)
    #: the sheets themselves, where they were handed over and do not lie in the folder
    grids: dict[str, Grid] | None = field(default=None, repr=False)

    def band_labels(self) -> list[str]:
        """Names of the power bands, from low to high."""
        return _labels(self.power_bands, "under {0}", "{0} to {1}", "{0} and over")

    def class_labels(self) -> list[str]:
        """Names of the weight classes, from light to heavy."""
        return _labels(self.weight_classes, "up to {0}", "{0} to {1}", "over {0}")

    def headings_of(self, sheet: str, heading: str) -> tuple[str, ...]:
        """What the shop calls a heading of ours; the heading itself where nothing is said."""
        return self.headings.get(sheet, {}).get(heading, (heading,))

    def cost_of(self, name: str) -> float | None:
        """A cost by name, or None where the shop states none."""
        value = self.costs.get(name)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _labels(edges: tuple[float, ...], first: str, middle: str, last: str) -> list[str]:
    text = [f"{edge:,.0f}" if float(edge).is_integer() else f"{edge:,}" for edge in edges]
    return [
        first.format(text[0]),
        *(middle.format(*pair) for pair in itertools.pairwise(text)),
        last.format(text[-1]),
    ]


def load_shop(folder: str | Path) -> Shop:
    """Read ``shop.toml`` of a folder.

    Raises RecordsError where the file is missing, is not TOML, or holds a key or value that is not understood: the
    message names the key and what would be.
    """
    folder = Path(folder)
    path = folder / "shop.toml"
    if not folder.is_dir():
        raise RecordsError(f"{folder}: there is no such folder. Name the folder that holds shop.toml and the sheets.")
    if not path.is_file():
        raise RecordsError(
            f"{folder}: no shop.toml. Add one with at least a table of the components, for example:\n"
            '[components]\n"input shaft" = "input_shaft"    # component = its heading in builds\n'
            "The command start looks through the sheets and writes one."
        )
    try:
        return shop_from(tomllib.loads(path.read_text(encoding="utf-8-sig")), folder)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as err:
        raise RecordsError(f"shop.toml cannot be read: {err}. Save it as UTF-8 text in TOML form.") from err
    except RecursionError as err:
        raise RecordsError(
            "shop.toml cannot be read: it is nested too deep. Remove what is no setting: nothing in it needs "
            "more than three levels."
        ) from err


def shop_from(data: dict, folder: Path) -> Shop:
    """Settings from an already parsed shop.toml (see load_shop)."""
    _known(data, [*_FIXED, *_FREE], "a section")
    for section, keys in _FIXED.items():
        part = _table(data, section)
        _known(part, keys, f"a key of [{section}]")
        for key, value in part.items():
            if not isinstance(value, keys[key]) or isinstance(value, bool):
                raise RecordsError(f"shop.toml [{section}] {key} = {value!r}: not the kind of value expected here.")
    components = _table(data, "components")
    if not components:
        raise RecordsError(
            "shop.toml names no components. Add a table that gives each component its heading in builds, for example:\n"
            '[components]\n"input shaft" = "input_shaft"'
        )
    for name, heading in components.items():
        if not isinstance(heading, str):
            raise RecordsError(f"shop.toml [components] {name!r} = {heading!r}: give the heading in quotes.")
    if len({heading_key(heading) for heading in components.values()}) < len(components):
        raise RecordsError("shop.toml [components]: two components share one heading of builds. Give each its own.")
    if len({_name(name) for name in components}) < len(components):
        raise RecordsError("shop.toml [components]: one component is named twice, small and capital letters aside.")
    for name in components:
        if _name(name) in _TAKEN or not _name(name):
            raise RecordsError(f"shop.toml [components]: a component cannot be called {name!r}. Name it otherwise.")

    shop, dates, units = _table(data, "shop"), _table(data, "dates"), _table(data, "units")
    power, weight, targets, checks = (_table(data, s) for s in ("power", "weight", "targets", "checks"))
    order = dates.get("order")
    _one_of(order, (None, "day first", "month first", "year first"), "[dates] order")
    _one_of(dates.get("epoch", 1900), (1900, 1904), "[dates] epoch")
    _one_of(units.get("power", "hp"), ("hp", "kW", "PS"), "[units] power")
    _one_of(units.get("weight", "lb"), ("lb", "kg", "t"), "[units] weight")
    _one_of(units.get("distance", "miles"), ("miles", "km"), "[units] distance")
    _one_of(units.get("length", "in"), ("in", "mm"), "[units] length")
    _one_of(units.get("pressure", "psi"), ("psi", "bar", "kPa"), "[units] pressure")
    _one_of(units.get("torque", "lb ft"), ("lb ft", "N m"), "[units] torque")
    _one_of(power.get("measured_at", "crank"), ("crank", "wheels"), "[power] measured_at")
    loss = _inside(power.get("driveline_loss", 0.18), 0, 0.5, "[power] driveline_loss")
    reliability = _inside(targets.get("reliability", 0.9), 0.5, 0.9999, "[targets] reliability")
    confidence = _inside(targets.get("confidence", 0.9), 0.5, 0.9999, "[targets] confidence")
    return Shop(
        folder=folder,
        name=shop.get("name", folder.resolve().name),
        components={_name(name): heading for name, heading in components.items()},
        extra_columns=_extra_columns(_table(data, "extra_columns")),
        as_of=_date(shop.get("as_of"), "[shop] as_of"),
        records_start=_date(shop.get("records_start"), "[shop] records_start"),
        places=_places(_table(data, "sheets"), folder),
        headings=_headings(_table(data, "headings"), components),
        date_order=order,
        date_epoch=dates.get("epoch", 1900),
        power_unit=units.get("power", "hp"),
        weight_unit=units.get("weight", "lb"),
        distance_unit=units.get("distance", "miles"),
        length_unit=units.get("length", "in"),
        pressure_unit=units.get("pressure", "psi"),
        torque_unit=units.get("torque", "lb ft"),
        power_measured_at=power.get("measured_at", "crank"),
        driveline_loss=loss,
        power_bands=_edges(power.get("bands", [400, 600, 1000]), "[power] bands"),
        weight_kind=weight.get("kind", "as driven"),
        weight_classes=_edges(weight.get("classes", [7500, 9000]), "[weight] classes"),
        part_names=_names(_table(data, "parts"), components),
        supersessions=_supersessions(data.get("supersessions", []), components),
        found_at_teardown=tuple(_name(f) for f in _table(data, "findings").get("found_at_teardown", [])),
        words=_words(_table(data, "words"), components),
        target_miles=_inside(targets.get("miles", 50_000), 1, 5_000_000, "[targets] miles"),
        reliability=reliability,
        confidence=confidence,
        miles_per_year_max=_inside(checks.get("miles_per_year_max", 60_000), 1, 1e9, "[checks] miles_per_year_max"),
        failures_to_fit=int(_inside(checks.get("failures_to_fit", 5), 2, 1000, "[checks] failures_to_fit")),
        at_risk_to_show=int(_inside(checks.get("at_risk_to_show", 5), 1, 1000, "[checks] at_risk_to_show")),
        costs=_costs(_table(data, "costs")),
        ratings=_table(data, "ratings"),
        driveline=_table(data, "driveline"),
    )


def _extra_columns(section: dict) -> dict[str, str]:
    """Columns of builds that the shop adds, numbers that may bear on life: our name -> its heading."""
    for name, heading in section.items():
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,30}", name):
            raise RecordsError(
                f"shop.toml [extra_columns] {name!r}: use small letters, digits and _, with the unit at the end, such as tyre_in."
            )
        if not isinstance(heading, str) or not heading_key(heading):
            raise RecordsError(
                f"shop.toml [extra_columns] {name} = {heading!r}: give the heading in builds, in quotes."
            )
        if name == "intercept":
            raise RecordsError("shop.toml [extra_columns] 'intercept' is a name already in use. Name it otherwise.")
    return dict(section)


def _name(text: str) -> str:
    return " ".join(str(text).split()).casefold()


def _table(data: dict, section: str) -> dict:
    part = data.get(section, {})
    if not isinstance(part, dict):
        raise RecordsError(f"shop.toml: {section} must be a table, written [{section}].")
    return part


def _known(found: dict, allowed, what: str) -> None:
    for key in found:
        if key not in allowed:
            near = difflib.get_close_matches(key, list(allowed), n=1)
            hint = f" Did you mean {near[0]!r}?" if near else f" Known: {', '.join(allowed)}."
            raise RecordsError(f"shop.toml: {key!r} is not {what}.{hint}")


def _one_of(value, allowed: tuple, where: str) -> None:
    if value not in allowed:
        words = ", ".join(repr(a) for a in allowed if a is not None)
        raise RecordsError(f"shop.toml {where} = {value!r}: must be one of {words}.")


def _inside(value, low: float, high: float, where: str) -> float:
    if not low <= value <= high:
        raise RecordsError(f"shop.toml {where} = {value!r}: must lie between {low:g} and {high:g}.")
    return float(value)


def _edges(values: list, where: str) -> tuple[float, ...]:
    good = all(isinstance(v, int | float) and not isinstance(v, bool) and 0 < v < math.inf for v in values)
    if not values or not good or any(b <= a for a, b in itertools.pairwise(values)):
        raise RecordsError(f"shop.toml {where} = {values!r}: give one or more positive edges, rising.")
    return tuple(float(v) for v in values)


def _date(value, where: str) -> dt.date | None:
    if value is None or (isinstance(value, dt.date) and not isinstance(value, dt.datetime)):
        return value
    try:
        return dt.date.fromisoformat(str(value)[:10])
    except ValueError as err:
        raise RecordsError(f"shop.toml {where} = {value!r}: write the date as 2024-12-31.") from err


def _places(tables: dict, folder: Path) -> dict[str, SheetPlace]:
    _known(tables, SHEETS, "a sheet (in [sheets])")
    places = {}
    for name, place in tables.items():
        if not isinstance(place, dict):
            raise RecordsError(f'shop.toml: write [sheets.{name}] with file = "...".')
        keys = ("file", "sheet", "skip_rows", "rows", "decimal", "crossed_out")
        _known(place, keys, f"a key of [sheets.{name}]")
        skip, decimal = place.get("skip_rows"), place.get("decimal")
        if skip is not None and (not isinstance(skip, int) or isinstance(skip, bool) or skip < 0):
            raise RecordsError(f"shop.toml [sheets.{name}] skip_rows = {skip!r}: give a whole number of rows.")
        _one_of(decimal, (None, "comma", "point"), f"[sheets.{name}] decimal")
        _one_of(place.get("crossed_out", "set aside"), ("set aside", "read"), f"[sheets.{name}] crossed_out")
        places[name] = SheetPlace(
            files=_file_names(name, place.get("file", ()), folder),
            pages=_texts(place.get("sheet", ()), f"[sheets.{name}] sheet"),
            skip_rows=skip,
            rows=_own_rows(name, place.get("rows", {})),
            decimal=decimal,
            crossed_out=place.get("crossed_out") == "read",
        )
    return places


def _texts(value, where: str) -> tuple[str, ...]:
    """A text, or a list of them."""
    texts = [value] if isinstance(value, str) else value
    if not isinstance(texts, list | tuple) or not all(isinstance(t, str) for t in texts):
        raise RecordsError(f"shop.toml {where}: file and sheet are names, in quotes, or lists of names.")
    return tuple(texts)


def _file_names(name: str, value, folder: Path) -> tuple[str, ...]:
    files = _texts(value, f"[sheets.{name}] file")
    for file in files:
        if not file.isprintable():
            raise RecordsError(f"shop.toml [sheets.{name}] file = {file!r}: not a name a file can have.")
        if not (folder / file).resolve().is_relative_to(folder.resolve()):
            raise RecordsError(f"shop.toml [sheets.{name}] file = {file!r}: the file must lie inside the folder.")
    return files


def _own_rows(name: str, told) -> dict[str, tuple[str, ...]]:
    if not isinstance(told, dict):
        raise RecordsError(f'shop.toml [sheets.{name}] rows: write it as rows = {{ "Type" = ["build"] }}.')
    return {heading: _texts(words, f"[sheets.{name}] rows") for heading, words in told.items()}


def _headings(tables: dict, components: dict) -> dict[str, dict[str, tuple[str, ...]]]:
    _known(tables, SHEETS, "a sheet (in [headings])")
    result = {}
    for sheet, mapping in tables.items():
        allowed = [*HEADINGS[sheet].known, *(components.values() if sheet == "builds" else ())]
        if not isinstance(mapping, dict):
            raise RecordsError(f'shop.toml: write [headings.{sheet}] with lines such as serial = "Serial No".')
        _known(mapping, allowed, f"a heading of {sheet} (in [headings.{sheet}]; ours left, the shop's right)")
        result[sheet] = {ours: _several_headings(sheet, ours, theirs) for ours, theirs in mapping.items()}
    return result


def _several_headings(sheet: str, ours: str, theirs: object) -> tuple[str, ...]:
    """The shop's heading, or those of several pages."""
    told = (theirs,) if isinstance(theirs, str) else theirs
    if not isinstance(told, list | tuple) or not told or not all(isinstance(t, str) for t in told):
        raise RecordsError(
            f"shop.toml [headings.{sheet}] {ours} = {theirs!r}: give the shop's heading in quotes, or a list of them."
        )
    return tuple(told)


def _component(name: str, components: dict, where: str) -> str:
    known = [_name(c) for c in components]
    if _name(name) not in known:
        raise RecordsError(f"shop.toml {where}: {name!r} is not one of the components ({', '.join(known)}).")
    return _name(name)


def _names(tables: dict, components: dict) -> dict[str, dict[str, list[str]]]:
    result = {}
    for component, parts in tables.items():
        where = f'[parts."{component}"]'
        owner: dict[str, str] = {}
        for part, others in parts.items() if isinstance(parts, dict) else ():
            if not isinstance(others, list) or not all(isinstance(o, str) for o in others):
                raise RecordsError(f"shop.toml {where} {part!r}: give its other names as a list of texts.")
            for other in [part, *others]:
                if owner.setdefault(_name(other), part) != part:
                    raise RecordsError(
                        f"shop.toml {where}: {other!r} stands for both {owner[_name(other)]!r} and {part!r}."
                    )
        if not isinstance(parts, dict):
            raise RecordsError(f"shop.toml {where}: write each part with a list of its other names.")
        result[_component(component, components, where)] = parts
    return result


def _supersessions(rows: list, components: dict) -> tuple[Supersession, ...]:
    result = []
    for row in rows if isinstance(rows, list) else [rows]:
        if not isinstance(row, dict) or not {"component", "old", "new"} <= set(row):
            raise RecordsError("shop.toml [[supersessions]]: each needs component, old and new (and effective_on).")
        _known(row, ("component", "old", "new", "effective_on"), "a key of [[supersessions]]")
        component = _component(row["component"], components, "[[supersessions]]")
        effective = _date(row.get("effective_on"), "[[supersessions]] effective_on")
        result.append(Supersession(component, str(row["old"]), str(row["new"]), effective))
    for start in result:
        seen: list[str] = [start.old]
        here: Supersession | None = start
        while here is not None:
            seen.append(here.new)
            if seen.count(here.new) > 1:
                raise RecordsError(
                    f"shop.toml [[supersessions]]: {' -> '.join(seen)} runs in a circle. Remove one of them."
                )
            here = next((s for s in result if (s.component, s.old) == (start.component, seen[-1])), None)
    return tuple(result)


def _costs(told: dict) -> dict:
    """Costs by name, and by part in the table "parts": each a number, not below 0."""
    parts = told.get("parts", {})
    if not isinstance(parts, dict):
        raise RecordsError('shop.toml [costs] parts: write [costs.parts] with lines such as "IS-A" = 420.')
    for where, prices in (("[costs]", {k: v for k, v in told.items() if k != "parts"}), ("[costs.parts]", parts)):
        for name, value in prices.items():
            good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < math.inf
            if not good:
                raise RecordsError(f"shop.toml {where} {name} = {value!r}: give a number, not below 0.")
    return told


def _words(tables: dict, components: dict) -> dict[str, dict[str, list[str]]]:
    _known(
        tables,
        (
            "use",
            "cause",
            "finding",
            "order",
            "weight_kind",
            "measured_at",
            "still_running",
            "builder",
            "kind",
            "component",
        ),
        "a heading whose words can be mapped (in [words])",
    )
    result = {}
    for heading, words in tables.items():
        if not isinstance(words, dict) or not all(isinstance(v, list) for v in words.values()):
            raise RecordsError(f"shop.toml [words.{heading}]: write each word with a list of the shop's words for it.")
        if heading in CLOSED:
            _known(
                {_name(w): None for w in words},
                CLOSED[heading],
                f"one of our words in [words.{heading}] (ours left, the shop's right)",
            )
        owner: dict[str, str] = {}
        for word, others in words.items():
            for other in (word, *others):
                if owner.setdefault(_name(other), word) != word:
                    raise RecordsError(
                        f"shop.toml [words.{heading}]: {other!r} stands for both {owner[_name(other)]!r} and {word!r}."
                    )
        if heading == "component":
            for word in words:
                _component(word, components, "[words.component]")
        result[heading] = {_name(word): [_name(o) for o in others] for word, others in words.items()}
    return result
