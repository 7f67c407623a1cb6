"""The studies of the methods, in sentences and tables."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.words.phrases import capital, plural

#: a cell below this is called short of the promise of 0.90, if its standard error does not excuse it
GOAL = 0.88
TITLE = "How often are the ratings right?"
#: the questions over pictures and tables
COVERAGE = "In how many of the simulated fleets was the published bound at or below the truth?"
OUTSIDE = "How far are our answers from the outside ones?"
CHECKS = "Every check: source, ours, theirs, difference"
_COLUMNS = (
    "cell settings units expected_failures fleets rated covered se median_ratio p95_ratio first_order_covered".split()
)


#: the owners of the study of worth, as its table names them
WORTH_OWNERS = (
    "never changes",
    "just below the first failure",
    "follows the sheet",
    "tries too",
    "best odds",
    "knows the truth",
)


def read_study(folder: str | Path) -> pd.DataFrame:
    """The coverage table of a folder; raises AnalyticsError where there is none."""
    path = Path(folder) / "coverage.csv"
    if not path.is_file():
        raise AnalyticsError(
            f"no {path.name} in {Path(folder).name}: make it with python -m studies coverage in a checkout."
        )
    return pd.read_csv(path)


def opening(study: pd.DataFrame) -> tuple[str, ...]:
    """What was simulated. study: the table of the study."""
    fleets, least = int(study["fleets"].sum()), int(study["fleets"].min())
    return (
        f"{fleets:,} fleets with a known truth were drawn in {len(study)} settings, at least {least} in each (seed {study['seed'].iat[0]}; {study['versions'].iat[0]}). "
        "Each was rated as a shop's records would be, and the bound held against the true rating. A bound promised at 90% should lie at or below the truth in nine fleets of ten.",
    )


def _main(study: pd.DataFrame) -> pd.DataFrame:
    return study[study["settings"] == "defaults"]


def findings(study: pd.DataFrame) -> tuple[str, ...]:
    """How many settings keep the promise, and which do not. study: the table of the study."""
    own = _main(study)
    short = own[own["covered"] < GOAL]
    sure = short[short["covered"] + 1.645 * short["se"] < 0.90]
    lines = [
        f"With the defaults, {len(own) - len(short)} of {len(own)} settings reach {GOAL:.2f} or more; half of the bounds lie above {own['median_ratio'].median():.0%} of the truth."
    ]
    beyond = short.index.isin(sure.index)
    for rows, how in (
        (short[beyond], "Short of the promise by more than chance"),
        (short[~beyond], "Short, though chance could do it with so few fleets"),
    ):
        if len(rows):
            named = (f"{r.cell}, {r.covered:.3f} of {r.rated}" for r in rows.itertuples())
            lines.append(f"{how}: {'; '.join(named)}.")
    thin = own[own["rated"] < 0.9 * own["fleets"]]
    for row in thin.itertuples():
        lines.append(
            f"{row.cell}: only {row.rated} of {row.fleets} fleets could be rated at all; the others were refused in words."
        )
    return tuple(lines)


def caveat(folder: str | Path) -> tuple[str, ...]:
    """One sentence for whoever reads a rating: where the study found the promise not kept. folder: of the tables of the evidence."""
    try:
        own = _main(read_study(folder))
    except AnalyticsError:
        return ("How often ratings like these are right has not been measured with this installation.",)
    short = own[own["covered"] < GOAL]
    if short.empty:
        return (
            f"In {int(own['fleets'].sum()):,} simulated fleets every setting kept {GOAL:.2f} of the 0.90 promised.",
        )
    named = "; ".join(f"{r.cell}, {r.covered:.3f}" for r in short.sort_values("covered", kind="stable").itertuples())
    return (
        f"In simulated fleets {len(own) - len(short)} of {len(own)} settings kept {GOAL:.2f} or more of the 0.90 promised, the share of failures "
        f"reported not being known. Less in the others: {named} (see the evidence notebook).",
    )


def habits(study: pd.DataFrame) -> tuple[str, ...]:
    """How often the usual habits would have been right. study: the table of the study."""
    own = _main(study)
    named = {
        "naive_survivor_covered": "the highest power that never came back",
        "naive_first_failure_covered": "just below the first power that came back",
        "naive_average_miles_covered": "a fit with unknown miles filled in at the returned units' average",
    }
    return tuple(
        f"{capital(words)}: at or below the truth in {own[c].median():.0%} of the fleets in the middle setting, {own[c].min():.0%} in the worst."
        for c, words in named.items()
        if c in own
    )


def coverage_table(study: pd.DataFrame) -> pd.DataFrame:
    """The table, the settings with defaults first. study: the table of the study."""
    order = {"defaults": 0, "known share": 1, "plain": 2}
    return (
        study.assign(k=study["settings"].map(order))
        .sort_values(["k", "cell"], kind="stable")[_COLUMNS]
        .reset_index(drop=True)
    )


def coverage_caption(study: pd.DataFrame) -> str:
    """What the picture of the coverage shows. study: the table of the study."""
    worst = by_coverage(study).iloc[0]
    return (
        f"Lowest: {worst['cell']}, {worst['covered']:.3f} of {worst['rated']:.0f} fleets.\n"
        "Promised: 0.90 (dashed); lines are two standard errors, in brackets how many fleets got a bound."
    )


def by_coverage(study: pd.DataFrame) -> pd.DataFrame:
    """The settings with all defaults on, the least covered first. study: the table of the study."""
    return _main(study).sort_values("covered", kind="stable")


def forecast(folder: str | Path) -> tuple[str, ...]:
    """Coverage of the forecast interval, if it was studied. folder: of the tables of the evidence."""
    path = Path(folder) / "prediction.csv"
    if not path.is_file():
        return ("The forecast interval has not been studied in this folder.",)
    table = pd.read_csv(path)
    worst, best = (table.loc[at] for at in (table["covered"].idxmin(), table["covered"].idxmax()))
    bare, short = table["plug_in_covered"], table[table["covered"] + 1.645 * table["se"] < table["level"]]
    told = (
        f"In {plural(len(table), 'setting')} of {table['predicted'].min()} fleets or more an interval promised at {worst['level']:.0%} held what came in {_forecast(worst)} "
        f"to {_forecast(best)}, standard errors up to {table['se'].max():.3f}; without the fit's own doubt it would be {bare.min():.3f} to {bare.max():.3f}."
    )
    missed = "; ".join(_forecast(row) for _, row in short.iterrows())
    return (told, f"Short of what was promised: {missed}.") if missed else (told,)


def _forecast(row: pd.Series) -> str:
    return f"{row['covered']:.3f} ({row['cell']}, next {row['days']:g} days)"


def forecast_table(folder: str | Path) -> pd.DataFrame:
    """The study of the forecast interval setting by setting, empty where there is none. folder: of the tables of the evidence."""
    path = Path(folder) / "prediction.csv"
    kept = ["cell", "days", "predicted", "covered", "se", "below", "above", "plug_in_covered", "seed"]
    return pd.read_csv(path)[kept] if path.is_file() else pd.DataFrame()


#: what was aimed at in every kind of shop: came over expected, ranges held; and misses on one side over those on the other
LEAN, HELD, _ONE_SIDED = (0.95, 1.05), (0.87, 0.93), 2.0
#: share of quarters that may bring a false claim
CLAIMED = 0.10


def at_the_door(folder: str | Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """What was expected against what came in at the door, by kind of invented shop: the table, and what it says, with what it misses. folder: of the
    studies."""
    path = Path(folder) / "quarter.csv"
    if not path.is_file():
        return pd.DataFrame(), ("What comes in at the door has not been studied in this folder.",)
    table = pd.read_csv(path)
    lines = [
        f"Quarters and years ahead in invented shops of {table['kind'].nunique()} kinds, {_of_each(table['shops'])} of each, against what then came in "
        f"at the door. Aimed at in every kind: {LEAN[0]:g} to {LEAN[1]:g} come for each expected, {HELD[0]:g} to {HELD[1]:g} of the ranges held, and misses above and below within a factor of two."
    ]
    for span, own in table.groupby("span", sort=False):
        n = own["forecasts"]
        share = {k: float((own[k] * n).sum() / n.sum()) for k in ("held", "above", "below")}
        lines.append(
            f"All {span}s together: {own['came'].sum() / own['expected'].sum():.2f} came for each expected{_sure_of(own)}; {share['held']:.2f} of {n.sum():,} ranges held, {share['above']:.2f} lay above and {share['below']:.2f} below."
        )
        missed = [told for row in own.itertuples() if (told := _off_the_aim(row))]
        lines.append(f"Missed, {span}s: {'; '.join(missed)}." if missed else f"Missed, {span}s: nothing.")
    claims = table[table["span"] == "quarter"]
    false = float((claims["false_claims"] * claims["forecasts"]).sum() / claims["forecasts"].sum())
    lines.append(
        f"Of {claims['forecasts'].sum():,} quarters, {false:.2f} brought a claim that was false (at most {CLAIMED:.2f} is promised in every kind).{_over_budget(claims)}"
    )
    return table, tuple(lines)


def _of_each(shops: pd.Series) -> str:
    least, most = shops.min(), shops.max()
    return f"{least:.0f}" if least == most else f"{least:.0f} to {most:.0f}"


def _over_budget(claims: pd.DataFrame) -> str:
    """The kinds of shop in which more quarters brought a false claim than is promised."""
    over = [
        f"{row.kind} {row.false_claims:.3f} (standard error {math.sqrt(row.false_claims * (1 - row.false_claims) / row.forecasts):.3f})"
        for row in claims.itertuples()
        if row.false_claims > CLAIMED
    ]
    return f" More than that: {'; '.join(over)}." if over else " In none was it more."


def _sure_of(kinds: pd.DataFrame) -> str:
    """How far all kinds together may be off by the draw of their shops."""
    error = kinds["together_se"].iloc[0]
    return f" (standard error {error:.2f}: every kind is of the same shops)" if error > 0 else ""


def one_sided(row: Any) -> bool:
    """Whether a kind of shop has more than twice as many misses on one side as on the other; two misses tell nothing. row: of the table of the quarters."""
    most, least = max(row.above, row.below), min(row.above, row.below)
    return most > _ONE_SIDED * least and most * row.forecasts > 2


def _off_the_aim(row: Any) -> str:
    """What a kind of shop misses of what was aimed at; nothing where it misses nothing."""
    off = []
    if not LEAN[0] <= row.ratio <= LEAN[1]:
        sure = f"standard error {row.ratio_se:.2f}" if row.shops > 1 else "one shop"
        off.append(f"{row.ratio:.2f} came for each expected ({sure})")
    if not HELD[0] <= row.held <= HELD[1]:
        off.append(f"held {row.held:.3f}")
    if one_sided(row):
        off.append(f"{row.above:.2f} above against {row.below:.2f} below")
    return f"{row.kind}: {', '.join(off)}" if off else ""


def watched(folder: str | Path) -> tuple[str, ...]:
    """What the study of the quarterly watch found, if it was made. folder: of the tables of the evidence."""
    path = Path(folder) / "watch.csv"
    if not path.is_file():
        return ("The quarterly watch has not been studied in this folder.",)
    table = pd.read_csv(path).set_index("shop")
    quiet, troubled = table.loc["quiet"], table.loc["demo"]
    lines = [
        f"{quiet['fleets']:.0f} invented shops with nothing wrong, {quiet['quarters']:,.0f} quarters: a false alarm in {quiet['share']:.1%} of the quarters "
        f"(standard error {quiet['se']:.1%}), where at most one in ten is promised (seed {quiet['seed']:.0f}).",
        f"{troubled['fleets']:.0f} shops with the demo's troubles: the bad lot was found in {troubled['bad lot found']:.0%}, the month of install errors in "
        f"{troubled['bad month found']:.0%}.",
    ]
    for span, words in (("quarter", "three months"), ("year", "twelve months")):
        told = [
            f"{row[f'{span}_covered']:.3f} (standard error {row[f'{span}_se']:.3f}) in the {name} shops, on average {row[f'{span}_expected']:.1f} were "
            f"expected and {row[f'{span}_came']:.1f} came"
            for name, row in (("quiet", quiet), ("troubled", troubled))
        ]
        lines.append(
            f"The whole shop's next {words}, a {quiet['level']:.0%} interval, held what came in {told[0]}; {told[1]}."
        )
    return tuple(lines)


def guaranteed(folder: str | Path) -> tuple[str, ...]:
    """Whether the limits of what a guarantee costs hold the truth, if it was studied. folder: of the tables of the evidence."""
    path = Path(folder) / "guarantee.csv"
    if not path.is_file():
        return ("The cost of a guarantee has not been studied in this folder.",)
    table = pd.read_csv(path)
    lines = []
    for reporting, own in table.groupby("reporting", sort=False):
        whole, few = own[own["band"] == "all"], own[own["band"].str.startswith("fewer")]
        told = (
            f"With the share of failures reported {reporting}, the {whole['level'].iat[0]:.0%} limits of the comebacks per unit, in {whole['limits'].iat[0]} power bands of "
            f"{whole['shops'].iat[0]} shops, held the truth in "
            + ", ".join(f"{r.covered:.3f} ({r.months:.0f} months)" for r in whole.itertuples())
            + f". The truth lay above them, where a guarantee would lose money, in {whole['too_low'].min():.1%} to {whole['too_low'].max():.1%}; on average "
            f"{(whole['expected'] / whole['true']).min():.2f} to {(whole['expected'] / whole['true']).max():.2f} times the true number was expected."
        )
        if len(few):
            told += f" In bands with {few['band'].iat[0]} they held in {few['covered'].min():.0%} to {few['covered'].max():.0%} only: there the review says nothing."
        lines.append(told)
    return tuple(lines)


# ---- answers from outside -------------------------------------------------------------------------------------------
_CHECKED = ["case", "quantity", "group", "at", "source", "how_known", "by", "theirs", "ours", "difference", "agrees"]


def read_outside(folder: str | Path) -> pd.DataFrame:
    """The table of outside checks; raises AnalyticsError where there is none. folder: of the tables of the evidence."""
    path = Path(folder) / "outside.csv"
    if not path.is_file():
        raise AnalyticsError(
            f"no {path.name} in {Path(folder).name}: make it with python -m studies outside in a checkout."
        )
    texts = ["group", "at", "how_known", "by", "agrees", "why_not"]
    return pd.read_csv(
        path,
        dtype=dict.fromkeys(texts, str),
        keep_default_na=False,
        na_values={"theirs": [""], "ours": [""], "difference": [""]},
    )


_WHY_OFF = {
    "maxstat_p_HL": " R leaves out the subsets whose scores sum to nought; with them the bound is a little higher, which is the safe side."
}


def outside_opening(table: pd.DataFrame) -> tuple[str, ...]:
    """How many answers from outside were compared, and how many differ. table: of the values compared."""
    own = table[table["why_not"] == ""]
    ours = own[own["by"] != "lifelines"]
    library = own[own["by"] == "lifelines"]
    off = own[own["agrees"] == "no"]
    read, printed = (own["how_known"] == "read").sum(), (own["kind"] == "printed").sum()
    lines = [
        f"{len(ours):,} numbers of ours were held against others' answers on {own['case'].nunique()} published problems: {_agree(ours)}.",
        f"{len(own) - printed:,} of the answers were computed in R, {printed:,} are printed figures ({read:,} read in the source, the others from memory and confirmed by computing).",
        f"{len(library):,} more were answered by lifelines, which other tests take as a second opinion: {_agree(library)}.",
    ]
    for row in off.itertuples():
        lines.append(
            f"{row.case} {row.quantity.replace('_', ' ')}: {row.by} says {row.ours:.5g}, {'R' if row.kind == 'computed in R' else 'the source'} says {row.theirs:.5g} ({abs(row.difference / row.theirs):.2%} apart)."
            + (" It enters no number of ours." if row.by == "lifelines" else _WHY_OFF.get(row.quantity, ""))
        )
    return tuple(lines)


def _agree(own: pd.DataFrame) -> str:
    bad = int((own["agrees"] == "no").sum())
    return (
        f"{len(own) - bad:,} agree within the tolerance, {bad:,} {'does' if bad == 1 else 'do'} not"
        if bad
        else "all agree within the tolerance"
    )


def _gap(own: pd.DataFrame) -> pd.Series:
    """Difference as a share of the outside value; NaN where that is nought but for rounding."""
    return (own["difference"] / own["theirs"].where(own["theirs"].abs() > 1e-8)).abs()


def outside_cases(table: pd.DataFrame) -> pd.DataFrame:
    """One row per problem. The largest difference is that from R; printed figures differ by their rounding. table: of the values compared."""
    rows = []
    for case, own in table.groupby("case", sort=True):
        mine = own[own["why_not"] == ""]
        worst = _gap(mine[mine["kind"] == "computed in R"]).max()
        told = "none in ten digits" if worst < 1e-9 else f"{worst:.1e}"
        rows.append(
            [
                case,
                own["source"].mode().iat[0],
                len(mine),
                int((mine["agrees"] == "yes").sum()),
                told,
                len(own) - len(mine),
            ]
        )
    return pd.DataFrame(
        rows, columns=["case", "source", "checks", "agree", "largest_difference_from_R", "no_such_estimator_here"]
    )


def outside_checks(table: pd.DataFrame) -> pd.DataFrame:
    """Every check: source, ours, theirs, difference, with all their digits. table: of the values compared."""
    own = table.loc[table["why_not"] == "", _CHECKED].copy()
    for column in ("theirs", "ours"):
        own[column] = [f"{v:.8g}" for v in own[column]]
    own["difference"] = [f"{v:.1e}" for v in own["difference"]]
    return own.reset_index(drop=True)


def with_gaps(table: pd.DataFrame) -> pd.DataFrame:
    """The values answered, with their difference as a share of the outside one (1e-11 at least). table: of the values compared."""
    own = table[table["why_not"] == ""]
    return own.assign(gap=_gap(own).clip(lower=1e-11))


def outside_caption(table: pd.DataFrame) -> str:
    """What the picture of the outside values shows. table: of the values compared."""
    own = with_gaps(table)
    computed = own[own["kind"] == "computed in R"]
    worst = computed.loc[computed[computed["by"] != "lifelines"]["gap"].idxmax()]
    same = (computed["gap"] < 1e-9).mean()
    return (
        f"{same:.0%} of the values computed in R are the same in all their digits; of ours the furthest off is {worst['case']} {worst['quantity'].replace('_', ' ')}, "
        f"by {worst['gap']:.0e} of its value.\nPrinted figures carry three to six digits, so that theirs are differences of rounding."
    )


def not_ours(table: pd.DataFrame) -> pd.DataFrame:
    """What the outside values hold that the package does not answer, and why its users do not need it. table: of the values compared."""
    left = table[table["why_not"] != ""]
    return (
        left.groupby("why_not", sort=False)
        .agg(cases=("case", lambda c: ", ".join(sorted(set(c)))), values=("case", "size"))
        .reset_index()
        .rename(columns={"why_not": "not_answered_because"})[["cases", "values", "not_answered_because"]]
    )


def shops(folder: str | Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Invented shops rated from their sheets and held against their truth: the table, and what it says. folder: of the tables of the evidence."""
    path = Path(folder) / "demo_shops.csv"
    if not path.exists():
        return pd.DataFrame(), (f"No table of invented shops at {path}: run python -m studies shops in a checkout.",)
    table = pd.read_csv(path)
    whole, first = table.iloc[0], table.iloc[1]
    lines = [
        f"{whole.shops:,.0f} shops like the demo, each drawn with another seed, were rated from their sheets with all the dirt in them: of {whole.bounds:,.0f} bounds {whole.held:.1%} "
        f"lay at or below the truth (standard error {whole.se:.1%}), where 90% are promised; of what was proposed, rounded down, {whole.proposed_held:.1%}.",
        f"In the lightest class, the headline of each part: {first.held:.1%} of {first.bounds:,.0f}. In the middle a bound stood at {whole.median_ratio:.0%} of the truth.",
        f"{whole.without / (whole.without + whole.bounds):.0%} of the rows got no number: of most of those parts hardly any had failed.",
    ]
    parts = table[(table["kind"] == "any") & (table["part"] != "all")].sort_values("held", kind="stable")
    low = parts[parts["held"] + 1.645 * parts["se"] < 0.9]
    lines.append(
        "Less often right than promised: "
        + ", ".join(f"{r.part} ({r.held:.0%} of {r.bounds:,.0f})" for r in low.itertuples())
        + "."
        if len(low)
        else "No part stands out below the promise."
    )
    unseen = table[table["kind"].str.startswith("damage in trucks never opened")]
    if len(unseen):
        lines.append(
            f"Damage that only a teardown shows: had it counted in trucks nobody opened too, only {unseen['held'].iat[0]:.0%} of the bounds of such parts would have held. "
            "A rating is for what brings a truck back."
        )
    return table, (*lines, *_looked_at(Path(folder) / "hidden.csv"))


