"""What was promised and what was measured: the table at the head of data/evidence/README.md, on the evidence page, and in the tables of the studies.

`python -m tests.test_promises` writes the README's table anew, from the tables of the studies.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.words.promised import ABOUT, NOT_MEASURED, Kept, as_shown, judged, promised, summary

EVIDENCE = Path(__file__).parents[1] / "data" / "evidence"
PAGE = EVIDENCE / "README.md"
START, END = "<!-- from the tables -->", "<!-- to here -->"


def table_of(folder: Path = EVIDENCE) -> str:
    """The promises as Markdown."""
    found = promised(folder)
    out = [*summary(found), ""]
    for about, own in as_shown(found):
        out += [f"### {about}", "", "| promise | aimed at | measured | | made by |", "|---|---|---|---|---|"]
        out += [f"| {' | '.join(row)} |" for row in own.itertuples(index=False)] + [""]
    return "\n".join(out)


def rows_of(page: str) -> dict[str, list[str]]:
    """The cells of the README's table by promise."""
    cells = [[c.strip() for c in line.strip("|").split("|")] for line in page.splitlines() if line.startswith("| ")]
    return {row[0]: row[1:] for row in cells if row[0] != "promise"}


WRITTEN = rows_of(PAGE.read_text(encoding="utf-8").split(START)[-1].split(END)[0])


def test_the_table_is_that_of_the_studies():
    written = PAGE.read_text(encoding="utf-8").split(START, 1)[1].split(END, 1)[0]
    assert written.strip() == table_of().strip(), "write it anew: python -m tests.test_promises"
    assert len(WRITTEN) == len(promised(EVIDENCE)) > 60


# ---- every figure, computed again from the rows the studies kept --------------------------------------------------------
def read(name: str) -> pd.DataFrame:
    return pd.read_csv(EVIDENCE / f"{name}.csv", keep_default_na=False, na_values=["nan", ""])


def ratios(name: str, column: str) -> pd.Series:
    """The figures of each cell of a study in blocks."""
    blocks = read(name)
    joined = blocks.groupby("cell", sort=False)[column].apply(lambda b: " ".join(map(str, b)))
    return joined.map(lambda text: np.array([float(v) for v in text.split()]))


def p(share: float, se: float | None = None) -> list[float]:
    return [100 * share] if se is None else [100 * share, 100 * se]


def binomial(share: float, n: int) -> float:
    return float(np.sqrt(share * (1 - share) / n))


def over_shops(held: pd.Series, seed: pd.Series) -> float:
    """Standard error of a share over shops, each with its own number: of a ratio of sums."""
    share, n = held.mean(), seed.nunique()
    gap = [(own.sum() - share * len(own)) ** 2 for _, own in held.groupby(seed)]
    return float(np.sqrt(sum(gap) * n / (n - 1))) / len(held) if n > 1 else 0.0


def coverage() -> pd.Series:
    defaults = read("coverage").query("settings == 'defaults'")["cell"]
    held = ratios("coverage_blocks", "calibrated")[list(defaults)]
    return held.map(lambda r: r[~np.isnan(r)] <= 1 + 1e-9)


def bounds() -> list[float]:
    every = np.concatenate(list(coverage()))
    return [*p(every.mean(), binomial(every.mean(), len(every))), len(every), len(coverage())]


def cells() -> list[float]:
    each = coverage().map(np.mean)
    low = coverage()[each.idxmin()]
    counts = [(each < 0.88).sum(), len(each), (each < 0.86).sum(), (each > 0.96).sum()]
    # 88, 86 and 96 are the aim, named again
    return [*counts[:2], 88, counts[2], 86, counts[3], 96, *p(low.mean(), binomial(low.mean(), len(low))), len(low)]


def shops() -> pd.DataFrame:
    rows = read("demo_blocks").query("how != 'no power'")
    rows["part"] = rows["component"] + " " + rows["part"]
    return rows


def back() -> pd.DataFrame:
    rows = shops().dropna(subset=["bound_hp"])
    return rows.assign(held=rows["bound_hp"] <= rows["true_hp"] * (1 + 1e-9))


def every_damage() -> pd.DataFrame:
    rows = shops().dropna(subset=["bound_hp"]).sort_values("weight_lb", kind="stable")
    rows = rows.drop_duplicates(["seed", "part"]).query("true_all_hp <= cap_hp")
    return rows.assign(held=rows["bound_hp"] <= rows["true_all_hp"], ratio=rows["bound_hp"] / rows["true_all_hp"])


def held_of(rows: pd.DataFrame) -> list[float]:
    return [*p(rows["held"].mean(), over_shops(rows["held"], rows["seed"])), len(rows)]


