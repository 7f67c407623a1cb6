"""The quarter on one sheet, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from analytics.ratings.sheet import Ratings
from analytics.ratings.verdict import NOT_SHOWN
from analytics.reasons import Call, Code, Do, Faults, InNumbers, Reason, Since, Verdict, Who
from analytics.review.one_sheet import Line, Sheet
from analytics.words.phrases import at_least, capital, listed, money, numbered, percent, plural, weight, weight_class
from analytics.words.ratings.sheet import NO_POWER, lasting, offered
from analytics.words.saying import say, says, texts
from analytics.words.units import about_power, bare_power, bare_weight, counted, distance, power, spoken

#: as many trucks, calls at random, and parts stand on the sheet; the whole lists are one click below
TRUCKS, AT_RANDOM, PARTS = 6, 5, 14
TO_DO, LIMITS, CALLS, NUMBERS, CHANGED, MEND = (
    "To do, most urgent first",
    "The limits",
    "Trucks to call",
    "The quarter in numbers",
    "What changed since the last review",
    "Records to mend first",
)
#: what a line rests on, by the section of the page that holds it
EVIDENCE = {"worse": "the watch", "limits": "the limits", "call": "the list", "ahead": "the forecast"}
CAPTION = {"limits": LIMITS, "calls": CALLS, "numbers": NUMBERS}
CALLS_METHOD = (
    "A truck is above a limit where its power exceeds what the part should be published at: the figure proposed where it is to move, else the one published, or supported if that is higher. "
    "The chance is that any of its parts fails within a year at the truck's own driving, given power, weight, use, age and miles, averaged over what the fits leave open; its parts are taken as independent.",
)
WHOLE_CALLS, WHOLE_LIMITS = "The whole list of trucks to call", "Every part, weight class and use"
NOTHING_SHOWN = "not shown"
#: why a limit stays where more is supported, in the table and below it
HELD: dict[Code, tuple[str, str]] = {
    Verdict.HIDDEN_DAMAGE: ("hidden damage", "a teardown showed some that stops no truck"),
    Verdict.FEW_KNOWN: ("few known", "power or weight is on record of few of the trucks that run"),
    Verdict.HELD_BY_MARGIN: ("may give", "by its own geometry, at the worst of what is not known of the truck"),
}

texts(
    {
        Who.OWNER: "owner",
        Who.BENCH: "bench",
        Who.PARTS: "parts",
        Who.PHONE: "phone",
        InNumbers.CAME_BACK: "components came back",
        InNumbers.IN_SERVICE: "trucks in service at its end",
        InNumbers.PER_HUNDRED: "came back per hundred trucks",
        InNumbers.EXPECTED: "expected at its start, of the trucks then out",
        InNumbers.COST: "cost on record",
        Call.LIKELY: "likely to come back for its {component}",
        Call.TELLS_MUCH: "its missing particulars would tell much",
        Do.NOTHING: "Nothing stands out, no limit is to move and no truck is worth a call of its own.",
        Since.NO_REVIEW_BEFORE: "There is no review before this one to compare with.",
        Since.NOTHING: "Nothing: the same alarms and verdicts.",
    }
)


# ---- to do -----------------------------------------------------------------------------------------------------------
def _counts(came: int, units: int, expected: float) -> str:
    usual = "next to none" if expected < 0.1 else numbered(expected)
    return f"{came} of {units:,} came back, {usual} would be usual"


@says(Do.STOP_LOT)
def _stop_lot(what: Reason, lot: str, running: int, came: int, units: int, expected: float) -> str:
    call = f"; call the {plural(running, 'truck')} that still {'runs' if running == 1 else 'run'} it" if running else ""
    return f"Fit no more of lot {lot}, hold one against the drawing{call}: {_counts(came, units, expected)}."


texts(
    {
        Do.ASK_BENCH: lambda what, came, units, expected: (
            f"Find out what was different on the bench ({say(what)}): {_counts(came, units, expected)}."
        ),
        Do.LOOK_AT: lambda what, came, units, expected: f"Look into {say(what)}: {_counts(came, units, expected)}.",
        Do.RANDOM: lambda calls: (
            f"Make the {plural(calls, 'random call')}, in their order: nothing else shows failures that nobody reported."
        ),
        Do.STOCK: lambda parts: (
            f"Have on the shelf for the quarter's comebacks: {listed([f'{n} {part}' for part, n in parts], 6)}."
        ),
    }
)


#: per class the weight rated at, what is published, what is proposed, and up to which weight a lighter class stays (0: none)
Moves = Sequence[tuple[float, float, float, float]]


def _moved(moves: Moves) -> str:
    """Class by class: from what is published to what is proposed; classes that move alike are one, up to the heaviest."""
    alike = {(str(published), proposed, over): (w, published, proposed, over) for w, published, proposed, over in moves}
    told = [
        f"{f'{bare_weight(over)} to {weight(w)}' if over else weight_class(w)} {f'from {bare_power(published)} ' if math.isfinite(published) else ''}to {power(proposed)}"
        for w, published, proposed, over in alike.values()
    ]
    return ", ".join(told)


@says(Do.LOWER)
def _lower(component: str, part: str, moves: Moves, trucks: int, expected: float) -> str:
    above = f" {plural(trucks, 'truck')} {'runs' if trucks == 1 else 'run'} above that." if trucks else ""
    return f"Lower {part} ({component}): {_moved(moves)}.{above}"


@says(Do.LOWER_TOO)
def _lower_too(parts: Sequence[tuple[str, str, int]]) -> str:
    # each by itself: a truck may run above two of them
    told = [part + f" ({plural(trucks, 'truck')} above)" * bool(trucks) for _, part, trucks in parts]
    return f"Lower also {listed(told)}, as the table says."


@says(Do.RAISE)
def _raise(parts: Sequence[tuple[str, str, Moves]]) -> str:
    told = [f"{part} ({_moved(moves)})" for _, part, moves in parts]
    return f"Decide whether to raise or first publish {listed(told)}, with the margin on the page of loads, where it has one."


@says(Do.CALL)
def _call(trucks: int, from_chance: float, expected: float) -> str:
    each = "it" if trucks == 1 else "each"
    return f"Call {plural(trucks, 'truck')}: {each} has a chance of {percent(from_chance)} or more to come back within a year, {numbered(expected)} expected in all."


@dataclass(frozen=True, slots=True)
class Told:
    """A line of what to do: who, what, what is at stake a year ("" where that cannot be told), and the section of its evidence."""

    who: str
    what: str
    at_stake: str
    section: str


def to_do(sheet: Sheet) -> list[Told]:
    """The lines of the ``sheet``, most urgent first."""
    return [Told(say(line.who), say(line.what), _stake(sheet, line), line.section) for line in sheet.to_do]


def _stake(sheet: Sheet, line: Line) -> str:
    if not line.loss > 0:
        return "safety" if line.danger else ""
    if sheet.priced:
        return f"{money(line.loss, sheet.currency)} a year"
    return "" if line.what.code is Do.CALL else f"{numbered(line.loss)} comebacks a year"  # the line itself tells it


# ---- limits ----------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Cell:
    """One weight class of a part: the verdict on what is published ("" where it is not rated), and what is supported."""

    verdict: str = ""
    supported: str = ""
    code: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """A part, or one use of it that stands otherwise, with a cell per weight class. moves: whether a limit is to change."""

    component: str
    part: str
    cells: tuple[Cell, ...]
    moves: bool


def class_heads(ratings: Ratings) -> list[str]:
    """Headings of the weight classes of these ``ratings``."""
    edges = ratings.records.shop.weight.classes
    if not edges or (len(ratings.table) and ratings.table["weight_up_to"].map(math.isinf).all()):
        return ["any weight"]
    return [*(weight_class(edge) for edge in edges), "heavier"]


def filled_classes(ratings: Ratings, rows: Sequence[Row]) -> tuple[list[str], list[Row]]:
    """Headings of a table of ``rows`` of these ``ratings``, and the rows, both without the weight classes of which no row says anything."""
    heads = class_heads(ratings)
    kept = [k for k in range(len(heads)) if any(row.cells[k].verdict for row in rows)]
    return ["part", *(heads[k] for k in kept)], [replace(r, cells=tuple(r.cells[k] for k in kept)) for r in rows]


def rows_of(ratings: Ratings, limits: pd.DataFrame) -> list[Row]:
    """Of the ``ratings`` a row per part, its harshest use; below it each use whose verdicts differ. Parts with a limit to move first.
    limits: each limit and how it stood before."""
    rows = []
    for (component, part), own in limits.groupby(["component", "part"], sort=False):
        general = _row(ratings, component, part, own[own["use"] == ""])
        uses = [u for u in own["use"].unique() if u]
        alone = [_row(ratings, component, _alone(ratings, part, use), own[own["use"] == use]) for use in uses]
        rows.append((general, [row for row in alone if _shown(row) != _shown(general)]))
    ordered = sorted(rows, key=lambda pair: not pair[0].moves)
    return [row for general, differ in ordered for row in (general, *differ)]


def _alone(ratings: Ratings, part: str, use: str) -> str:
    """A part in one use, with the life it is rated for where that is the use's own."""
    own = ratings.records.shop.targets.uses.get(use)
    return f"{part}, {use} alone" if own is None else f"{part}, {use}, {counted(own.life, own.counted)}"


