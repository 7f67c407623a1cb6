"""The ledger of published limits: a person accepts a proposal, and one line is added to ``limits``."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import math
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analytics.errors import AnalyticsError, number
from analytics.ratings.sheet import Ratings
from analytics.records.cells import WEIGHT, written
from analytics.records.cover import Weights, same_edge, weights_of
from analytics.records.files import OWN_LEDGERS, find_grids
from analytics.records.headings import HEADINGS
from analytics.records.load import load_records
from analytics.records.other_sheets import FROM_RECORDS, LIMITS_CLASH
from analytics.records.own_units import own_power, said_power, unit_of
from analytics.records.shop import Shop, Units
from analytics.whole import plain_text, sweep, whole_file

_COLUMNS = ("component", "part", "weight_up_to", "use", "power_limit", "effective_on", "reason", "basis")


@dataclass(frozen=True, slots=True)
class Entry:
    """One accepted limit as written: amounts with their unit; weight_up_to "7500 lb", "over 9000 lb", or blank for any weight.
    basis: FROM_RECORDS where it was accepted on the records."""

    component: str
    part: str
    weight_up_to: str
    use: str
    power_limit: str
    effective_on: str
    reason: str
    basis: str = ""

    @property
    def weights(self) -> str:
        """The weights it holds for, in words."""
        text = self.weight_up_to
        return text if text.startswith("over") else f"up to {text}" if text else "any weight"


def fingerprint(source: Path | Shop) -> str:
    """Twelve hex digits that stand for the bytes of every file the records of ``source`` (a shop or its folder) can
    come from; where the sheets of a shop were handed over, for their cells and the settings."""
    digest = hashlib.sha256()
    if isinstance(source, Shop) and source.sheets.grids is not None:
        digest.update(repr(source).encode())
        for name, grid in sorted(source.sheets.grids.items()):
            digest.update(repr((name, grid.rows)).encode())
        return digest.hexdigest()[:12]
    folder = source.folder if isinstance(source, Shop) else source
    for path in sorted(
        p
        for p in folder.iterdir()
        if p.is_file()
        and p.name not in OWN_LEDGERS
        and p.suffix.lower() in (".csv", ".xlsx", ".parquet", ".toml", ".sqlite", ".sqlite3", ".db", ".txt")
    ):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What a person decides: a limit of power_hp for a row of the ratings, from a day on. ``why`` in the person's words, or ""."""

    component: str
    part: str
    weight_up_to_lb: float
    use: str
    power_hp: float
    by: str
    effective_on: dt.date
    why: str = ""


def accept(ratings: Ratings, wish: Acceptance, reason_of: Callable[[Ratings, Acceptance, pd.Series], str]) -> Entry:
    """Append one limit to the shop's ``limits`` sheet, with the evidence it was accepted on.

    wish: the open top class is written as all weights above the last edge; nothing is written without a name in ``by``.
    reason_of: the evidence in words, from the ratings, the wish and its row of the ratings. Returns the line as written. Raises
    AnalyticsError where the row is not in the ratings, where the power lies above what they prove, where a limit of that day is
    on file already, or where limits is not kept as CSV.
    """
    units = ratings.records.shop.units
    if not 20 <= wish.power_hp <= 5000:
        raise AnalyticsError(
            f"{said_power(wish.power_hp, units)} cannot be a limit: give a power from {said_power(20, units)} to {said_power(5000, units)}."
        )
    as_of = ratings.records.as_of
    if wish.effective_on < as_of.date():
        raise AnalyticsError(
            f"a limit cannot hold from {wish.effective_on}, before the records it rests on ({as_of:%Y-%m-%d})."
        )
    if not wish.by.strip():
        raise AnalyticsError("a limit is accepted by a person: give a name with --by.")
    found = _row_of(ratings.table, wish, units)
    if not wish.power_hp <= found["proposed_hp"] and not wish.power_hp < found["published_hp"]:
        proven = found["proposed_hp"]
        raise AnalyticsError(
            f"{said_power(wish.power_hp, units)} is more than the records prove for {wish.component} {wish.part} "
            f"({'no power' if math.isnan(proven) else said_power(proven, units)}). "
            "A limit can be set below that, or lowered, not above it."
        )
    shop = ratings.records.shop
    held = weights_of(float(found["weight_up_to"]), shop.weight.classes)
    entry = Entry(
        component=wish.component,
        part=wish.part,
        weight_up_to=_weights_text(held, shop.units.weight),
        use=wish.use,
        power_limit=_limit_text(wish.power_hp, units),
        effective_on=wish.effective_on.isoformat(),
        reason=" ".join(reason_of(ratings, wish, found).split()),
        basis=FROM_RECORDS,
    )
    _refuse_second(shop, entry, held)
    append(shop, entry)
    return entry