def lowest_part(rows: pd.DataFrame) -> list[float]:
    return held_of(rows[rows["part"] == rows.groupby("part")["held"].mean().idxmin()])


def every_part() -> list[float]:
    held = every_damage().groupby("part")["held"].mean()
    return [(held < 0.88).sum(), len(held), 88, (held > 0.96).sum(), 96, *lowest_part(every_damage())]


def middle() -> list[float]:
    by_part = every_damage().groupby("part")["ratio"].median()
    return [*p(every_damage()["ratio"].median()), (by_part < 0.8).sum(), len(by_part), 80, *p(by_part.min())]


def without() -> list[float]:
    none = shops()["bound_hp"].isna()
    return [*p(none.mean()), none.sum(), len(none)]


def shares(in_place: bool) -> list[float]:
    rows = read("demo_blocks").dropna(subset=["share_least"])
    rows = rows[rows["how"].isin(["share", "no power"]) == in_place]
    rows = rows.assign(held=rows["share_least"] <= rows["share_true"])
    low = rows[rows["component"] == rows.groupby("component")["held"].mean().idxmin()]
    return [*held_of(rows), *held_of(low)]


def hidden() -> list[float]:
    rows = read("hidden_shops").query("how == 'by openings'").dropna(subset=["bound_hp"])
    held = (rows["bound_hp"] <= rows["true_hp"]).mean()
    return [*p(held, binomial(held, len(rows))), len(rows)]


def none_failed() -> list[float]:
    held = ratios("none_failed_blocks", "ratio").map(lambda r: r[~np.isnan(r)] <= 1)
    low = held[held.map(np.mean).idxmin()]
    return [*p(low.mean(), binomial(low.mean(), len(low))), len(low)]


def torque() -> list[float]:
    rows = read("load_hp").query("given > 0")
    ends = [*rows["held_lbft"], *rows["held_slowest"]]
    return [*p(min(ends), binomial(min(ends), 100)), *p(max(ends)), 100, len(rows)]


def against_habit(start: float | None, what: Callable[[pd.DataFrame], pd.Series], change: bool = True) -> list[float]:
    runs = read("worth_runs")
    runs = runs if start is None else runs[runs["start"] == start]
    sheet, habit = (
        what(runs[runs["owner"] == owner].groupby("seed")[["comebacks", "refused"]].sum())
        for owner in ("follows the sheet", "just below the first failure")
    )
    share, n = sheet.sum() / habit.sum(), len(sheet)
    se = np.sqrt(n * ((sheet - share * habit) ** 2).sum() / (n - 1)) / habit.sum()
    return p(abs(share - 1) if change else share, se)


def cost(price: int) -> Callable[[], list[float]]:
    return lambda: against_habit(None, lambda runs: price * runs["comebacks"] + runs["refused"])


def lowered() -> list[float]:
    rows = read("worth_runs").query("start == 1 and owner == 'follows the sheet'")
    share = rows["wrong_lower"] / 2  # of the limits of two parts
    return p(share.mean(), share.std() / np.sqrt(len(share)))


def raised() -> list[float]:
    rows = read("worth_runs").query("owner == 'follows the sheet'")
    return [rows["raised_above"].sum(), rows["looks"].sum(), rows["raises"].sum()]


def kinds(span: str) -> pd.DataFrame:
    rows = read("quarter_forecasts").query("span == @span")
    return rows.assign(above=rows["came"] > rows["upper"], below=rows["came"] < rows["lower"])


def came(span: str) -> Callable[[], list[float]]:
    def again() -> list[float]:
        rows = kinds(span).groupby(["kind", "seed"])[["came", "expected"]].sum()
        total = rows.groupby("kind").sum()
        ratio = total["came"] / total["expected"]
        gap = (rows["came"] - rows["expected"] * ratio) ** 2
        se = np.sqrt(gap.groupby("kind").sum()) / total["expected"]
        return [ratio.min(), se[ratio.idxmin()], ratio.max(), se[ratio.idxmax()]]

    return again


def stops(component: str) -> Callable[[], list[float]]:
    def again() -> list[float]:
        rows = read("stops_shops")
        rows = rows[rows["component"].fillna("") == component]
        found = []
        for _, own in rows.groupby(["times", "span"]):
            shops = own.groupby("seed")[["stopped", "expected"]].sum()
            whole = shops.sum()
            ratio = whole["stopped"] / whole["expected"]
            spread = ((shops["stopped"] - ratio * shops["expected"]) ** 2).sum()
            found.append([ratio, np.sqrt(spread) / whole["expected"]])
        return [*min(found), *max(found)]

    return again


def ranges(span: str) -> Callable[[], list[float]]:
    def again() -> list[float]:
        rows = kinds(span)
        held = (~(rows["above"] | rows["below"])).groupby(rows["kind"]).mean()
        return [*p(held.min()), *p(held.max()), ((held < 0.87) | (held > 0.93)).sum(), len(held)]

    return again