def _shown(row: Row) -> tuple[str, ...]:
    return tuple(cell.code for cell in row.cells)


def _row(ratings: Ratings, component: str, part: str, own: pd.DataFrame) -> Row:
    classes, edges = len(class_heads(ratings)), ratings.records.shop.weight.classes
    cells = [Cell()] * classes
    for r in own.itertuples():
        at = classes - 1 if r.open or classes == 1 else _class(edges, r.weight_up_to)
        cells[at] = _cell(r, lasting(ratings, r))
    return Row(component, part, tuple(cells), bool(own["verdict"].isin(["lower", "raise"]).any()))


def _class(edges_lb: Sequence[float], rated_lb: float) -> int:
    return min(range(len(edges_lb)), key=lambda k: abs(edges_lb[k] - rated_lb))


def _cell(row, lasts: Reason | None) -> Cell:
    if lasts is not None:
        return Cell(
            NO_POWER,
            f"{at_least(lasts.values['at_least'])} last up to {about_power(lasts.values['highest_hp'])}",
            row.verdict,
        )
    published, proposed = (bare_power(v) if math.isfinite(v) else "" for v in (row.published_hp, row.proposed_hp))
    if row.verdict in ("lower", "raise"):
        verdict = f"{row.verdict} {published} to {proposed}" if published else f"publish {proposed}"
    elif row.verdict == "keep":
        verdict = f"keep {published}"
    else:
        verdict = f"{published or 'none published'}, {NOTHING_SHOWN}"
    told = f"{_supported(row.supported_hp)} supported"
    if row.before_verdict and row.before_verdict != row.verdict:
        verdict += ", new"
    if row.before_verdict and _supported(row.before_supported_hp) != _supported(row.supported_hp):
        told += f", was {_supported(row.before_supported_hp)}"
    if row.why.code in HELD:
        told += f"; {HELD[row.why.code][0]}"
    if math.isfinite(row.trial_hp):
        told += f"; may be tried to {bare_power(row.trial_hp)}"
    return Cell(verdict, told, row.verdict)


