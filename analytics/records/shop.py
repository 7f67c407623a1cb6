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
from typing import TYPE_CHECKING, Literal

from scipy import constants

from analytics.errors import RecordsError
from analytics.records.headings import HEADINGS, heading_key
from analytics.records.words import CLOSED

if TYPE_CHECKING:
    from analytics.records.files import Grid

SHEETS = tuple(HEADINGS)
#: names of other columns in the table of builds
_TAKEN = frozenset(HEADINGS["builds"].known).union(
    "power_hp power_low power_high power_raw weight_lb weight_raw flags row unit at".split()
)

#: section -> key -> type, for the sections with fixed keys. Sections named by the shop's own words are read apart.
_FIXED: dict[str, dict[str, type | tuple[type, ...]]] = {
    "shop": {"name": str, "as_of": (str, dt.date), "records_start": (str, dt.date)},
    "dates": {"order": str, "epoch": int},
    "units": {"power": str, "weight": str, "distance": str, "length": str, "pressure": str, "torque": str},
    "power": {"measured_at": str, "driveline_loss": (int, float), "bands": list},
    "weight": {"kind": str, "classes": list},
    "findings": {"found_at_teardown": list, "looked_at": dict},
    "targets": {"miles": (int, float), "km": (int, float), "reliability": (int, float), "confidence": (int, float)},
    "checks": {"miles_per_year_max": (int, float), "failures_to_fit": int, "at_risk_to_show": int},
}
_FREE = tuple("components extra_columns sheets headings parts supersessions words costs ratings driveline".split())


@dataclass(frozen=True, slots=True)
class SheetPlace:
    """Where one sheet is kept.

    files, pages: names, or patterns such as "orders *", in order. skip_rows: rows to pass over before the headings. rows: which rows
    of the page are its own: the shop's heading -> the words that stand there, by their key. decimal: "comma" or "point", None where
    the figures themselves tell. crossed_out: whether crossed-out rows are read. lines: of builds with a row for each part, the headings of the component
    and of its part.
    """

    files: tuple[str, ...] = ()
    pages: tuple[str, ...] = ()
    skip_rows: int | None = None
    rows: dict[str, tuple[str, ...]] = field(default_factory=dict)
    decimal: str | None = None
    crossed_out: bool = False
    lines: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Supersession:
    """Part ``old`` of a component was followed by ``new`` for units built from ``effective_on``."""

    component: str
    old: str
    new: str
    effective_on: dt.date | None


@dataclass(frozen=True, slots=True)
class SheetSettings:
    """Where each sheet is kept, and the shop's headings in it, ours first: both by the name of the sheet.

    grids: the sheets themselves, where they were handed over and do not lie in the folder.
    """

    places: dict[str, SheetPlace] = field(default_factory=dict)
    headings: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    grids: dict[str, Grid] | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class DateSettings:
    """How dates are written (``order``: "day first", "month first", "year first" or None for as the sheets show it; ``epoch``: the year
    serial numbers of a spreadsheet count from), the day the records are looked at from, and the one they start."""

    order: str | None = None
    epoch: int = 1900
    as_of: dt.date | None = None
    records_start: dt.date | None = None


@dataclass(frozen=True, slots=True)
class Units:
    """The unit of a figure that names none."""

    power: str = "hp"
    weight: str = "lb"
    distance: str = "miles"
    length: str = "in"
    pressure: str = "psi"
    torque: str = "lb ft"


@dataclass(frozen=True, slots=True)
class PowerSettings:
    """Where power is measured, the share lost from crank to wheels, and the edges of the bands in hp at the crank.

    A band runs from its lower edge up to, not including, the next. The defaults of loss and edges are common practice, no source.
    """

    measured_at: str = "crank"
    driveline_loss: float = 0.18
    bands: tuple[float, ...] = (400.0, 600.0, 1000.0)


@dataclass(frozen=True, slots=True)
class WeightSettings:
    """What a weight is of, and the edges of the classes in lb; a class includes its upper edge. Default edges: common practice, no source."""

    kind: str = "as driven"
    classes: tuple[float, ...] = (7500.0, 9000.0)


@dataclass(frozen=True, slots=True)
class Names:
    """What the shop calls things: other names of each part by component, its words for each of ours by heading, which part followed
    which, the findings that can be made at teardown alone, and the components looked at for them: at a return of which others."""

    parts: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    words: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    supersessions: tuple[Supersession, ...] = ()
    found_at_teardown: tuple[str, ...] = ()
    looked_at: dict[str, tuple[str, ...]] = field(default_factory=dict)