def sides() -> list[float]:
    counts = [kinds(span).groupby("kind")[["above", "below"]].sum() for span in ("quarter", "year")]
    off = [((n.max(axis=1) > 2 * n.min(axis=1)) & (n.max(axis=1) > 2)).sum() for n in counts]
    return [off[0], 7, off[1], 7]


def one_part() -> list[float]:
    row = read("prediction").sort_values("covered").iloc[0]
    return [*p(row["covered"], binomial(row["covered"], row["predicted"])), row["predicted"], row["days"]]


def whole_shop(span: str) -> Callable[[], list[float]]:
    def again() -> list[float]:
        rows = read("watch_quarters").query("shop == 'quiet'").dropna(subset=[f"{span}_came"])
        held = rows[f"{span}_came"].between(rows[f"{span}_lower"], rows[f"{span}_upper"])
        by_shop = held.groupby(rows["seed"]).mean()
        return [*p(held.mean(), by_shop.std() / np.sqrt(len(by_shop))), len(held)]

    return again


def quiet_alarms() -> list[float]:
    rows = read("watch_quarters").query("shop == 'quiet'")
    loud = (rows["new_alarms"] > 0).groupby(rows["seed"]).mean()
    return [*p((rows["new_alarms"] > 0).mean(), loud.std() / np.sqrt(len(loud))), len(rows)]


def claims() -> list[float]:
    rows = kinds("quarter")
    share = (rows["claims"] > 0).groupby(rows["kind"]).mean()
    n = (rows["kind"] == share.idxmax()).sum()
    return [*p(share.max(), binomial(share.max(), n)), n]


def tenfold(usual: float = 0.03) -> list[float]:
    row = read("watch_lots").query("times == 10 and usual == @usual").iloc[0]
    return [*p(row["caught"], binomial(row["caught"], row["fleets"])), row["fleets"]]


def guarantee() -> list[float]:
    rows = read("guarantee_shops").query("failures >= 3")
    rows = rows.assign(held=rows["true"].between(rows["lower"], rows["upper"]), over=rows["true"] > rows["upper"])
    by = rows.groupby(["reporting", "months"])
    share = by["held"].mean()
    low = by.get_group(share.idxmin())
    by_shop = low.groupby("seed")["held"].mean()
    return [
        *p(share.min(), by_shop.std() / np.sqrt(len(by_shop))),
        len(low),
        share.idxmin()[1],
        *p(by["over"].mean().max()),
    ]


def said(verdict: int, *which: str) -> pd.Series:
    cells = read("cutoff").query("kind in @which")["cell"]
    return ratios("cutoff_blocks", "verdict")[list(cells)].map(lambda v: v == verdict)


def steps() -> list[float]:
    step = said(0, "slope")
    every, low = np.concatenate(list(step)), step[step.map(np.mean).idxmax()]
    return [*p(every.mean()), len(every), *p(low.mean(), binomial(low.mean(), len(low))), len(low)]


def slopes() -> list[float]:
    slope = said(1, "step", "both")
    most = slope[slope.map(np.mean).idxmax()]
    return [*p(most.mean(), binomial(most.mean(), len(most))), len(most)]


def jump(column: str) -> Callable[[], list[float]]:
    def again() -> list[float]:
        cells = read("cutoff").query("kind in ['step', 'both']").dropna(subset=[column])["cell"]
        holds = ratios("cutoff_blocks", column)[list(cells)]
        low = holds[holds.map(np.mean).idxmin()]
        return [*p(low.mean(), binomial(low.mean(), len(low))), len(low)]

    return again


def ends(of: str) -> Callable[[], list[float]]:
    def again() -> list[float]:
        table = read("power_ratio").query("cell != 'all'").set_index("cell")
        truth = {"": table["true_ratio"], "life_": LIVES}[of]
        out = []
        for end, sign in (("lower", 1), ("upper", -1)):
            by_cell = ratios("power_ratio_blocks", f"{of}{end}")
            right = np.concatenate([sign * v <= sign * truth[cell] for cell, v in by_cell.items()])
            out += p(right.mean(), binomial(right.mean(), len(right)))
        return [*out, len(right)]

    return again


#: how many times as long the dearer part lives in the settings of the study of what a part carries
LIVES = {
    "alike, slope -4, 40 failures": 1.0,
    "twice the life, slope -4, 25 failures": 2.0,
    "twice the life, slope -4, 100 failures": 2.0,
    "three times the life, slope -2.5, 60 failures": 3.0,
}