def _supported(power_hp: float) -> str:
    return bare_power(power_hp) if math.isfinite(power_hp) else "none"


def limits_note(sheet: Sheet) -> str:
    """What the figures in the limits of the ``sheet`` are."""
    promise, own = sheet.ratings.options.promise, sheet.limits
    past = own[(own["verdict"] == "lower") & (own["proposed_hp"] > own["supported_hp"])]
    cheapest = (
        " What a limit is lowered to costs least, the old one counting as weak evidence; only the supported figure is that sure."
        if len(past)
        else ""
    )
    held = "".join(
        f" {capital(short)}: {why}, so not raised."
        for code, (short, why) in HELD.items()
        if any(w.code is code for w in own["why"])
    )
    if own["trial_hp"].notna().any():
        held += " May be tried: more likely good for that than not; in trucks that neither race nor pull, whose owners agree; not to publish."
    if any(lasting(sheet.ratings, r) is not None for r in own.itertuples()):
        held += f" {capital(NO_POWER)}: it is not shown to matter there; the share is sure too, but not calibrated."
    return (
        f"In {spoken().power} at the crank, by truck weight, for the harshest use on record. Supported: {percent(promise.confidence)} sure that {percent(promise.reliability)} last "
        f"{distance(promise.life_miles)}; was: last quarter; new: another verdict then; not shown: neither supported nor contradicted.{held}{cheapest} A person decides."
    )