#: what a life may be counted in -> the clock of the lifetimes
COUNTED = {"miles": "miles", "passes": "runs", "pulls": "runs", "runs": "runs", "months": "days"}


@dataclass(frozen=True, slots=True)
class UseTarget:
    """The life promised for one use by itself: so many of what it is ``counted`` in, a key of COUNTED."""

    life: float
    counted: str


@dataclass(frozen=True, slots=True)
class Targets:
    """What a rating promises: a share ``reliability`` reaches ``miles``, said with ``confidence``; uses: those promised a life of their
    own instead."""

    miles: float = 50_000.0
    reliability: float = 0.90
    confidence: float = 0.90
    uses: dict[str, UseTarget] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Checks:
    """When a figure is doubted or not shown. The 60,000 miles a year above which an odometer is doubted are common practice, no source."""

    miles_per_year_max: float = 60_000.0
    failures_to_fit: int = 5
    at_risk_to_show: int = 5


@dataclass(frozen=True, slots=True)
class Shop:
    """Settings of one shop, every one with its default (README lists them); a group is a section of shop.toml, or what belongs to one.

    components: each with its heading in builds; extra_columns: columns of builds that the shop adds, likewise. costs, ratings,
    driveline: as written in the section, read where they are used. `cover` says how near bands and classes are.
    """

    folder: Path
    name: str
    components: dict[str, str]
    extra_columns: dict[str, str] = field(default_factory=dict)
    sheets: SheetSettings = SheetSettings()
    dates: DateSettings = DateSettings()
    units: Units = Units()
    power: PowerSettings = PowerSettings()
    weight: WeightSettings = WeightSettings()
    names: Names = Names()
    targets: Targets = Targets()
    checks: Checks = Checks()
    costs: dict[str, object] = field(default_factory=dict)
    ratings: dict[str, object] = field(default_factory=dict)
    driveline: dict[str, object] = field(default_factory=dict)

    def band_labels(self) -> list[str]:
        """Names of the power bands in the owner's unit, from low to high."""
        return _labels(self.power.bands, self._own("power"), "under {0}", "{0} to {1}", "{0} and over")

    def class_labels(self) -> list[str]:
        """Names of the weight classes in the owner's unit, from light to heavy."""
        return _labels(self.weight.classes, self._own("weight"), "up to {0}", "{0} to {1}", "over {0}")

    def _own(self, kind: Literal["power", "weight"]) -> float:
        from analytics.records.own_units import unit_of

        return unit_of(kind, self.units)[1]

    def headings_of(self, sheet: str, heading: str) -> tuple[str, ...]:
        """What the shop calls a heading of ours; the heading itself where nothing is said."""
        return self.sheets.headings.get(sheet, {}).get(heading, (heading,))

    @property
    def currency(self) -> str:
        """The sign of the shop's money."""
        return str(self.costs.get("currency", "$"))

    def cost_of(self, name: str) -> float | None:
        """A cost by name, or None where the shop states none."""
        value = self.costs.get(name)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _labels(edges: tuple[float, ...], unit: float, first: str, middle: str, last: str) -> list[str]:
    """The bands between ``edges``; where these are said in another ``unit`` (of so many of ours) rounded, as long as no two are alike."""
    text = [f"{edge:,.0f}" if float(edge).is_integer() else f"{edge:,}" for edge in edges]
    if unit != 1:
        rounded = ([f"{edge / unit:,.{places}f}" for edge in edges] for places in range(2 if unit > 100 else 0, 9))
        text = next(told for told in rounded if len({*told}) == len(edges))
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
        raise RecordsError(
            f'shop.toml cannot be read: {err}. Correct that line: text between "quotes", no name twice in a section; save as plain text (UTF-8).'
        ) from err
    except RecursionError as err:
        raise RecordsError(
            "shop.toml cannot be read: it is nested too deep. Remove what is no setting: nothing in it needs "
            "more than three levels."
        ) from err


def _checked_sections(data: dict) -> None:
    """Raises RecordsError for a section, a key or a kind of value that shop.toml cannot have."""
    _known(data, [*_FIXED, *_FREE], "a section")
    for section, keys in _FIXED.items():
        part = _table(data, section)
        if section == "targets":
            part = {key: value for key, value in part.items() if not isinstance(value, dict)}
        _known(part, keys, f"a key of [{section}]")
        for key, value in part.items():
            if not isinstance(value, keys[key]) or isinstance(value, bool):
                raise RecordsError(f"shop.toml [{section}] {key} = {value!r}: not the kind of value expected here.")


