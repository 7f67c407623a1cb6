"""What was promised, and what was measured of it: every figure from the tables of the evidence, each promise a row."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from enum import Enum
from functools import cached_property, partial
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from analytics.words.evidence import CLAIMED, HELD, LEAN, one_sided
from analytics.words.phrases import plural

#: what stands where the table of a study is not in the folder
NOT_MEASURED = "not measured in this folder"
READING = (
    "Every fleet and shop is invented, with a known truth. In brackets stands the standard error (s.e.); “within chance”: the aim lies within 1.645 standard errors of what was measured, so that another draw "
    "could have fallen on its other side. A lowest or a most is picked out of many, which its standard error does not know. Made by: what follows python -m studies, and its table."
)
_SURE = 1.645
_WITHIN = "lightest class, truth within the powers on record, all damage counted"
_SHEET = "follows the sheet"


class Kept(Enum):
    """Whether a promise is met, and whether chance could have it otherwise; its value is how that is said."""

    MET = "met"
    MET_BY_CHANCE = "met, within chance"
    MISSED = "missed"
    MISSED_BY_CHANCE = "missed, within chance"
    UNKNOWN = ""


#: of the promises that are met, and of those missed, what chance could have otherwise comes second
_MET, _MISSED = (Kept.MET, Kept.MET_BY_CHANCE), (Kept.MISSED, Kept.MISSED_BY_CHANCE)


class Told(NamedTuple):
    """What was measured, in words, and whether the promise is met."""

    measured: str
    kept: Kept


class _Tables:
    """The tables of the evidence in a ``folder``, each read once."""

    def __init__(self, folder: str | Path):
        self._folder, self._read = Path(folder), dict[str, pd.DataFrame]()

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self._read:
            self._read[name] = pd.read_csv(self._folder / f"{name}.csv")
        return self._read[name]

    @cached_property
    def cells(self) -> pd.DataFrame:
        """The settings of the study of coverage with all defaults on."""
        own = self["coverage"]
        return own[own["settings"] == "defaults"]

    def shops(self, kind: str, part: str = "") -> pd.DataFrame:
        """Rows of the forty shops of a ``kind``; of one ``part``, or of every one."""
        own = self["demo_shops"]
        own = own[own["kind"] == kind]
        return own[own["part"] == part] if part else own[own["part"] != "all"]

    def of_habit(self, start: str, measure: str) -> pd.Series:
        """What the owner who follows the sheet has of the habit's ``measure``, from a ``start``."""
        own = self["worth_of_habit"]
        return own[(own["start"] == start) & (own["owner"] == _SHEET) & (own["measure"] == measure)].iloc[0]

    def advice(self, measure: str) -> pd.Series:
        """A ``measure`` of the study of advice."""
        return self["advice"].set_index("measure").loc[measure]


def judged(value: float, least: float = -math.inf, most: float = math.inf, se: float = 0.0) -> Kept:
    """Whether a ``value`` lies between ``least`` and ``most``, and whether chance could have it otherwise, by its standard error ``se``."""
    room = min(value - least, most - value)
    plain, by_chance = _MET if room >= 0 else _MISSED
    return by_chance if abs(room) < _SURE * se else plain


def _all_kept(kept: bool) -> Kept:
    return Kept.MET if kept else Kept.MISSED


def _share(value: float, se: float = 0.0) -> str:
    return f"{100 * value:.1f}%" + (f" (s.e. {100 * se:.1f})" if se else "")


def _binomial(share: float, n: float) -> float:
    return math.sqrt(share * (1 - share) / n)


def _held(share: float, se: float, of: float, least: float = 0.9, most: float = math.inf) -> Told:
    """A share that is to lie between ``least`` and ``most``, ``of`` how many."""
    return Told(f"{_share(share, se)} of {of:,.0f}", judged(share, least, most, se))


def _least(rows: pd.DataFrame, column: str, name: str, of: str, se: str = "se") -> tuple[pd.Series, str]:
    """The row lowest in a ``column``, and how it is told: the share, its standard error, of how many and which (``name``)."""
    row = rows.loc[rows[column].idxmin()]
    return row, f"{_share(row[column], row[se])} of {row[of]:,.0f}: {row[name]}"