def lasting() -> list[float]:
    rows = read("advice_blocks").query("kind == 'as they come' and told >= 0")
    lasts = 1 - np.where(rows["told"] == 0, rows["lost_0"], rows["lost_1"])
    by_shop = pd.Series(lasts).groupby(rows["seed"].to_numpy()).mean()
    return [(by_shop >= 0.9).sum(), len(by_shop), *p(by_shop.min())]


def of_advice(*measures: str, change: bool = False, more: str = "value") -> Callable[[], list[float]]:
    def again() -> list[float]:
        rows = read("advice").set_index("measure").loc[list(measures)]
        told = [p(abs(r.value - 1) if change else r.value, r.se) for r in rows.itertuples()]
        return [*chain(*told), *([] if change else [rows["of"].iloc[-1]])]

    return again


def outside_trucks() -> list[float]:
    rows = read("advice").set_index("measure")
    return [
        *p(rows.at["outside: recognised", "value"]),
        240,
        *p(rows.at["outside: advised all the same", "value"]),
    ]


def slips() -> list[float]:
    rows = read("slips_blocks")
    silent = (~rows["told"]) & rows["changed"].notna()
    other = rows["kind"] == "another part"
    share, n = silent[~other].mean(), (~other).sum()
    return [*p(share, binomial(share, n)), silent[~other].sum(), n, silent[other].sum(), other.sum()]


def accused() -> list[float]:
    share = read("load_rules").query("times == 1")["accused"]
    return [*p(share.mean(), binomial(share.mean(), 40 * len(share))), 40 * len(share), *p(share.max()), 40]


def explained() -> list[float]:
    rows = read("load_explained")
    return [(rows["wrong"] * rows["fleets"]).sum(), rows["fleets"].sum()]


def others() -> list[float]:
    rows = read("outside").query("why_not.isna()")
    own = [rows.query("by != 'lifelines'"), rows.query("by == 'lifelines'")]
    return [n for r in own for n in ((r["agrees"] == "yes").sum(), len(r))]


AGAIN: dict[str, Callable[[], list[float]]] = {
    "A published bound lies at or below the truth": bounds,
    "A bound, in every setting": cells,
    "A bound, for what brings a truck back, in forty invented shops, from dirty sheets on": lambda: held_of(back()),
    "A bound, for what brings a truck back, of every part of these shops": lambda: lowest_part(back()),
    "A bound, all damage counted (lightest class, the truth within the powers on record)": lambda: held_of(
        every_damage()
    ),
    "A bound, all damage counted, of every part": every_part,
    "Where the bound stands in the middle, of the truth, all damage counted": middle,
    "A bound, all damage counted, where the shop says when it looks for what only a teardown shows": hidden,
    "Rows without a power": without,
    "The share that lasts, told in place of a power, holds": lambda: shares(True),
    "The share that lasts, told beside a power, holds": lambda: shares(False),
    "The bound of a part of which none failed, in every setting": none_failed,
    "A rating on torque, its lb ft and its hp, in every setting": torque,
    "Cost against the habit, a comeback worth ten trucks refused": cost(10),
    "Cost against the habit, a comeback worth five": cost(5),
    "Cost against the habit, a comeback worth twenty": cost(20),
    "Comebacks where limits are 35% too high, against the habit": lambda: against_habit(
        1.35, lambda runs: runs["comebacks"]
    ),
    "Good trucks refused where limits are right, of those the habit refuses": lambda: against_habit(
        1.0, lambda runs: runs["refused"], change=False
    ),
    "Right limits wrongly lowered at some look": lowered,
    "Looks that raise a limit above the truth": raised,
    "Came in at the door for each expected in a quarter, in every kind of shop": came("quarter"),
    "Came in at the door for each expected in a year, in every kind of shop": came("year"),
    "Trucks stopped for each forecast, where the shop looks for what only a teardown shows": stops(""),
    "Trucks stopped for each forecast there, by the part that is looked at": stops("output shaft"),
    "The range of a quarter holds what comes, in every kind of shop": ranges("quarter"),
    "The range of a year holds what comes, in every kind of shop": ranges("year"),
    "Misses above and below a range are about as many, in every kind of shop": sides,
    "The range of one part's comebacks holds, in every setting": one_part,
    "The range of a whole shop's quarter holds, nothing wrong": whole_shop("quarter"),
    "The range of a whole shop's year holds, nothing wrong": whole_shop("year"),
    "Quarters with a false claim, nothing wrong": quiet_alarms,
    "Quarters with a false claim, in every kind of shop": claims,
    "A lot of 20 ten times as bad as the others is caught by three years": tenfold,
    "Such a lot, of parts that fail as seldom as the demo's converters": partial(tenfold, 0.0125),
    "The limits of what a guarantee costs hold the truth": guarantee,
    "“Step” said of a smooth slope, in every setting": steps,
    "“Slope” said of a step, in every setting": slopes,
    "The set for the place of a step holds it, in every setting": jump("place_holds"),
    "The range of the size of a step holds it, in every setting": jump("jump_holds"),
    "“Carries X times the power (a to b)”: a, and b, lies on its side of the truth": ends(""),
    "“Lives X times as long (a to b)”: a, and b, lies on its side of the truth": ends("life_"),
    "Of the parts told to last in 90 of 100, 90% do": lasting,
    "Trucks that no shop has seen are recognised": outside_trucks,
    "The upper end of the share that fails holds, of every part with a figure": of_advice(
        "upper end held, every part with a figure"
    ),
    "The upper end of the share that fails holds, of the parts shown to last": of_advice(
        "upper end held, parts supported"
    ),
    "The lower end of how many whole builds last holds, every component shown to": of_advice(
        "builds supported: lower end of what lasts held"
    ),
    "Slips of the pen that move a published figure with nothing said": slips,
    "A rule of the driveline that does nothing is accused": accused,
    "What explains the returns, power or load, is told wrong": explained,
    "Answers printed or computed by others are ours too, within the tolerance": others,
} | {
    f"Price and comebacks of {what}, against what the {whom} would fit".replace(
        "habit would fit", "habit fits"
    ): of_advice(f"{told}: cost over that of the {whom}", f"{told}: cost over the {whom}, where answered", change=True)
    for told, what in (("told", "what is shown to last"), ("read", "what is advised, which may be cheaper"))
    for whom in ("truth", "habit")
}
#: names of settings and kinds, whose numbers are none of the figures
NAMED = sorted(
    {
        *(name for table in ("coverage", "cutoff", "none_failed", "prediction") for name in read(table)["cell"]),
        *read("quarter")["kind"],
    },
    key=len,
    reverse=True,
)  # fmt: skip
FIGURE = re.compile(r"\d[\d,]*(?:\.\d+)?")