def _components(components: dict) -> dict:
    """The ``components`` as stated, each with its heading. Raises RecordsError where there are none, or one cannot be called so."""
    if not components:
        raise RecordsError(
            "shop.toml names no components. Add a table that gives each component its heading in builds, for example:\n"
            '[components]\n"input shaft" = "input_shaft"'
        )
    for name, heading in components.items():
        if not isinstance(heading, str):
            raise RecordsError(f"shop.toml [components] {name!r} = {heading!r}: give the heading in quotes.")
    if len({_name(name) for name in components}) < len(components):
        raise RecordsError("shop.toml [components]: one component is named twice, small and capital letters aside.")
    for name in components:
        if _name(name) in _TAKEN or not _name(name):
            raise RecordsError(f"shop.toml [components]: a component cannot be called {name!r}. Name it otherwise.")
    return components


def shop_from(data: dict, folder: Path) -> Shop:
    """Settings from an already parsed shop.toml (see load_shop). data: the parsed file. folder: it is of."""
    _checked_sections(data)
    components = _components(_table(data, "components"))
    shop = _table(data, "shop")
    return Shop(
        folder=folder,
        name=shop.get("name", folder.resolve().name),
        components={_name(name): heading for name, heading in components.items()},
        extra_columns=_extra_columns(_table(data, "extra_columns")),
        sheets=SheetSettings(_places(_table(data, "sheets"), folder), _headings(_table(data, "headings"), components)),
        dates=_dates(_table(data, "dates"), shop),
        units=_units(_table(data, "units")),
        power=_power(_table(data, "power")),
        weight=_weight(_table(data, "weight")),
        names=Names(
            parts=_parts(_table(data, "parts"), components),
            words=_words(_table(data, "words"), components),
            supersessions=_supersessions(data.get("supersessions", []), components),
            found_at_teardown=tuple(_name(f) for f in _table(data, "findings").get("found_at_teardown", [])),
            looked_at=_looked_at(_table(data, "findings").get("looked_at", {}), components),
        ),
        targets=_targets(_table(data, "targets")),
        checks=_checks(_table(data, "checks")),
        costs=_costs(_table(data, "costs")),
        ratings=_table(data, "ratings"),
        driveline=_table(data, "driveline"),
    )


#: section -> key -> the least and the most it may be
_LIMITS: dict[str, dict[str, tuple[float, float]]] = {
    "power": {"driveline_loss": (0, 0.5)},
    "targets": {"miles": (1, 5_000_000), "reliability": (0.5, 0.9999), "confidence": (0.5, 0.9999)},
    "checks": {"miles_per_year_max": (1, 1e9), "failures_to_fit": (2, 1000), "at_risk_to_show": (1, 1000)},
}


def _within(section: str, told: dict) -> dict[str, float]:
    """The numbers of a section that have limits, in those limits."""
    return {
        key: _inside(told[key], low, high, f"[{section}] {key}")
        for key, (low, high) in _LIMITS[section].items()
        if key in told
    }


def _targets(told: dict) -> Targets:
    uses = {_name(use): _use_target(use, target) for use, target in told.items() if isinstance(target, dict)}
    if "km" in told:
        if "miles" in told:
            raise RecordsError("shop.toml [targets] has both miles and km: give one of them.")
        told = told | {"miles": told["km"] * constants.kilo / constants.mile}
    return Targets(**_within("targets", told), uses=uses)


def _use_target(use: str, told: dict) -> UseTarget:
    """[targets.USE]: one life, in whatever it is counted in."""
    where = f"[targets.{use}]"
    _known(told, COUNTED, f"what a life is counted in (in {where})")
    if len(told) != 1:
        raise RecordsError(
            f"shop.toml {where}: give one life, such as passes = 300 for a drag truck or months = 36 where no odometer is read."
        )
    counted, life = next(iter(told.items()))
    if not isinstance(life, int | float) or isinstance(life, bool):
        raise RecordsError(f"shop.toml {where} {counted} = {life!r}: give a number.")
    return UseTarget(_inside(life, 1, 5_000_000, f"{where} {counted}"), counted)


def _dates(told: dict, shop: dict) -> DateSettings:
    _one_of(told.get("order"), (None, "day first", "month first", "year first"), "[dates] order")
    _one_of(told.get("epoch", 1900), (1900, 1904), "[dates] epoch")
    as_of, start = (_date(shop.get(key), f"[shop] {key}") for key in ("as_of", "records_start"))
    return DateSettings(**told, as_of=as_of, records_start=start)