def _lowest(rows: pd.DataFrame, column: str, name: str, of: str, se: str = "se") -> Told:
    """The lowest of many shares, each of which is to be nine in ten."""
    row, told = _least(rows, column, name, of, se)
    return Told(f"lowest {told}", judged(row[column], 0.9, se=row[se]))


# ---- ratings --------------------------------------------------------------------------------------------------------
def _bounds(t: _Tables) -> Told:
    n = t.cells["rated"].sum()
    share = float((t.cells["covered"] * t.cells["rated"]).sum() / n)
    return Told(
        f"{_share(share, _binomial(share, n))} of {n:,} bounds in {len(t.cells)} settings",
        judged(share, 0.9, se=_binomial(share, n)),
    )


def _cells(t: _Tables) -> Told:
    covered = t.cells["covered"]
    _, low = _least(t.cells, "covered", "cell", "rated")
    return Told(
        f"{(covered < 0.88).sum()} of {len(covered)} settings under 88%, {(covered < 0.86).sum()} of them under 86%, {(covered > 0.96).sum()} over 96%; lowest {low}",
        _all_kept(bool(covered.between(0.88, 0.96).all())),
    )


def _shops_held(kind: str, least: float, most: float = math.inf) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        row = t.shops(kind, "all").iloc[0]
        return _held(row["held"], row["se"], row["bounds"], least, most)

    return tell


def _every_part(t: _Tables) -> Told:
    return _lowest(t.shops("any"), "held", "part", "bounds")


def _every_part_within(t: _Tables) -> Told:
    parts = t.shops(_WITHIN)
    _, low = _least(parts, "held", "part", "bounds")
    over = (parts["held"] > 0.96).sum()
    return Told(
        f"{(parts['held'] < 0.88).sum()} of {len(parts)} parts under 88%, {over} over 96%; lowest {low}",
        _all_kept(bool(parts["held"].between(0.88, 0.96).all())),
    )


def _sharp(t: _Tables) -> Told:
    whole, parts = t.shops(_WITHIN, "all").iloc[0], t.shops(_WITHIN)
    low = parts.loc[parts["median_ratio"].idxmin()]
    return Told(
        f"{_share(whole['median_ratio'])}; {(parts['median_ratio'] < 0.8).sum()} of {len(parts)} parts under 80%, lowest {_share(low['median_ratio'])}: {low['part']}",
        _all_kept(whole["median_ratio"] >= 0.87 and low["median_ratio"] >= 0.8),
    )


def _without(t: _Tables) -> Told:
    whole = t.shops("any", "all").iloc[0]
    rows = whole["without"] + whole["bounds"]
    return Told(
        f"{_share(whole['without'] / rows)} ({whole['without']:,.0f} of {rows:,.0f})",
        judged(whole["without"] / rows, most=0.15),
    )