def _row_of(table: pd.DataFrame, wish: Acceptance, units: Units) -> pd.Series:
    part = table[(table["component"] == wish.component) & (table["part"] == wish.part)]
    row = part[same_edge(part["weight_up_to"], wish.weight_up_to_lb) & (part["use"] == wish.use)]
    if row.empty:
        weights = (
            "at any weight"
            if math.isinf(wish.weight_up_to_lb)
            else f"up to {_told(wish.weight_up_to_lb, units)} {units.weight}"
        )
        offered = sorted({"any" if math.isinf(w) else _told(w, units) for w in part["weight_up_to"]})
        raise AnalyticsError(
            f"there is no rating for {wish.component} {wish.part} {weights}{', ' + wish.use if wish.use else ''}. "
            f"Weights rated: {', '.join(offered) or 'none'}."
        )
    return row.iloc[0]


def _told(weight_lb: float, units: Units) -> str:
    """A weight as `accept` takes it, in the shop's own ``units``."""
    own = weight_lb / unit_of("weight", units)[1]
    return number(round(own, 3) if units.weight == "t" else round(own))


def _limit_text(power_hp: float, units: Units) -> str:
    """A limit as it is read back: whole hp as such, else whole in the shop's own unit, rounded down."""
    whole_hp = math.floor(power_hp + 1e-9)
    if units.power == "hp" or power_hp - whole_hp < 1e-6:
        return f"{whole_hp} hp"
    return f"{own_power(power_hp, units)} {units.power}"


def _weights_text(held: Weights, unit: str) -> str:
    """The weights of a limit as they are read back, exactly."""
    if not math.isnan(held.over_lb):
        return f"over {written(held.over_lb, WEIGHT, unit)}"
    return "" if math.isnan(held.up_to_lb) else written(held.up_to_lb, WEIGHT, unit)


def _refuse_second(shop: Shop, entry: Entry, held: Weights) -> None:
    """Raise AnalyticsError where a limit of the same day, part, weights and use is on file: neither would hold."""
    again = load_records(shop.folder, as_of=entry.effective_on)
    aside = again.books.set_aside
    clash = aside[aside["reason"] == LIMITS_CLASH]
    if len(clash):
        raise AnalyticsError(
            f"{clash['file'].iat[0]} row {clash['row'].iat[0]}: {LIMITS_CLASH}. Delete the row that is wrong first, or date the later one."
        )
    own = again.limits
    own = own[
        (own["component"] == entry.component)
        & (own["part"] == entry.part)
        & (own["use"] == entry.use)
        & (own["effective_on"] == pd.Timestamp(entry.effective_on))
        & same_edge(own["weight_up_to_lb"].fillna(math.inf), math.inf if math.isnan(held.up_to_lb) else held.up_to_lb)
        & same_edge(own["weight_over_lb"].fillna(math.inf), math.inf if math.isnan(held.over_lb) else held.over_lb)
    ]
    if len(own):
        raise AnalyticsError(
            f"limits row {own['row'].iat[0]} has a limit of {said_power(own['power_limit_hp'].iat[0], shop.units)} for {entry.component} {entry.part}, the same weights and use, "
            f"from {entry.effective_on} already: delete that row, or give a later day with --effective-on."
        )


def append(shop: Shop, entry: Entry) -> Path:
    """Add ``entry`` as one line to limits.csv of the ``shop`` and return its path: the file is replaced whole, under a
    lock, so that two writers cannot lose a line. Raises AnalyticsError, the file left as it was, where it is a link or
    no .csv, where the sheets were handed over and where it cannot be written."""
    keys = {_key(heading) for c in HEADINGS["limits"].known for heading in shop.headings_of("limits", c)}
    grids = find_grids("limits", shop, keys)
    if shop.sheets.grids is not None:
        raise AnalyticsError("the sheets were handed over as data frames: there is no limits.csv to add a line to.")
    place = shop.sheets.places.get("limits")
    named = place.files[-1] if place and place.files else grids[-1].file if grids else "limits.csv"
    path = shop.folder / named
    if path.is_symlink():
        raise AnalyticsError(
            f"{path.name} is a link to another file: put the file itself into the shop's folder, so that the line is added there and the link not lost."
        )
    if path.suffix.lower() != ".csv":
        raise AnalyticsError(
            f"limits is kept in {path.name}: save it as limits.csv first and take it out of there, so that a line can be added without touching the others."
        )
    with locked(path):
        sweep(path)  # nobody else is writing it
        old = path.read_bytes() if path.exists() else b""
        new = _with_line(old, shop, entry, path.name)
        try:
            with whole_file(path) as part:
                part.write_bytes(new)
        except AnalyticsError as err:
            raise AnalyticsError(f"{err} The limits are as they were.") from err
    return path