def _looked_at(path: Path) -> tuple[str, ...]:
    """What the table at ``path`` says of ratings for all damage, where the shop says when it looks; () without one."""
    if not path.exists():
        return ()
    table = pd.read_csv(path)
    every = table[table["times"] == 0].set_index("how")
    own, other = every.loc["by openings"], every.loc["among failures"]
    return (
        f"Where a shop says at which returns it looks for such damage, the rating is for all of it: {own.held:.0%} of {own.bounds:,.0f} such bounds of output shafts held (standard error {own.se:.1%}), "
        f"in the middle at {own.median_ratio:.0%} of the truth; with what was found among the failures, and trucks never opened taken as sound, {other.held:.0%} held.",
    )


def worth(folder: str | Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """What following the sheet was worth in invented shops, against habit and truth: the table, and what it says. folder: of the studies."""
    path = Path(folder) / "worth.csv"
    if not path.exists():
        return pd.DataFrame(), (
            f"No table of what following the sheet is worth at {path}: run python -m studies worth in a checkout.",
        )
    table = pd.read_csv(path)
    never, habit, sheet, tries, odds, truth = (
        table[table["start"] == "all"].set_index("owner").loc[o] for o in WORTH_OWNERS
    )
    right, high = (table[table["start"] == f"{s} of the truth"].set_index("owner") for s in ("1", "1.35"))
    saved = {p: 1 - sheet[f"cost_{p}"] / habit[f"cost_{p}"] for p in (5, 10, 20)}
    follows, first = WORTH_OWNERS[2], WORTH_OWNERS[1]
    lines = (
        f"{sheet.shops:,.0f} invented shops were replayed for six years, each from limits at .7, 1.0 and 1.35 of the truth, the same trucks for every owner, 85% of failures reported, one odometer in five read. "
        f"Where a comeback costs ten trucks refused, the owner who does what the sheet says pays {saved[10]:.0%} less than the one who sets the limit just below the first failure ({saved[5]:.0%} at five, {saved[20]:.0%} at twenty); "
        f"one who knew the truth would pay {1 - truth.cost_10 / habit.cost_10:.0%} less, one who never changes anything {never.cost_10 / habit.cost_10 - 1:.0%} more.",
        f"Where the limit is right he refuses {right.loc[follows, 'refused'] / right.loc[first, 'refused']:.0%} of the good trucks that the habit refuses, and yet lowers {right.loc[follows, 'wrong_lower_share']:.0%} of the right limits at some look "
        f"in six years (15% was the goal). Where it is too high he has {high.loc[follows, 'comebacks'] / high.loc[first, 'comebacks'] - 1:+.0%} comebacks against the habit (none more was the goal); half of such limits are lowered by the {high.loc[follows, 'first_right_quarter']:.0f}th quarter.",
        f"Of {sheet.looks:,.0f} looks {sheet.raised_above:,.0f} raised a limit above the truth. A limit that is far too low is hardly ever raised: no power beyond what was run is supported, so that what it refuses stays refused until stronger trucks are tried. "
        f"One who also fits parts above their limits as far as the sheet says they may be tried pays {1 - tries.cost_10 / habit.cost_10:.0%} less than the habit at ten to one ({1 - tries.cost_5 / habit.cost_5:.0%} at five, "
        f"{1 - tries.cost_20 / habit.cost_20:.0%} at twenty); of {tries.tried:,.0f} such trials {tries.tried_above / tries.tried:.0%} went above the truth.",
        f"The goal of 20% less than the habit is not reached, and records alone hardly hold it: one who knew how such shops are drawn, read every odometer and set each limit where the cost he "
        f"expects is least (best odds) would pay {1 - odds.cost_10 / habit.cost_10:.0%} less, and at {odds.raised_above / odds.looks:.0%} of his looks raise a limit above the truth, which the sheet never may. First-order bounds, a look each quarter.",
    )
    first_right = table["first_right_quarter"].map(
        lambda at: "" if at != at else "never" if at == math.inf else f"{at:.0f}"
    )
    return table.assign(first_right_quarter=first_right), lines


def loaded(folder: str | Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """How right the load page was of invented fleets: the table of its rules, and what it says, with why its horsepower is low. folder: of the studies."""
    paths = [Path(folder) / f"load_{name}.csv" for name in ("rules", "explained", "hp")]
    if not all(path.exists() for path in paths):
        return pd.DataFrame(), (f"No tables of the load page at {folder}: run python -m studies load in a checkout.",)
    rules, explained, hp = map(pd.read_csv, paths)
    nothing, planted = rules[rules["times"] == 1], rules[rules["times"] > 1]
    given, unknown = (explained[explained["recorded"] == share][["right", "wrong"]].mean() for share in (1.0, 0.0))
    told = hp[hp["given"] > 0]
    fifth, whole = (told[told["recorded"] == share] for share in (0.2, 1.0))
    held, lbft = told["held_slowest"], told["held_lbft"]
    lines = (
        f"A rule that matters (breaking it makes failures five times as frequent) was told so in {planted['accused'].min():.0%} to {planted['accused'].max():.0%} of {rules['fleets'].iloc[0]} fleets; one that does nothing "
        f"was accused in {nothing['accused'].mean():.1%} (5% was meant). What explains the returns was told right in {given['right']:.0%} of fleets with all on record and wrong in {given['wrong']:.0%}; with nothing "
        f"on record it was told right in {unknown['right']:.0%}, wrong in {unknown['wrong']:.0%}, and else not told.",
        f"A rating on torque is made of the trucks whose torque is on record from the start, and of none where there are few. In {told['fleets'].iloc[0]:,.0f} fleets each of shops whose engines run at 2,300 to 3,500, "
        f"2,100 to 2,900 and 2,600 to 3,900 rpm, with a fifth of the torques on record or all, its lb ft held in {lbft.min():.0%} to {lbft.max():.0%} and the horsepower printed for it, with an engine slower than all but one in "
        f"twenty of them, in {held.min():.0%} to {held.max():.0%} (90% is meant); that came to {_ends(fifth['median_ratio'])} of the truth with a fifth on record, {_ends(whole['median_ratio'])} with all.",
        "Where no torque is on record none is told: taken by power, its lb ft held in 6% of 16 fleets of the fastest engines, and its horsepower, which had to be that of the slowest engine that may be, in all. "
        "No return tells the speed of an engine, so go by the rating on power there.",
    )
    return rules, lines


def _ends(of: pd.Series) -> str:
    return " to ".join(dict.fromkeys((f"{of.min():.2f}", f"{of.max():.2f}")))


def advised(folder: str | Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """How good the answer for one truck was in invented shops: the table, and what it says, with what it misses. folder: of the studies."""
    path = Path(folder) / "advice.csv"
    if not path.exists():
        return pd.DataFrame(), (
            f"No table of the answers for one truck at {path}: run python -m studies advice in a checkout.",
        )
    table = pd.read_csv(path)
    rows = table.set_index("measure")
    value, of = rows["value"], rows["of"].astype(int)
    lines = (
        f"{table['shops'].iloc[0]:,} invented shops of three components, with six years of sheets as messy as a shop's and published limits at .7, 1.0 or 1.35 of the truth, were asked "
        f"{of['told: components answered']:,} times what to fit in a component of one more truck. {value['told: components answered']:.0%} got an answer (most others were beyond what their shop had on record, or open). "
        f"Of those told that 90 of 100 last, {value['told: true share that lasts']:.1%} truly do; in {value['told: shops with at least .90 lasting']:.0%} of the {of['told: worst shop']} shops that gave an answer it was at least "
        f"90% (nine in ten was the goal), {value['told: worst shop']:.1%} in the worst.",
        f"Of whole builds, {value['builds: every component supported']:.0%} were supported in every component: nothing fails in {value['builds supported: truly last']:.1%} of them, where the best estimate was "
        f"{value['builds supported: told to last, best estimate']:.1%}; the lower end of what lasts held in {_held(rows, 'builds supported: lower end of what lasts held')}. Of {of['builds told that 90 of 100 last whole: truly last']:,} "
        f"told that 90 of 100 last whole, {value['builds told that 90 of 100 last whole: truly last']:.1%} do.",
        f"Of every part with a figure, the upper end of the share that fails held the truth in {_held(rows, 'upper end held, every part with a figure')} and the lower end in "
        f"{_held(rows, 'lower end held, every part with a figure')}, where 90% are promised of each. Of the parts advised, which are those whose upper end came out low, it held in {_held(rows, 'upper end held, parts supported')}, "
        f"and the lower end in {_held(rows, 'lower end held, parts supported')}: who reads the limits of the best alone reads them somewhat too good, by no fault of the limit. It costs little here: "
        f"{value['records: parts truly good for 90 of 100']:.1%} of them are good for 90 of 100.",
        f"Price and expected comebacks of the build together came to {value['told: cost over that of the truth'] - 1:+.1%} against what the truth would advise ({value['told: cost over the truth, where answered'] - 1:+.1%} where "
        f"there was an answer; 10% more was the goal) and {value['told: cost over that of the habit'] - 1:+.1%} against the habit, the part whose published limit covers the truck "
        f"({value['habit: true share that lasts']:.1%} of all parts last with the habit). With what is advised, which within the published limits may be a cheaper part that is likely to last or of which none failed, it was "
        f"{value['read: cost over that of the truth'] - 1:+.1%} and {value['read: cost over that of the habit'] - 1:+.1%} (less than the habit's was the goal; standard error {rows['se']['read: cost over that of the habit']:.1%}, over shops), and {value['read: true share that lasts']:.1%} last, "
        f"at least 90% in {value['read: shops with at least .90 lasting']:.0%} of the shops. "
        "The part that money alone would fit came to "
        f"{value['money: cost over that of the truth'] - 1:+.1%} and {value['money: cost over that of the habit'] - 1:+.1%}, and lasts in {value['money: true share that lasts']:.1%}.",
        f"Trucks no shop had seen were recognised in {value['outside: recognised']:.0%} (95% was the goal). {value['outside: advised all the same']:.0%} of their components got an answer all the same, all of trucks weaker or "
        "lighter than any on record.",
        "What it misses: parts that hang on each other or go together, since components fail here one by one as the answer takes them; a driveline; other prices than a comeback at eight times the cheaper part's; "
        "limits that somebody moves.",
    )
    return table, lines


def _held(rows: pd.DataFrame, measure: str) -> str:
    """A share that held, with its standard error over shops."""
    return f"{rows.at[measure, 'value']:.1%} (standard error {rows.at[measure, 'se']:.1%}, over shops)"


def speed(folder: str | Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """How fast the work is against others: the table, and what it says. folder: of the studies."""
    path = Path(folder) / "speed.csv"
    if not path.exists():
        return pd.DataFrame(), (f"No table of speeds at {path}: run make bench in a checkout.",)
    table = pd.read_csv(path)
    aimed = table[table["goal"].notna() & table["times_as_fast"].notna()]
    missed = aimed[aimed["times_as_fast"] < aimed["goal"]]
    rows = missed["rows"].map(lambda n: f" of {n:,} rows" if n else "")
    named = missed["work"] + rows + " against " + missed["against"]
    said = (
        f"On {table['cores'].iat[0]} cores, both in turn on the same data, the median with the lowest and highest; CPU milliseconds of ours, and those of the clock for whole commands. "
        f"{len(aimed) - len(missed)} of {len(aimed)} goals are met"
        + ("." if missed.empty else f"; not {'; '.join(named)}."),
        *_answers(table),
        f"Versions: {'; '.join(table['versions'].unique())}.",
    )
    return table.drop(columns=["cores", "versions"]).dropna(axis=1, how="all"), said


def _answers(table: pd.DataFrame) -> tuple[str, ...]:
    """How long the answer for one truck takes."""
    ms = table.set_index("work")["cpu_ms"] / 1e3
    first, kept, moved = (
        ms.get(f"answer for a truck, {what}")
        for what in ("the first since a sheet changed", "fits kept", "as a slider moves")
    )
    if moved is None:
        return ()
    return (
        f"Once the demo's sheets are read, the answer for a truck takes {kept:.1f} s with what was kept of them, {moved:.1f} s as a slider moves (2 s was the goal), and {first:.0f} s the first time a use is asked for "
        "since a sheet changed.",
    )