def figures(told: str) -> list[str]:
    for name in NAMED:
        told = told.replace(f": {name}", "").replace(f"({name})", "").replace(f"; {name})", ")")
    told = re.sub(r"\b[A-Z]+-\d\b", "", told)  # a part
    return [found.rstrip(",") for found in FIGURE.findall(told)]


def test_every_promise_is_computed_again():
    timed = promised(EVIDENCE).query("about == @ABOUT[-1]")["promise"]
    assert set(AGAIN) | set(timed) == set(WRITTEN)


@pytest.mark.parametrize("promise", AGAIN)
def test_every_figure_is_the_tables(promise):
    """As the README has it, to its last digit; nothing is rounded further than that."""
    told, again = figures(WRITTEN[promise][1]), AGAIN[promise]()
    assert len(told) == len(again), (told, again)
    for figure, value in zip(told, again, strict=True):
        digits = len(figure.partition(".")[2])
        assert float(figure.replace(",", "")) == pytest.approx(float(value), abs=0.500001 * 10**-digits), promise


def test_every_time_is_the_tables():
    """The middle of each work that was to take so long, or so many bytes, with the verdict that its ratio gives; the others together, counted."""
    speed = read("speed").dropna(subset=["goal"])
    groups = speed["group"].isin(["commands", "review", "rating", "answers", "million", "dask"])
    told = list(as_shown(promised(EVIDENCE)))[-1][1]
    assert len(told) == groups.sum() + 1
    for row, (_, measured) in zip(told.itertuples(), speed[groups].iterrows(), strict=False):
        unit = measured["against"].split(" ")[1]
        clock = measured["cpu_ms"] if np.isnan(measured["wall_ms"]) else measured["wall_ms"]
        value = {"s": clock / 1e3, "MB": measured["peak_mb"]}.get(unit, measured["times_as_fast"])
        assert float(figures(row.measured)[0].replace(",", "")) == pytest.approx(value, rel=0.005)
        assert row.met_or_missed == ("met" if measured["times_as_fast"] >= measured["goal"] else "missed")
    met = (speed["times_as_fast"] >= speed["goal"])[~groups]
    assert told.iloc[-1].tolist()[2:4] == [f"{met.sum()} of {len(met)}", "met" if met.all() else "missed"]


@pytest.mark.parametrize(
    ("value", "least", "most", "se", "told"),
    [
        (0.95, 0.9, 2, 0.02, "met"),
        (0.93, 0.9, 2, 0.02, "met, within chance"),
        (0.9, 0.9, 2, 0.0, "met"),
        (0.8999, 0.9, 2, 0.0, "missed"),
        (0.88, 0.9, 2, 0.02, "missed, within chance"),
        (0.86, 0.9, 2, 0.02, "missed"),
        (0.97, 0.88, 0.96, 0.001, "missed"),
        (0.05, -1, 0.1, 0.02, "met"),
        (0.11, -1, 0.1, 0.02, "missed, within chance"),
    ],
)
def test_met_and_missed(value, least, most, se, told):
    """By hand: within chance is within 1.645 standard errors of the aim, on either side."""
    assert judged(value, least, most, se) is Kept(told)