def limits_lead(sheet: Sheet) -> str:
    """How many limits of the ``sheet`` are to move."""
    own = offered(sheet.limits, sheet.limits["why"])
    own = own[own["use"] == ""]
    order = ("lower", "raise", "keep", NOT_SHOWN, NO_POWER)
    counts = {verdict: int((own["verdict"] == verdict).sum()) for verdict in order}
    move = {
        "raise": "to raise or first publish"
        if own.loc[own["verdict"] == "raise", "published_hp"].isna().any()
        else "to raise",
        NOT_SHOWN: NOT_SHOWN,
        NO_POWER: f"with {NO_POWER}",
    }
    told = [f"{n} {move.get(v, f'to {v}')}" for v, n in counts.items() if n]
    return (
        f"Of {plural(len(own), 'limit')} by part and weight class: {listed(told)}. The ratings page holds what each rests on."
        if len(own)
        else "No part could be rated."
    )


# ---- trucks to call --------------------------------------------------------------------------------------------------
texts(
    {
        Call.LOT: lambda lots: f"carries lot {listed(lots)}",
        Call.ABOVE: lambda limits: f"runs above {listed([f'{part} {power(hp)}' for _, part, hp in limits], 3)}",
        Call.WHY: lambda reasons: "; ".join(say(r) for r in reasons),
    }
)


def calls_table(sheet: Sheet) -> pd.DataFrame:
    """Every truck to call on the ``sheet``, the dearest first, as the owner reads it."""
    table = sheet.calls.table
    told = pd.DataFrame(
        {
            "serial": table["serial"],
            "why": [capital(say(why)) for why in table["why"]],
            "truck now": [_truck(r) for r in table.itertuples()],
            "within a year": [percent(c) if c == c else "not known" for c in table["in_a_year"]],
            "expected loss": [money(v, sheet.currency) if v == v else "" for v in table["loss"]],
        }
    )
    return told if sheet.priced else told.drop(columns="expected loss")


def _truck(row) -> str:
    told = [power(row.power_hp) if row.power_hp == row.power_hp else "power not recorded"]
    told.append(weight(row.weight_lb) if row.weight_lb == row.weight_lb else "weight not recorded")
    return ", ".join([*told, row.use or "use not recorded"])


def calls_note(sheet: Sheet) -> str:
    """What the trucks of the ``sheet`` are ranked by, and how many they are."""
    n = len(sheet.calls.table)
    if not n:
        return "No truck stands above what its parts should be published at, on a bad lot, or out as likely to fail."
    by = (
        f"the comebacks expected within a year, of which a truck can have several, times {money(sheet.comeback, sheet.currency)} each"
        if sheet.priced
        else "the chance to come back within a year"
    )
    first = f"the first {TRUCKS} of {n:,}" if n > TRUCKS else plural(n, "truck")
    above = " Above: over what is proposed, else published, or supported if that is higher." if _above(sheet) else ""
    return f"Ranked by {by}: {first}.{above} A low chance is no promise for one truck; the names stay in the shop."


def _above(sheet: Sheet) -> bool:
    """Whether a truck on the ``sheet`` is called for running above a limit."""
    whys = sheet.calls.table["why"].head(TRUCKS)
    return any(r.code is Call.ABOVE for why in whys for r in why.values.get("reasons", (why,)))