def _shares(which: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        own = t["demo_shops"]
        own = own[(own["part"] == "share that lasts") & own["kind"].str.startswith(which)]
        every, row = own[own["kind"] == which].iloc[0], own.loc[own["held"].idxmin()]
        return Told(
            f"{_share(every['held'], every['se'])} of {every['bounds']:,.0f}; lowest {_share(row['held'], row['se'])} of {row['bounds']:,.0f}: {row['kind'].removeprefix(f'{which}, of ')}",
            judged(every["held"], 0.9, se=every["se"]),
        )

    return tell


def _hidden(t: _Tables) -> Told:
    row = t["hidden"][(t["hidden"]["times"] == 0) & (t["hidden"]["how"] == "by openings")].iloc[0]
    return _held(row["held"], row["se"], row["bounds"])


def _none_failed(t: _Tables) -> Told:
    return _lowest(t["none_failed"], "held", "cell", "parts")


def _torque(t: _Tables) -> Told:
    own = t["load_hp"][t["load_hp"]["given"] > 0]
    ends, n = own[["held_lbft", "held_slowest"]].stack(), own["fleets"].min()
    low = float(ends.min())
    return Told(
        f"{_share(low, _binomial(low, n))} to {_share(float(ends.max()))} of {n} in each of {len(own)} settings",
        judged(low, 0.88, se=_binomial(low, n)) if ends.max() <= 0.96 else Kept.MISSED,
    )


# ---- following the sheet for six years ------------------------------------------------------------------------------
def _of_habit(start: str, measure: str, most: float, as_share: bool = False) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        row = t.of_habit(start, measure)
        told = _share(row["share"], row["se"]) if as_share else _change(row["share"], row["se"])
        how = f"{row['replicates']} fleets a calibration" if row["replicates"] else "first-order bounds"
        return Told(f"{told}, {how}", judged(row["share"], most=most, se=row["se"]))

    return tell


def _change(share: float, se: float) -> str:
    """One sum over another, as more or less."""
    return f"{100 * abs(share - 1):.1f}% {'more' if share > 1 else 'less'} (s.e. {100 * se:.1f})"


def _raised(t: _Tables) -> Told:
    own = t["worth"]
    row = own[(own["start"] == "all") & (own["owner"] == _SHEET)].iloc[0]
    return Told(
        f"{row['raised_above']:.0f} of {row['looks']:,.0f}; {plural(int(row['raises']), 'limit')} raised in all",
        judged(row["raised_above"] / row["looks"], most=0.05),
    )


# ---- the quarter ----------------------------------------------------------------------------------------------------
def _kinds(t: _Tables, span: str) -> pd.DataFrame:
    return t["quarter"][t["quarter"]["span"] == span]


def _came(span: str) -> Callable[[_Tables], Told]:
    return lambda t: _leaning(_kinds(t, span).set_index("kind"))


def _leaning(of: pd.DataFrame) -> Told:
    """The least and most that came for each forecast, of rows named by their index."""
    ends = of.loc[[of["ratio"].idxmin(), of["ratio"].idxmax()]]
    told = (f"{r.ratio:.3f} (s.e. {r.ratio_se:.3f}; {r.Index})" for r in ends.itertuples())
    return Told(" to ".join(told), _all_kept(bool(of["ratio"].between(*LEAN).all())))


def _stopped(component: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        own = t["stops"][t["stops"]["component"].fillna("") == component]
        cracks = own["times"].map({1.0: "the demo's cracks", 2.0: "twice as many"})
        return _leaning(own.set_index(own["span"] + "s, " + cracks))

    return tell


def _ranges(span: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        own = _kinds(t, span).set_index("kind")["held"]
        return Told(
            f"{_share(own.min())} ({own.idxmin()}) to {_share(own.max())} ({own.idxmax()}); {(~own.between(*HELD)).sum()} of {len(own)} kinds outside",
            _all_kept(bool(own.between(*HELD).all())),
        )

    return tell


def _sides(t: _Tables) -> Told:
    off = {span: [one_sided(row) for row in _kinds(t, span).itertuples()] for span in ("quarter", "year")}
    told = (f"of the {span}s {sum(n)} of {len(n)} kinds are not" for span, n in off.items())
    return Told("; ".join(told), _all_kept(not any(map(any, off.values()))))


def _one_part(t: _Tables) -> Told:
    row = t["prediction"].loc[t["prediction"]["covered"].idxmin()]
    return Told(
        f"lowest {_share(row['covered'], row['se'])} of {row['predicted']:,.0f}: {row['cell']}, next {row['days']:.0f} days",
        judged(row["covered"], 0.9, se=row["se"]),
    )


def _whole_shop(span: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        quiet = t["watch"].set_index("shop").loc["quiet"]
        return _held(quiet[f"{span}_covered"], quiet[f"{span}_se"], quiet[f"{span}_forecasts"])

    return tell


def _quiet_alarms(t: _Tables) -> Told:
    quiet = t["watch"].set_index("shop").loc["quiet"]
    return _held(quiet["share"], quiet["se"], quiet["quarters"], -math.inf, CLAIMED)


def _claims(t: _Tables) -> Told:
    own = _kinds(t, "quarter")
    row = own.loc[own["false_claims"].idxmax()]
    se = _binomial(row["false_claims"], row["forecasts"])
    return Told(
        f"most {_share(row['false_claims'], se)} of {row['forecasts']:,.0f}: {row['kind']}",
        judged(row["false_claims"], most=CLAIMED, se=se),
    )


def _tenfold(t: _Tables, most: bool) -> Told:
    own = t["watch_lots"].query("times == 10").sort_values("usual")
    row = own.iloc[-1 if most else 0]
    return _held(row["caught"], row["se"], row["fleets"], 0.55)


def _guarantee(t: _Tables) -> Told:
    own = t["guarantee"][t["guarantee"]["band"] == "all"]
    row, low = _least(own.assign(told=[f"{m} months" for m in own["months"]]), "covered", "told", "limits")
    return Told(
        f"lowest {low}; the truth above them in at most {_share(own['too_low'].max())}",
        judged(row["covered"], 0.9, se=row["se"]),
    )


# ---- where one part should end --------------------------------------------------------------------------------------
def _steps(t: _Tables) -> Told:
    own = t["cutoff"][t["cutoff"]["kind"] == "slope"]
    n, row = own["fleets"].sum(), own.loc[own["said_step"].idxmax()]
    share = (own["said_step"] * own["fleets"]).sum() / n
    return Told(
        f"{_share(share)} of all {n:,}; most {_share(row['said_step'], row['wrong_se'])} of {row['fleets']}: {row['cell']}",
        judged(row["said_step"], most=0.1, se=row["wrong_se"]),
    )


def _jumps(t: _Tables) -> pd.DataFrame:
    return t["cutoff"][t["cutoff"]["kind"].isin(["step", "both"])]


def _slopes(t: _Tables) -> Told:
    row = _jumps(t).loc[_jumps(t)["said_slope"].idxmax()]
    return Told(
        f"most {_share(row['said_slope'], row['wrong_se'])} of {row['fleets']}: {row['cell']}",
        judged(row["said_slope"], most=0.1, se=row["wrong_se"]),
    )


def _jump(column: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        own = _jumps(t).assign(own_se=lambda d: [_binomial(h, n) for h, n in zip(d[column], d["fleets"], strict=True)])
        return _lowest(own, column, "cell", "fleets", "own_se")

    return tell


def _ends(of: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        row = t["power_ratio"].set_index("cell").loc["all"]
        ends = {row[f"{of}{end}_holds"]: row[f"{of}{end}_se"] for end in ("lower", "upper")}
        told = " and ".join(_share(row[f"{of}{end}_holds"], row[f"{of}{end}_se"]) for end in ("lower", "upper"))
        return Told(f"{told} of {row['compared']}", judged(min(ends), 0.9, se=ends[min(ends)]))

    return tell


# ---- one truck, the records, the load, others -----------------------------------------------------------------------
def _lasting(t: _Tables) -> Told:
    told, worst = t.advice("told: shops with at least .90 lasting"), t.advice("told: worst shop")
    return Told(
        f"in {told['value'] * told['of']:.0f} of the {told['of']:.0f} shops that gave an answer; worst {_share(worst['value'])}",
        judged(told["value"], 0.9),
    )


def _against(what: str, most: float) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        row, answered = t.advice(what), t.advice(f"{what.replace(' that of', '')}, where answered")
        return Told(
            f"{_change(row['value'], row['se'])}; where there was an answer {_change(answered['value'], answered['se'])}",
            judged(row["value"], most=most, se=row["se"]),
        )

    return tell


def _outside(t: _Tables) -> Told:
    row, all_the_same = t.advice("outside: recognised"), t.advice("outside: advised all the same")
    return Told(
        f"{_share(row['value'])} of {row['of']:.0f}; {_share(all_the_same['value'])} of their components got an answer all the same",
        judged(row["value"], 0.95),
    )


def _advised_held(measure: str) -> Callable[[_Tables], Told]:
    def tell(t: _Tables) -> Told:
        row = t.advice(measure)
        return _held(row["value"], row["se"], row["of"])

    return tell


def _slips(t: _Tables) -> Told:
    own = t["slips"].set_index("name")
    whole, other = own.loc["all"], own.loc["another part"]
    se = _binomial(whole["silent_share"], whole["slips"])
    return Told(
        f"{_share(whole['silent_share'], se)}, {whole['silent']} of {whole['slips']}; of another part's name, apart, {other['silent']} of {other['slips']}",
        judged(whole["silent_share"], most=0.02, se=se),
    )


def _accused(t: _Tables) -> Told:
    own = t["load_rules"][t["load_rules"]["times"] == 1]
    n, most = own["fleets"].sum(), own.loc[own["accused"].idxmax()]
    share = float((own["accused"] * own["fleets"]).sum() / n)
    return Told(
        f"{_share(share, _binomial(share, n))} of {n}; most {_share(most['accused'])} of {most['fleets']}: {most['rule']}",
        judged(share, most=0.05, se=_binomial(share, n)),
    )


def _explained(t: _Tables) -> Told:
    own = t["load_explained"]
    n, wrong = own["fleets"].sum(), float((own["wrong"] * own["fleets"]).sum())
    return Told(f"{wrong:.0f} of {n}", judged(wrong / n, most=0.05))


def _others(t: _Tables) -> Told:
    own = t["outside"][t["outside"]["why_not"].isna()]
    ours = own[own["by"] != "lifelines"]
    told = (f"{(o['agrees'] == 'yes').sum():,} of {len(o):,}" for o in (ours, own.drop(ours.index)))
    return Told(
        "{} of ours; {} of lifelines', which tests use".format(*told), _all_kept(bool((own["agrees"] == "yes").all()))
    )


class Promise(NamedTuple):
    """One promise: what it is ``about``, itself, what was aimed at, how what was measured is ``told``, and the study and table it is made by."""

    about: str
    promise: str
    aimed_at: str
    told: Callable[[_Tables], Told]
    study: str
    table: str


_RATED, _LIMITS, _QUARTER, _CUT, _TRUCK, _OTHER, _TIME = ABOUT = (
    "The rating of a part",
    "Following the sheet for six years",
    "The quarter, the year, and the watch",
    "Where one part should end and the next begin",
    "The answer for one truck",
    "Records, load, and the answers of others",
    "Time and memory, on two cores",
)
_BACK, _ALL, _KINDS, _EVERY = (
    "for what brings a truck back",
    "all damage counted",
    "in every kind of shop",
    "in every setting",
)
_FITS = "Price and comebacks of"
_WHAT_IS_SHOWN, _WHAT_IS_ADVISED = "what is shown to last", "what is advised, which may be cheaper"
_RANGE = f"{100 * HELD[0]:.0f} to {100 * HELD[1]:.0f}%"
_PROMISES = (
    Promise(_RATED, "A published bound lies at or below the truth", "90%", _bounds, "coverage", "coverage.csv"),
    Promise(_RATED, f"A bound, {_EVERY}", "88 to 96%, none under 86%", _cells, "coverage", "coverage.csv"),
    Promise(_RATED, f"A bound, {_BACK}, in forty invented shops, from dirty sheets on", "90%", _shops_held("any", 0.9), "shops", "demo_shops.csv"),
    Promise(_RATED, f"A bound, {_BACK}, of every part of these shops", "90%", _every_part, "shops", "demo_shops.csv"),
    Promise(_RATED, f"A bound, {_ALL} (lightest class, the truth within the powers on record)", "88 to 96%", _shops_held(_WITHIN, 0.88, 0.96), "shops", "demo_shops.csv"),
    Promise(_RATED, f"A bound, {_ALL}, of every part", "88 to 96%", _every_part_within, "shops", "demo_shops.csv"),
    Promise(_RATED, f"Where the bound stands in the middle, of the truth, {_ALL}", "87%, every part 80%", _sharp, "shops", "demo_shops.csv"),
    Promise(_RATED, f"A bound, {_ALL}, where the shop says when it looks for what only a teardown shows", "90%", _hidden, "hidden", "hidden.csv"),
    Promise(_RATED, "Rows without a power", "at most 15%", _without, "shops", "demo_shops.csv"),
    Promise(_RATED, "The share that lasts, told in place of a power, holds", "90%", _shares("in its place"), "shops", "demo_shops.csv"),
    Promise(_RATED, "The share that lasts, told beside a power, holds", "90%", _shares("beside a power"), "shops", "demo_shops.csv"),
    Promise(_RATED, f"The bound of a part of which none failed, {_EVERY}", "90%", _none_failed, "none-failed", "none_failed.csv"),
    Promise(_RATED, f"A rating on torque, its lb ft and its hp, {_EVERY}", "88 to 96%", _torque, "load", "load_hp.csv"),
    Promise(_LIMITS, "Cost against the habit, a comeback worth ten trucks refused", "20% less", _of_habit("all", "cost_10", 0.8), "worth", "worth_of_habit.csv"),
    Promise(_LIMITS, "Cost against the habit, a comeback worth five", "less", _of_habit("all", "cost_5", 1.0), "worth", "worth_of_habit.csv"),
    Promise(_LIMITS, "Cost against the habit, a comeback worth twenty", "less", _of_habit("all", "cost_20", 1.0), "worth", "worth_of_habit.csv"),
    Promise(_LIMITS, "Comebacks where limits are 35% too high, against the habit", "none more", _of_habit("1.35 of the truth", "comebacks", 1.0), "worth", "worth_of_habit.csv"),
    Promise(_LIMITS, "Good trucks refused where limits are right, of those the habit refuses", "at most half", _of_habit("1 of the truth", "refused", 0.5, as_share=True), "worth", "worth_of_habit.csv"),
    Promise(_LIMITS, "Right limits wrongly lowered at some look", "at most 15%", _of_habit("1 of the truth", "lowered", 0.15, as_share=True), "worth", "worth_of_habit.csv"),
    Promise(_LIMITS, "Looks that raise a limit above the truth", "at most 5%", _raised, "worth", "worth.csv"),
    Promise(_QUARTER, f"Came in at the door for each expected in a quarter, {_KINDS}", f"{LEAN[0]:g} to {LEAN[1]:g}", _came("quarter"), "quarter", "quarter.csv"),
    Promise(_QUARTER, f"Came in at the door for each expected in a year, {_KINDS}", f"{LEAN[0]:g} to {LEAN[1]:g}", _came("year"), "quarter", "quarter.csv"),
    Promise(_QUARTER, "Trucks stopped for each forecast, where the shop looks for what only a teardown shows", f"{LEAN[0]:g} to {LEAN[1]:g}", _stopped(""), "stops", "stops.csv"),
    Promise(_QUARTER, "Trucks stopped for each forecast there, by the part that is looked at", f"{LEAN[0]:g} to {LEAN[1]:g}", _stopped("output shaft"), "stops", "stops.csv"),
    Promise(_QUARTER, f"The range of a quarter holds what comes, {_KINDS}", _RANGE, _ranges("quarter"), "quarter", "quarter.csv"),
    Promise(_QUARTER, f"The range of a year holds what comes, {_KINDS}", _RANGE, _ranges("year"), "quarter", "quarter.csv"),
    Promise(_QUARTER, f"Misses above and below a range are about as many, {_KINDS}", "within twice", _sides, "quarter", "quarter.csv"),
    Promise(_QUARTER, f"The range of one part's comebacks holds, {_EVERY}", "90%", _one_part, "prediction", "prediction.csv"),
    Promise(_QUARTER, "The range of a whole shop's quarter holds, nothing wrong", "90%", _whole_shop("quarter"), "watch", "watch.csv"),
    Promise(_QUARTER, "The range of a whole shop's year holds, nothing wrong", "90%", _whole_shop("year"), "watch", "watch.csv"),
    Promise(_QUARTER, "Quarters with a false claim, nothing wrong", "at most 10%", _quiet_alarms, "watch", "watch.csv"),
    Promise(_QUARTER, f"Quarters with a false claim, {_KINDS}", "at most 10%", _claims, "quarter", "quarter.csv"),
    Promise(_QUARTER, "A lot of 20 ten times as bad as the others is caught by three years", "at least 55%", partial(_tenfold, most=True), "watch", "watch_lots.csv"),
    Promise(_QUARTER, "Such a lot, of parts that fail as seldom as the demo's converters", "at least 55%", partial(_tenfold, most=False), "watch", "watch_lots.csv"),
    Promise(_QUARTER, "The limits of what a guarantee costs hold the truth", "90%", _guarantee, "guarantee", "guarantee.csv"),
    Promise(_CUT, f"“Step” said of a smooth slope, {_EVERY}", "at most 10%", _steps, "cutoffs", "cutoff.csv"),
    Promise(_CUT, f"“Slope” said of a step, {_EVERY}", "at most 10%", _slopes, "cutoffs", "cutoff.csv"),
    Promise(_CUT, f"The set for the place of a step holds it, {_EVERY}", "90%", _jump("place_holds"), "cutoffs", "cutoff.csv"),
    Promise(_CUT, f"The range of the size of a step holds it, {_EVERY}", "90%", _jump("jump_holds"), "cutoffs", "cutoff.csv"),
    Promise(_CUT, "“Carries X times the power (a to b)”: a, and b, lies on its side of the truth", "90% each", _ends(""), "power-ratio", "power_ratio.csv"),
    Promise(_CUT, "“Lives X times as long (a to b)”: a, and b, lies on its side of the truth", "90% each", _ends("life_"), "power-ratio", "power_ratio.csv"),
    Promise(_TRUCK, "Of the parts told to last in 90 of 100, 90% do", "in nine shops of ten", _lasting, "advice", "advice.csv"),
    Promise(_TRUCK, f"{_FITS} {_WHAT_IS_SHOWN}, against what the truth would fit", "at most 10% more", _against("told: cost over that of the truth", 1.1), "advice", "advice.csv"),
    Promise(_TRUCK, f"{_FITS} {_WHAT_IS_SHOWN}, against what the habit fits", "less", _against("told: cost over that of the habit", 1.0), "advice", "advice.csv"),
    Promise(_TRUCK, f"{_FITS} {_WHAT_IS_ADVISED}, against what the truth would fit", "at most 10% more", _against("read: cost over that of the truth", 1.1), "advice", "advice.csv"),
    Promise(_TRUCK, f"{_FITS} {_WHAT_IS_ADVISED}, against what the habit fits", "less", _against("read: cost over that of the habit", 1.0), "advice", "advice.csv"),
    Promise(_TRUCK, "Trucks that no shop has seen are recognised", "95%", _outside, "advice", "advice.csv"),
    Promise(_TRUCK, "The upper end of the share that fails holds, of every part with a figure", "90%", _advised_held("upper end held, every part with a figure"), "advice", "advice.csv"),
    Promise(_TRUCK, "The upper end of the share that fails holds, of the parts shown to last", "90%", _advised_held("upper end held, parts supported"), "advice", "advice.csv"),
    Promise(_TRUCK, "The lower end of how many whole builds last holds, every component shown to", "90%", _advised_held("builds supported: lower end of what lasts held"), "advice", "advice.csv"),
    Promise(_OTHER, "Slips of the pen that move a published figure with nothing said", "at most 2%", _slips, "slips", "slips.csv"),
    Promise(_OTHER, "A rule of the driveline that does nothing is accused", "at most 5%", _accused, "load", "load_rules.csv"),
    Promise(_OTHER, "What explains the returns, power or load, is told wrong", "at most 5%", _explained, "load", "load_explained.csv"),
    Promise(_OTHER, "Answers printed or computed by others are ours too, within the tolerance", "all", _others, "outside", "outside.csv"),
)  # fmt: skip
#: groups of the table of speeds that are told work by work
_BY_THEMSELVES = ("commands", "review", "rating", "answers", "million", "dask")


def _timed(table: pd.DataFrame) -> Iterator[tuple[str, str, Told]]:
    """What each command and the like takes: the promise, what was aimed at, and what was measured; fits and curves together. table: of the speeds."""
    aimed = table[table["goal"].notna()]
    alone = aimed["group"].isin(_BY_THEMSELVES)
    for _, row in aimed[alone].iterrows():
        aim, took = _aim_and_took(row)
        work = f"{row['rows']:,} builds {row['work']}" if row["group"] == "million" else row["work"]
        work += ", memory" if aim.endswith("MB") else ""
        yield work, aim, Told(took, _all_kept(row["times_as_fast"] >= row["goal"]))
    rest = aimed[~alone]
    met = int((rest["times_as_fast"] >= rest["goal"]).sum())
    told = Told(f"{met} of {len(rest)}", _all_kept(met == len(rest)))
    yield "fits, refits, curves and searches, against lifelines, R and their own floor", "every goal", told


def _aim_and_took(row: pd.Series) -> tuple[str, str]:
    """What a work was to take, and what it took in the middle, with the least and most."""
    against, ends = row["against"], (row["lowest"], row["highest"])
    limit, _, unit = against.partition(" ")
    if unit == "MB":
        return f"at most {against}", f"{row['peak_mb']:,.0f} MB"
    if unit == "s":
        return f"at most {against}", _seconds(row, *(float(limit) / ratio for ratio in reversed(ends)))
    times = "{:.2f} times ({:.2f} to {:.2f})".format(row["times_as_fast"], *ends)
    return f"{row['goal']:g} times as fast as {against}", times


def _seconds(row: pd.Series, least: float, most: float) -> str:
    on_the_clock = not math.isnan(row["wall_ms"])
    took = row["wall_ms" if on_the_clock else "cpu_ms"] / 1e3
    ends = f" ({least:#.3g} to {most:#.3g})" if most > least else ""
    return f"{took:#.3g} s{ends}{'' if on_the_clock else ' of processor time'}"


def promised(folder: str | Path) -> pd.DataFrame:
    """Every promise, a row: what it is about, the promise, aimed_at, measured, kept (`Kept`), the study and the table it is made by.
    folder: of the tables of the evidence."""
    tables = _Tables(folder)
    rows = [(p.about, p.promise, p.aimed_at, *_told(p, tables), p.study, p.table) for p in _PROMISES]
    try:
        rows += [(_TIME, work, aim, *told, "speed", "speed.csv") for work, aim, told in _timed(tables["speed"])]
    except FileNotFoundError:
        rows.append((_TIME, "Every command", "", NOT_MEASURED, Kept.UNKNOWN, "speed", "speed.csv"))
    return pd.DataFrame(rows, columns=["about", "promise", "aimed_at", "measured", "kept", "study", "table"])


def _told(promise: Promise, tables: _Tables) -> Told:
    try:
        return promise.told(tables)
    except FileNotFoundError:
        return Told(NOT_MEASURED, Kept.UNKNOWN)


def summary(table: pd.DataFrame) -> tuple[str, ...]:
    """How many promises are met, and how to read them. table: of `promised`."""
    met, close, missed, near = (int((table["kept"] == kept).sum()) for kept in (*_MET, *_MISSED))
    met, missed = met + close, missed + near
    return (
        f"Of {met + missed} promises {met} are met, {close} of them within chance, and {missed} missed, {near} within chance.",
        READING,
    )


def as_shown(table: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    """The promises as they are read, group by group: what they are about, and their rows, each with what made it. table: of `promised`."""
    made = table["study"].where(table["study"] == "", table["study"] + ": ") + table["table"]
    shown = table.assign(made_by=made, met_or_missed=[kept.value for kept in table["kept"]])
    for about, own in shown.groupby("about", sort=False):
        yield str(about), own[["promise", "aimed_at", "measured", "met_or_missed", "made_by"]]