def room(aim: str, told: str, promise: str) -> float | None:
    """How far inside the aim the figure lies, in percent, where one was aimed at; below 0: outside."""
    changed, counted = re.match(r"([\d.]+)% (more|less)", told), re.match(r"([\d,]+) of ([\d,]+)", told)
    if changed:
        value = float(changed[1]) * (1 if changed[2] == "more" else -1)
        most = {"less": 0, "none more": 0, "20% less": -20, "at most 10% more": 10}[aim]
        return most - value
    between, ends = (
        re.fullmatch(r"([\d.]+) to ([\d.]+)%?", aim),
        re.match(r"([\d.]+)%?(?: \([^)]*\))?(?: to ([\d.]+))?", told),
    )
    if between and ends and not counted:
        low, high = float(ends[1]), float(ends[2] or ends[1])
        return min(low - float(between[1]), float(between[2]) - high)
    limit = re.fullmatch(r"(at most |at least )?(\d+)%( each)?", aim.replace("half", "50%"))
    shown = [float(v) for v in re.findall(r"([\d.]+)%", told)]
    if counted:
        part, whole = (float(n.replace(",", "")) for n in counted.groups())
        shown = [100 * part / whole]
    if not limit or not shown:
        return None
    value = shown[1] if promise.startswith("“Step”") else min(shown) if limit[3] else shown[0]
    return float(limit[2]) - value if limit[1] == "at most " else value - float(limit[2])


def test_no_verdict_is_kinder_than_its_figure():
    """Where one figure was aimed at, what is printed lies on the side of the aim that the verdict says."""
    rooms = {name: room(aim, told, name) for name, (aim, told, *_) in WRITTEN.items()}
    told = {name: value for name, value in rooms.items() if value is not None}
    assert len(told) > 40
    assert [name for name, value in told.items() if WRITTEN[name][2].startswith("met") != (value >= 0)] == []


def test_a_folder_without_tables_has_nothing_measured(tmp_path):
    found = promised(tmp_path)
    assert set(found["measured"]) == {NOT_MEASURED}
    assert set(found["kept"]) == {Kept.UNKNOWN}
    assert list(found["about"].unique()) == list(ABOUT)
    assert summary(found)[0].startswith("Of 0 promises 0 are met")


def test_what_is_missed_is_told_as_missed(tmp_path):
    """The tables made worse, one by one: each promise that its figures would break is missed."""
    worse = {
        "coverage": ("covered", 0.5), "demo_shops": ("held", 0.5), "hidden": ("held", 0.5), "none_failed": ("held", 0.5), "load_hp": ("held_lbft", 0.5),
        "worth_of_habit": ("share", 1.5), "worth": ("raised_above", 6000), "quarter": ("ratio", 0.5), "prediction": ("covered", 0.5), "watch": ("year_covered", 0.5),
        "watch_lots": ("caught", 0.1), "guarantee": ("covered", 0.5), "cutoff": ("said_slope", 0.5), "slips": ("silent_share", 0.5),
        "load_rules": ("accused", 0.5), "load_explained": ("wrong", 0.5), "advice": ("value", 0.5), "speed": ("times_as_fast", 0.01),
    }  # fmt: skip
    better = promised(EVIDENCE)
    for name, (column, value) in worse.items():
        table = pd.read_csv(EVIDENCE / f"{name}.csv")
        table[column] = table[column].where(table[column].isna(), value)
        table.to_csv(tmp_path / f"{name}.csv", index=False)
    found = promised(tmp_path)
    of = found[found["table"].isin([f"{name}.csv" for name in worse])]
    met, missed = (Kept.MET, Kept.MET_BY_CHANCE), (Kept.MISSED, Kept.MISSED_BY_CHANCE)
    turned = of["kept"].isin(missed) & better.loc[of.index, "kept"].isin(met)
    assert set(worse) - {"speed"} <= set(found.loc[turned[turned].index, "table"].str.removesuffix(".csv"))


# ---- figures of the tables that stand elsewhere in the README and the mathematics -----------------------------------------
MATHEMATICS = EVIDENCE.parents[1] / "docs" / "mathematics.md"


def cell(*names: str, column: str = "covered") -> list[float]:
    return list(read("coverage").set_index("cell").loc[list(names), column])