def _units(told: dict) -> Units:
    # who measures power in kW or PS measures torque in N m
    units = Units(**({"torque": "N m"} if told.get("power", "hp") != "hp" else {}) | told)
    _one_of(units.power, ("hp", "kW", "PS"), "[units] power")
    _one_of(units.weight, ("lb", "kg", "t"), "[units] weight")
    _one_of(units.distance, ("miles", "km"), "[units] distance")
    _one_of(units.length, ("in", "mm"), "[units] length")
    _one_of(units.pressure, ("psi", "bar", "kPa"), "[units] pressure")
    _one_of(units.torque, ("lb ft", "N m"), "[units] torque")
    return units


def _power(told: dict) -> PowerSettings:
    _one_of(told.get("measured_at", "crank"), ("crank", "wheels"), "[power] measured_at")
    bands = {"bands": _edges(told["bands"], "[power] bands")} if "bands" in told else {}
    return PowerSettings(**(told | _within("power", told) | bands))


def _weight(told: dict) -> WeightSettings:
    classes = {"classes": _edges(told["classes"], "[weight] classes")} if "classes" in told else {}
    return WeightSettings(**(told | classes))


def _checks(told: dict) -> Checks:
    told = told | _within("checks", told)
    return Checks(**{key: value if key == "miles_per_year_max" else int(value) for key, value in told.items()})


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


def _looked_at(stated: dict, components: dict) -> dict[str, tuple[str, ...]]:
    """[findings.looked_at]: component = the components at whose return it is looked at. Raises RecordsError on anything else."""
    named = {_name(component) for component in components}
    for component, others in stated.items():
        if not (isinstance(others, list) and {_name(c) for c in (component, *others)} <= named):
            raise RecordsError(
                f"shop.toml [findings.looked_at] {component!r} = {others!r}: give the components at whose return it is looked at, "
                f"such as {sorted(named)!r}."
            )
    return {_name(component): tuple(map(_name, others)) for component, others in stated.items()}


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
        keys = ("file", "sheet", "skip_rows", "rows", "decimal", "crossed_out", *["lines"] * (name == "builds"))
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
            lines=_lines(place.get("lines")),
        )
    return places


def _lines(value) -> tuple[str, str] | None:
    """The headings of the component and of its part; None where builds have a row for each unit."""
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2 or not all(isinstance(heading, str) for heading in value):
        raise RecordsError(
            f"shop.toml [sheets.builds] lines = {value!r}: name two headings, of the component and of its part, as "
            '["Component", "Part"], where your builds have a row for each part.'
        )
    return value[0], value[1]


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


def _parts(tables: dict, components: dict) -> dict[str, dict[str, list[str]]]:
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
    _known(told, ("comeback", "call_in", "guarantee_per_unit", "years", "currency", "parts"), "a cost (in [costs])")
    if not isinstance(sign := told.get("currency", ""), str) or len(sign) > 4:
        raise RecordsError(
            f'shop.toml [costs] currency = {sign!r}: give its sign as text of at most four letters, such as "$" or "EUR".'
        )
    parts = told.get("parts", {})
    if not isinstance(parts, dict):
        raise RecordsError('shop.toml [costs] parts: write [costs.parts] with lines such as "IS-A" = 420.')
    amounts = {k: v for k, v in told.items() if k not in ("parts", "currency")}
    for where, prices in (("[costs]", amounts), ("[costs.parts]", parts)):
        for name, value in prices.items():
            good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < math.inf
            if not good:
                raise RecordsError(f"shop.toml {where} {name} = {value!r}: give a number, not below 0.")
    return told


def _one_meaning(heading: str, words: dict[str, list[str]]) -> None:
    """Raises RecordsError where one of the shop's words stands for two of ours."""
    owner: dict[str, str] = {}
    pairs = ((ours, theirs) for ours, others in words.items() for theirs in (ours, *others))
    for word, other in pairs:
        if owner.setdefault(_name(other), word) != word:
            raise RecordsError(
                f"shop.toml [words.{heading}]: {other!r} stands for both {owner[_name(other)]!r} and {word!r}."
            )


def _words(tables: dict, components: dict) -> dict[str, dict[str, list[str]]]:
    _known(
        tables,
        tuple("use cause finding order weight_kind measured_at still_running builder kind component".split()),
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
        _one_meaning(heading, words)
        if heading == "component":
            for word in words:
                _component(word, components, "[words.component]")
        result[heading] = {_name(word): [_name(o) for o in others] for word, others in words.items()}
    return result