@contextmanager
def locked(path: Path):
    """One writer of ``path`` at a time. The lock is the system's own, so that it ends with the process that holds it, even a killed one."""
    from filelock import FileLock, Timeout

    lock = FileLock(path.with_name(f".{path.name}.lock"), timeout=0)
    try:
        lock.acquire()
    except Timeout as err:
        raise AnalyticsError(f"{path.name} is being written by someone else; try again.") from err
    except OSError as err:
        raise AnalyticsError(
            f"{path.name} could not be written ({err.strerror}). What stands in it is as it was."
        ) from err
    try:
        yield
    finally:
        lock.release()


def _line(cells: Sequence[str], mark: str, ending: str) -> str:
    """The ``cells`` as a line of a CSV file."""
    made = io.StringIO()
    csv.writer(made, delimiter=mark, lineterminator=ending).writerow(cells)
    return made.getvalue()


def _with_line(old: bytes, shop: Shop, entry: Entry, name: str) -> bytes:
    if not old.strip():
        headings = [shop.headings_of("limits", c)[0] for c in _COLUMNS]
        old = _line(headings, ",", "\n").encode()
    text, encoding = _decoded(old)
    keys = {_key(heading): c for c in HEADINGS["limits"].known for heading in shop.headings_of("limits", c)}
    text, lines = _with_basis(text, ";" if ";" in text.splitlines()[0] else ",", keys, shop, bool(entry.basis))
    head_at = next((i for i, row in enumerate(lines) if sum(_key(c) in keys for c in row) >= 4), None)
    if head_at is None:
        raise AnalyticsError(f"{name} has no heading row that is understood, so no line was added.")
    columns = [keys.get(_key(c), "") for c in lines[head_at]]
    values = _values(entry, columns, name)
    row = [values.get(c, "") for c in columns]
    ending = "\r\n" if "\r\n" in text else "\n"
    heads = text.splitlines()[head_at]
    line = _line(row, ";" if ";" in heads and "," not in heads else ",", ending)
    try:
        return (text + ("" if text.endswith(("\n", "\r")) else ending) + line).encode(encoding)
    except UnicodeEncodeError as err:
        raise AnalyticsError(
            f"{name} is kept in {encoding}, which cannot hold {err.object[err.start : err.end]!r}. Save it as UTF-8."
        ) from err


def _with_basis(
    text: str, delimiter: str, keys: dict[str, str], shop: Shop, wanted: bool
) -> tuple[str, list[list[str]]]:
    """The text and its rows; where ``wanted``, with a column for the basis after the others if there was none: without it a limit
    accepted on the records would count as evidence beside them."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows, ends = [], []
    for row in reader:
        rows.append(row)
        ends.append(reader.line_num)
    head = next((i for i, row in enumerate(rows) if sum(_key(c) in keys for c in row) >= 4), None)
    if not wanted or head is None or any(keys.get(_key(c)) == "basis" for c in rows[head]):
        return text, rows
    heading = shop.headings_of("limits", "basis")[0]
    lines = text.splitlines(keepends=True)
    bare = lines[ends[head] - 1].rstrip("\r\n")
    lines[ends[head] - 1] = bare + delimiter + heading + lines[ends[head] - 1][len(bare) :]
    rows[head] = [*rows[head], heading]
    return "".join(lines), rows


def _decoded(old: bytes) -> tuple[str, str]:
    """The text of a file, and how it is encoded."""
    encoding = "utf-8-sig" if old.startswith(b"\xef\xbb\xbf") else "utf-8"
    if old[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    try:
        return old.decode(encoding), encoding
    except UnicodeDecodeError:
        return old.decode("cp1252"), "cp1252"


def _values(entry: Entry, columns: list[str], name: str) -> dict[str, str]:
    """What is written of an entry, by column. Raises AnalyticsError where a column is missing, or a value would run as a formula."""
    lost = [c for c in _COLUMNS if getattr(entry, c) and c not in columns]
    if lost:
        raise AnalyticsError(
            f"{name} has no column {', '.join(lost)}: add it to the heading row first; without it the limit would hold for more "
            "than was rated, or its reason be lost."
        )
    values = {c: getattr(entry, c) for c in _COLUMNS} | {"reason": plain_text(entry.reason)}
    run = next((v for c, v in values.items() if c != "reason" and plain_text(v) != v), None)
    if run is not None:
        raise AnalyticsError(
            f"{run!r} would run as a formula when {name} is opened in a spreadsheet, so no line was added. Give it another name in the sheets."
        )
    return values


def _key(text: str) -> str:
    return " ".join("".join(ch if ch.isalnum() else " " for ch in text).split()).casefold()


def history(limits: pd.DataFrame, component: str, part: str) -> pd.DataFrame:
    """Every one of ``limits`` ever published for a ``component``'s ``part``, oldest first, with its reason."""
    own = limits[(limits["component"] == component) & (limits["part"] == part)]
    return own.sort_values(["effective_on", "weight_up_to_lb"], kind="stable")[
        ["effective_on", "weight_up_to_lb", "weight_over_lb", "use", "power_limit_hp", "reason"]
    ].reset_index(drop=True)