def plain_cells() -> list[float]:
    own = read("coverage").query("settings == 'plain'").iloc[:12]
    return [float((own[c] * own["rated"]).sum() / own["rated"].sum()) for c in ("first_order_covered", "covered")]


def in_the_middle(column: str) -> list[float]:
    return [read("coverage").query("settings == 'defaults'")[column].median()]


def step_of(*words: str, without: str = "never") -> list[float]:
    own = read("cutoff").query("kind == 'slope'")
    own = own[own["cell"].str.contains("|".join(words)) & ~own["cell"].str.contains(without)]
    return [(own["said_step"] * own["fleets"]).sum() / own["fleets"].sum(), own["fleets"].sum()]


def cracks(times: float, how: str, *columns: str) -> list[float]:
    return list(read("hidden").query("times == @times and how == @how")[list(columns)].iloc[0])


def of_the_habit(what: str) -> list[float]:
    own = read("worth_of_habit").query("owner == 'follows the sheet'").set_index(["start", "measure"])["share"]
    return [1 - own["all", what]] if what.startswith("cost") else [own["1 of the truth", what]]


HABIT_AND_SHEET = ("just below the first failure", "follows the sheet")


def worth_of(owner: str, start: str, column: str) -> float:
    return float(read("worth").set_index(["owner", "start"]).at[(owner, start), column])


CHANGED, HALF, FIVE = "material changed silently half way", "half of failures reported", "five at once"
HARSH, HARDLY = "harsh use on record, 70% reported", "life hardly falls with power"
NO_ODOMETER = (
    "no odometer",
    "no odometer, 8 failures",
    "no odometer, 60 miles a day",
    "no odometer, 60 miles a day, 8 failures",
)
TENTH = "weight on record of one in ten that run"