def random_note(sheet: Sheet) -> str:
    """The random calls of the ``sheet``, told apart."""
    if not sheet.random:
        return ""
    shown = ", ".join(sheet.random[:AT_RANDOM])
    more = f" and on ({len(sheet.random)} in all: random_calls.csv)" if len(sheet.random) > AT_RANDOM else ""
    return f"Apart from these, at random and in this order, no others: {shown}{more}. They speak for the {sheet.silent:,} silent for a year or more."


#: what the cost of the quarter ahead is told at
_AHEAD_AT = {"": "", "stated": "; ahead as stated in shop.toml", "recorded": "; ahead at what returns have cost"}


# ---- numbers ---------------------------------------------------------------------------------------------------------
def numbers_table(sheet: Sheet) -> pd.DataFrame:
    """Of the ``sheet`` the quarter, the last, the year before and what is expected next, a row per figure."""
    found = sheet.numbers.set_index(["what", "quarter"])
    heads = [*sheet.spans, ""]
    rows = []
    for what in InNumbers:
        cells = [_figure(sheet, what, found.loc[(what, q)]) if (what, q) in found.index else "" for q in heads]
        basis = found.loc[(what, ""), "basis"] if what is InNumbers.COST and cells[-1] else ""
        rows.append([capital(say(what)) + _AHEAD_AT[basis], *cells])
    return pd.DataFrame(rows, columns=["", *sheet.spans, "next quarter, expected"])


def _figure(sheet: Sheet, what: InNumbers, row: pd.Series) -> str:
    value, lower, upper = row["value"], row["lower"], row["upper"]
    if what is InNumbers.COST:
        missing = f" ({plural(int(row['missing']), 'return')} without one)" if row["missing"] else ""
        return f"{money(value, sheet.currency)}{missing}" if value or not missing else "none written down"
    if what is InNumbers.EXPECTED:
        return f"{numbered(value)} ({lower:,.0f} to {upper:,.0f})"
    return f"{value:.1f}" if what is InNumbers.PER_HUNDRED else f"{value:,.0f}"


# ---- what the watch holds ---------------------------------------------------------------------------------------------
def watch_lead(standing: Sequence[Reason], gone: Sequence[Reason]) -> str:
    """What is ``standing`` of the alarms today, and what is ``gone``: raised before, and over by what came since."""
    told = "No alarm stands."
    if standing:
        verb = "stands" if len(standing) == 1 else "stand"
        told = f"{plural(len(standing), 'alarm')} {verb}: {listed([say(look) for look in standing])}."
    return f"{told} Over, by what came since: {listed([say(look) for look in gone])}." if gone else told


# ---- what changed ----------------------------------------------------------------------------------------------------
@says(Since.VERDICT)
def _verdict(component: str, part: str, was: str, now: str, weights: Sequence[float], published: bool) -> str:
    at = weight_class(max(weights)) if len(weights) == 1 else f"in {len(weights)} weight classes"
    # what is published first is not raised
    before, after = (("publish" if verdict == "raise" and not published else verdict) for verdict in (was, now))
    return f"{part} {at}: now “{after}”, was “{before}”."


texts(
    {
        Since.RATED_NOW: lambda parts: f"Rated for the first time: {listed([part for _, part in parts])}.",
        Since.ALARM_NEW: lambda what: f"New alarm: {say(what)}.",
        Since.ALARM_OVER: lambda what, verdict: f"No longer an alarm: {say(what)}, {say(verdict)}.",
    }
)


def to_mend(sheet: Sheet) -> list[str]:
    """What in the records to mend first, as the ``sheet`` has it, and how; the harm it does is told below."""
    return [
        f"{capital(say(fault.values['what']))}. {capital(say(fault.values['mend']))}."
        for fault in sheet.mend
        if fault.code is Faults.FAULT
    ] or [say(fault) for fault in sheet.mend]


def title(sheet: Sheet) -> str:
    """Whose sheet, of which quarter."""
    return f"{sheet.ratings.records.shop.name}: {sheet.span.name}"


def as_of(sheet: Sheet) -> str:
    """The day of the records behind the ``sheet``."""
    day = sheet.span.end
    state = "" if sheet.span.whole else ", the quarter not over"
    return f"The quarter on one sheet, from the records as of {day.day} {day:%B %Y}{state}."