@pytest.mark.parametrize(
    ("page", "told", "again"),
    [
        (PAGE, r"8 failures; 20 \| (\.\d+); (\.\d+) \| 200 each", lambda: cell(f"{CHANGED}, 8 failures", CHANGED)),
        (PAGE, r"flat slope; 8 failures; 20 \| (\.\d+); (\.\d+); (\.\d+)", lambda: cell(f"{HALF}, flat slope", f"{HALF}, 8 failures", HALF)),
        (PAGE, r"at once, 20 failures; 8; flat slope \| (\.\d+); (\.\d+); (\.\d+)", lambda: cell(FIVE, f"{FIVE}, 8 failures", f"{FIVE}, flat slope")),
        (PAGE, r"70% reported, 20 failures; 8 \| (\.\d+); (\.\d+)", lambda: cell(HARSH, f"{HARSH}, 8 failures")),
        (PAGE, r"1\.000, at (\.\d+) and (\.\d+) of the truth", lambda: cell(HARDLY, f"{HARDLY}, 8 failures", column="median_ratio")),
        (PAGE, r"1\.000, at (\.\d+) to (\.\d+) of the truth", lambda: [f(cell(*NO_ODOMETER, column="median_ratio")) for f in (min, max)]),
        (PAGE, r"20 failures; 8 \| (\.\d+) and (\.\d+), at (\.\d+) and", lambda: [*cell(TENTH, f"{TENTH}, 8 failures"), *cell(TENTH, column="median_ratio")]),
        (PAGE, r"half of the bounds lie above (\.\d+)", lambda: in_the_middle("median_ratio")),
        (PAGE, r"bounds held in (\.\d+), calibrated in (\.\d+)", plain_cells),
        (MATHEMATICS, r"plain fit held in (\.\d+) of 240 fleets, calibrated in (\.\d+)", plain_cells),
        (PAGE, r"right in (\.\d+) of the fleets in the middle", lambda: in_the_middle("naive_average_miles_covered")),
        (MATHEMATICS, r"right in (\.\d+) of the fleets of the middle", lambda: in_the_middle("naive_average_miles_covered")),
        (MATHEMATICS, r"it holds in (\.\d+) \(20 failures\)\s+and (\.\d+) \(8\) of 200", lambda: cell(CHANGED, f"{CHANGED}, 8 failures")),
        (PAGE, r"(\.\d+) of the rows have nothing to offer", lambda: [(shops()["how"] == "none").mean()]),
        (PAGE, r"stand at (\.\d+) of the truth of what brings", lambda: [(every_damage()["bound_hp"] / every_damage()["true_hp"]).median()]),
        (PAGE, r"\| half \| (\.\d+) \| (\.\d+)", lambda: [*cracks(0.5, "by openings", "held"), *cracks(0.5, "among failures", "held")]),
        (PAGE, r"\| once \| (\.\d+) \| (\.\d+)", lambda: [*cracks(1, "by openings", "held"), *cracks(1, "among failures", "held")]),
        (PAGE, r"\| twice \| (\.\d+) \| (\.\d+)", lambda: [*cracks(2, "by openings", "held"), *cracks(2, "among failures", "held")]),
        (PAGE, r"\| all \| (\.\d+), in the middle at (\.\d+) of the truth, a tenth under (\.\d+)", lambda: cracks(0, "by openings", "held", "median_ratio", "p10_ratio")),
        (PAGE, r"under \.\d+ \| (\.\d+), at (\.\d+) \|", lambda: cracks(0, "among failures", "held", "median_ratio")),
        (MATHEMATICS, r"in (\.\d+) of 120 fleets \(standard error (\.\d+)\)", lambda: cracks(0, "by openings", "held", "se")),
        (MATHEMATICS, r"looks, (\.\d+) hold", lambda: cracks(0, "among failures", "held")),
        (PAGE, r"ten trucks refused to a comeback \| [\d.]+% \| ([\d.]+)%", lambda: [100 * v for v in of_the_habit("cost_10")]),
        (PAGE, r"at five \| [\d.]+% \| ([\d.]+)%", lambda: [100 * v for v in of_the_habit("cost_5")]),
        (PAGE, r"at twenty \| [\d.]+% \| ([\d.]+)%", lambda: [100 * v for v in of_the_habit("cost_20")]),
        (PAGE, r"lowered at some look \| [\d.]+ \| ([\d.]+)", lambda: of_the_habit("lowered")),
        (PAGE, r"of what the habit refuses \| [\d.]+ \| ([\d.]+)", lambda: of_the_habit("refused")),
        (PAGE, r"the habit's ([\d,]+)\) \| [\d,]+ \| ([\d,]+) \|", lambda: [worth_of(o, "1.35 of the truth", "comebacks") for o in HABIT_AND_SHEET]),
        (PAGE, r"in forty shops \| \d+ \| (\d+) \|", lambda: [worth_of(HABIT_AND_SHEET[1], "0.7 of the truth", "comebacks")]),
        (PAGE, r"none \| ([\d,]+); one, not above", lambda: [worth_of(HABIT_AND_SHEET[1], "all", "looks")]),
        (PAGE, r"smooth slope: (\.\d+) of ([\d,]+) fleets", lambda: step_of("slope", without="log-normal")),
        (PAGE, r"exponents -6 and -8 (\.\d+) of (\d+)", lambda: step_of("-6", "-8")),
        (PAGE, r"of log-normal lives (\.\d+) of (\d+)", lambda: step_of("log-normal")),
        (PAGE, r"in up to (\.\d+) of (\d+)\.", lambda: list(read("cutoff").query("kind == 'bend'").sort_values("said_step")[["said_step", "fleets"]].iloc[-1])),
        (PAGE, r"\((\.\d+) of 50 in one setting\)", lambda: [read("power_ratio")["life_upper_holds"].min()]),
        (PAGE, r"limits held in (\.\d+) to\s+(\.\d+)", lambda: [f(read("guarantee")["covered"][read("guarantee")["band"].str.startswith("fewer")]) for f in (min, max)]),
        (PAGE, r"others_accused`: of the other rules and parts in the same fleets \(up to (\.\d+)\)", lambda: [read("load_rules")["others_accused"].max()]),
    ],
)  # fmt: skip
def test_a_figure_that_stands_elsewhere_is_the_tables(page, told, again):
    found = re.findall(told, page.read_text(encoding="utf-8"))
    assert len(found) == 1, found
    groups = [found[0]] if isinstance(found[0], str) else found[0]
    for figure, value in zip(groups, again(), strict=True):
        digits = len(figure.partition(".")[2])
        assert float(figure.replace(",", "")) == pytest.approx(value, abs=0.5001 * 10**-digits)


def test_every_table_has_its_place_and_every_link_leads_to_a_heading():
    """Each CSV is named in the README; the mathematics and the README point at headings that are there (a heading's link, as GitHub makes it)."""
    page, mathematics = (path.read_text(encoding="utf-8") for path in (PAGE, MATHEMATICS))
    assert [path.name for path in EVIDENCE.glob("*.csv") if f"`{path.name}`" not in page] == []
    heads = {
        name: {re.sub(r"[^\w -]", "", head).strip().lower().replace(" ", "-") for head in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}
        for name, text in (("README.md", page), ("mathematics.md", mathematics))
    }  # fmt: skip
    links = re.findall(r"\]\(([^)#]*)#([^)]+)\)", page + mathematics)
    assert len(links) > 8
    assert [link for link in links if link[1] not in heads[Path(link[0] or "README.md").name]] == []


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    head, rest = text.split(START, 1)
    PAGE.write_text(f"{head}{START}\n\n{table_of()}\n{END}{rest.split(END, 1)[1]}", encoding="utf-8")
