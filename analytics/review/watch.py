"""Is anything getting worse? Looks at the quarter and at whole lives, with the false alarms of all of them together held down.

Every quarter has one budget of false claims, over everything the review claims, shared out beforehand (as Wu and Meeker, Technometrics 44
(2002) 237-251, share it out among months in service; the shares here are ours). The looks over whole lives are taken together: their
thresholds are those under which, where nothing is wrong, any of them is loud with the budget's chance (the smallest p of all, each
weighed by its family's share; Westfall and Young, Resampling-Based Multiple Testing, Wiley 1993), so that none of it lies idle in looks
that cannot be loud. In the other families the share is parted evenly among the tests that could be loud at all (Tarone, Biometrics 46
(1990) 515-522; all from memory). A test over the whole life needs no level: given how many of a part came back in all, the number from one lot is binomial with the lot's share of the
hazard, when nothing is wrong with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import gammainc, gammaln, xlog1py, xlogy
from scipy.stats import poisson

from analytics.lifetimes.later import LIFE, life_keys
from analytics.ratings.predict import fit_lives
from analytics.reasons import Family
from analytics.review.budget import BUDGET, FALSE_ALARM
from analytics.review.expected import Stakes, expected_table, life_hazards
from analytics.review.snapshot import (
    ANY_LEVEL,
    SEED,
    PartSnapshot,
    Snapshot,
    chance_of,
    equal_draws,
    from_entry,
    pooled_lives,
    recorded,
)

#: families that look at the quarter alone, by the side they look from (expected.SIDES)
_BY_SIDE = {
    "shop": Family.SHOP_QUARTER,
    "component": Family.COMPONENT_QUARTER,
    "part": Family.PART_QUARTER,
    "power band": Family.BAND_QUARTER,
    "weight class": Family.CLASS_QUARTER,
}
THIS_QUARTER = frozenset(_BY_SIDE.values())
#: of these, fewer than foreseen is told as well as more
BOTH_WAYS = frozenset({Family.SHOP_QUARTER, Family.COMPONENT_QUARTER})
#: families that look at install errors
INSTALL = frozenset({Family.MONTH_INSTALL, Family.BUILDER_INSTALL})
#: an install error shows within about so many days (common practice, no source); the records correct it as they grow
INSTALL_DAYS = 90.0
_INSTALL_WEIGHT = 5.0
_COLUMNS = [
    "family", "component", "group", "units", "expected", "came", "ratio", "p_value", "threshold", "alarm", "least",
]  # fmt: skip


# ---- numbers -------------------------------------------------------------------------------------------------------
def alarm_count(expected: float, chance: float) -> int:
    """Fewest failures that are an alarm: so many or more have a chance of at most ``chance`` where ``expected`` are (Poisson)."""
    count = int(poisson.isf(chance, expected))
    while poisson.sf(count - 1, expected) > chance:
        count += 1
    return count


def chance_of_alarm(count: int, expected: float, ratio: float = 1.0) -> float:
    """Chance that ``count`` or more fail where ``ratio`` times ``expected`` are the rule (Poisson)."""
    return float(poisson.sf(count - 1, ratio * expected))


def share_pmf(totals: Sequence[float] | np.ndarray, shares: Sequence[float] | np.ndarray) -> np.ndarray:
    """Chances of each number on a group, given the ``totals`` of each part and the group's ``shares`` of their hazard: a sum of
    independent binomials, exact."""
    pmf = np.ones(1)
    for total, share in zip(totals, shares, strict=True):
        k, m = np.arange(int(total) + 1), int(total)
        log = gammaln(m + 1) - gammaln(k + 1) - gammaln(m - k + 1) + xlogy(k, share) + xlog1py(m - k, -share)
        pmf = np.convolve(pmf, np.exp(log))
    return pmf


def share_tails(
    came: Sequence[float] | np.ndarray, totals: Sequence[float] | np.ndarray, shares: Sequence[float] | np.ndarray
) -> tuple[float, float, float]:
    """Chances of so many or more, of so few or fewer, and of the most there could be, given the totals.

    One entry per part: ``came`` of ``totals`` fell on a group with that share (``shares``) of the part's hazard.
    """
    pmf, n = share_pmf(totals, shares), int(sum(came))
    return float(min(pmf[n:].sum(), 1.0)), float(min(pmf[: n + 1].sum(), 1.0)), float(pmf[-1])


def threshold_of(least: Sequence[float] | np.ndarray, budget: float) -> float:
    """The chance under which a test of a family is an alarm: budget over the number of tests that could go that low.

    least: the smallest chance each test could reach, given the totals.
    """
    ordered = np.sort(np.asarray(least, float))
    for k in range(1, len(ordered) + 1):
        if int((ordered <= budget / k).sum()) <= k:
            return budget / k
    return budget / max(len(ordered), 1)


#: what is taken of how far groups differ before their records speak: half-normal, standard deviation of the ratios; ours
_DIFFER = 0.5
#: share of groups taken to be bad, up to _WORST times the others alike; ours
_BAD, _WORST = 0.03, 30.0
_SPREADS = np.linspace(0.0, 3.0, 121)
_RATIOS = np.geomspace(0.01, 100.0, 600)


def shrink(
    came: np.ndarray, expected: np.ndarray, level: float = 0.9
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Ratios of groups to the common rate, drawn together: mean, lower and upper (n,) at ``level``, and the likeliest spread between groups.

    ``came`` is Poisson with mean ``expected`` x ratio, ratios are gamma with mean 1 (Clayton and Kaldor, Biometrics 43 (1987) 671-681; from
    memory), averaged over the spreads that the counts leave open: where the likeliest is 0, groups may differ all the same. A few are bad, of any
    ratio: drawn to the others as the rest are, a lot ten times as bad as they had its ratio in its range in one of five.
    """
    left, likeliest = _ratios_left(np.asarray(came, float), np.asarray(expected, float))
    below, tail = left.cumsum(1), (1 - level) / 2
    lower, upper = (_RATIOS[np.argmax(below >= q, axis=1)] for q in (tail, 1 - tail))
    return left @ _RATIOS, lower, upper, likeliest


def ratios_drawn(came: np.ndarray, expected: np.ndarray, at: int, draws: int) -> np.ndarray:
    """The ratio of the group ``at`` of those that `shrink` draws together, by ``came`` and ``expected`` (n,), in ``draws`` (draws,) evenly over what
    is left open, rising."""
    left, _ = _ratios_left(np.asarray(came, float), np.asarray(expected, float))
    return np.interp((np.arange(draws) + 0.5) / draws, left[at].cumsum() - left[at] / 2, _RATIOS)


def _ratios_left(came: np.ndarray, expected: np.ndarray) -> tuple[np.ndarray, float]:
    """Weight (n, ratios) of each of _RATIOS for each group, and the likeliest of _SPREADS among those that are not bad."""
    edges = np.sqrt(_RATIOS[1:] * _RATIOS[:-1])
    a = 1 / np.maximum(_SPREADS, 1e-3)[:, None] ** 2
    usual = np.diff(gammainc(a, a * edges), prepend=0.0, append=1.0)
    bad = ((_RATIOS >= 1) & (_RATIOS <= _WORST)) * 1.0
    prior = (1 - _BAD) * usual + _BAD * bad / bad.sum()
    log = came[:, None] * np.log(_RATIOS) - expected[:, None] * _RATIOS
    chance = np.exp(log - log.max(1, keepdims=True))
    told = chance @ prior.T
    fit = np.log(np.maximum(told, 1e-300)).sum(0)
    weight = np.exp(fit - fit.max() - 0.5 * (_SPREADS / _DIFFER) ** 2)
    left = chance * ((weight / np.maximum(told, 1e-300)) @ prior)
    return left / left.sum(1, keepdims=True), float(_SPREADS[int(np.argmax(fit))])


# ---- tests ---------------------------------------------------------------------------------------------------------
#: families that look at whole lives: column of the lives, what is counted, and whether part by part
_OF = {
    Family.LOT_LIFE: ("lot", "failure", True),
    Family.MONTH_LIFE: ("month", "failure", False),
    Family.BUILDER_LIFE: ("builder", "failure", False),
    Family.MONTH_INSTALL: ("month", "install", False),
    Family.BUILDER_INSTALL: ("builder", "install", False),
}
#: quarters redrawn for their thresholds
_REDRAWN = 1000


def life_tests(lives: pd.DataFrame) -> pd.DataFrame:
    """Looks over whole lives at lots, build months and builders (see _COLUMNS). lives: from `watched_lives`."""
    return pd.DataFrame([row for family in _OF for row in _shared(lives, family)], columns=_COLUMNS)


def watched_lives(before: Snapshot, now: Snapshot) -> pd.DataFrame:
    """Lives of ``now`` with their hazard from the models of ``before``, and how much of the risk of an install error each
    has run through (``install_risk``). told_failure, told_install: in the looks at all."""
    lives = life_hazards(before, now)
    lives = lives[lives["part"].map(recorded).astype(bool)]
    return lives.assign(
        install_risk=_install_exposure(before, lives) * lives["count"], told_failure=True, told_install=True
    )


def _joined(frames: list[pd.DataFrame]) -> pd.DataFrame:
    some = [f for f in frames if len(f)]
    return pd.concat(some, ignore_index=True) if some else frames[0]


def _sums(lives: pd.DataFrame, family: Family) -> pd.DataFrame:
    """Per component, part and group of a family: hazard, n (came), units, and the part's whole hazard and total."""
    column, event, _ = _OF[family]
    own = lives[lives[f"told_{event}"] & lives[column].ne("") & lives[column].ne("NaT")]
    # install errors do not hang on the part fitted
    part = own["part"] if event == "failure" else ""
    own = pd.DataFrame(
        {
            "component": own["component"], "part": part, "group": own[column].astype(str),
            "units": own["count"] * ~own.duplicated(LIFE),  # a life cut in pieces is one
            "hazard": own["hazard"] if event == "failure" else own["install_risk"], "n": own[event] * own["count"],
        }
    )  # fmt: skip
    sums = own.groupby(["component", "part", "group"], sort=True)[["hazard", "n", "units"]].sum()
    whole = sums.groupby(level=[0, 1])[["hazard", "n"]].transform("sum")
    return sums.assign(total_hazard=whole["hazard"], total=whole["n"]).reset_index()


def _looks(sums: pd.DataFrame, by_part: bool) -> dict[tuple[str, str, str], np.ndarray]:
    """Rows of the sums that each look takes together. A part none of which failed anywhere says nothing; nor does a group with nothing to
    be compared with."""
    kept = sums[(sums["total"] > 0) & (sums["hazard"] > 0) & (sums["hazard"] < sums["total_hazard"])]
    kept = kept.assign(place=kept.index, side=kept["part"] if by_part else "")
    places = kept["place"].to_numpy()
    return {key: places[at] for key, at in sorted(kept.groupby(["component", "side", "group"]).indices.items())}


def _shared(lives: pd.DataFrame, family: Family) -> list[dict]:
    sums = _sums(lives, family)
    every = [sums[c].to_numpy(float) for c in ("hazard", "n", "total_hazard", "total")]
    of_units, rows = sums["units"].to_numpy(), []
    for (component, _, group), at in _looks(sums, _OF[family][2]).items():
        hazard, n, total_hazard, total = (column[at] for column in every)
        more, _, least = share_tails(n, total, hazard / total_hazard)
        rest = total - n
        expected = (hazard * np.where(rest > 0, rest, 0.5) / (total_hazard - hazard)).sum()
        units = of_units[at].sum()
        rows.append(_test(family, component, group, units, expected, n.sum(), more, least))
    return rows


def _shared_out(sums: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Each part's failures drawn anew over its groups by their hazard, (_REDRAWN, rows of the sums)."""
    drawn = np.zeros((_REDRAWN, len(sums)), int)
    hazard, total = sums["hazard"].to_numpy(float), sums["total"].to_numpy(int)
    for at in (
        sums[(sums["total"] > 0) & (sums["total_hazard"] > 0)].groupby(["component", "part"], sort=True).groups.values()
    ):
        drawn[:, at] = rng.multinomial(total[at[0]], hazard[at] / hazard[at].sum(), size=_REDRAWN)
    return drawn


def _least_p(sums: pd.DataFrame, drawn: np.ndarray, by_part: bool) -> np.ndarray:
    """The smallest p of all looks of a family in each redrawn quarter, (_REDRAWN,)."""
    least, total = np.full(len(drawn), np.inf), sums["total"].to_numpy()
    shares = (sums["hazard"] / sums["total_hazard"]).to_numpy(float)
    for at in _looks(sums, by_part).values():
        tail = share_pmf(total[at], shares[at])[::-1].cumsum()[::-1]
        least = np.minimum(least, tail[drawn[:, at].sum(1)])
    return least


def joint_thresholds(lives: pd.DataFrame) -> dict[Family, float]:
    """The chance under which a look over whole ``lives`` (from `watched_lives`) is an alarm, by family: together they are loud with the
    chance of their budget, found by sharing out each part's failures anew by the hazard, _REDRAWN times."""
    rng, least = np.random.default_rng([SEED, 5]), np.full(_REDRAWN, np.inf)
    for family in _OF:
        sums = _sums(lives, family)
        least = np.minimum(least, _least_p(sums, _shared_out(sums, rng), _OF[family][2]) / BUDGET[family])
    whole = sum(BUDGET[family] for family in _OF) * FALSE_ALARM
    spent = np.sort(least)[int(whole * _REDRAWN)] * (1 - 1e-9)
    return {family: min(float(spent) * BUDGET[family], whole) for family in _OF}


def _test(family, component, group, units, expected, came, p_value, least) -> dict:
    return {
        "family": family,
        "component": component,
        "group": str(group),
        "units": int(units),
        "expected": float(expected),
        "came": int(came),
        "ratio": float(came / expected) if expected > 0 else np.nan,
        "p_value": float(p_value),
        "threshold": np.nan,
        "alarm": False,
        "least": float(least),
    }


def _install_exposure(before: Snapshot, table: pd.DataFrame) -> np.ndarray:
    """Share of its install risk each life has run through: what the records of ``before`` show of when such errors come,
    drawn towards an even spread over the first INSTALL_DAYS."""
    past = before.table
    at = np.sort(past.loc[past["install"], "upper_days"].to_numpy(float))
    at = at[np.isfinite(at)]
    start, end = past["entry_days"].to_numpy(float), np.maximum(past["lower_days"], past["entry_days"]).to_numpy(float)
    step = np.array([1 / max(((start < t) & (end >= t)).sum(), 1) for t in at])
    steps = np.cumsum(step) / step.sum() if len(step) else step

    def shown(days: np.ndarray) -> np.ndarray:
        assumed = np.minimum(days, INSTALL_DAYS) / INSTALL_DAYS
        if not len(at):
            return assumed
        seen = np.r_[0.0, steps][np.searchsorted(at, days, side="right")]
        return (_INSTALL_WEIGHT * assumed + len(at) * seen) / (_INSTALL_WEIGHT + len(at))

    # a part that failed would have been followed on, had it not: its risk counts up to where it ended
    end = np.where(table["ended"] == "failed", table["upper_days"], table["lower_days"]).astype(float)
    return np.maximum(shown(end) - shown(table["entry_days"].to_numpy(float)), 1e-9)


def _revision_tests(before: Snapshot, now: Snapshot) -> pd.DataFrame:
    """A part that followed another, against it: both as if one part, fitted at ``before``; which share of the failures is its."""
    rows = []
    for step in now.lifetimes.shop.names.supersessions:
        if not all((step.component, p) in now.parts for p in (step.old, step.new)):
            continue
        past, _ = pooled_lives(before, step.component, (step.old, step.new))
        fit = fit_lives(past, now.lifetimes.shop.targets.miles, before.settings.of(step.component), 32, SEED)
        data, code = pooled_lives(now, step.component, (step.old, step.new))
        begun, days = from_entry(data)
        model = (
            PartSnapshot(before.parts[step.component, step.old].lives, fit, equal_draws(fit, SEED))
            if fit.model
            else None
        )
        chance = chance_of(model, ANY_LEVEL, begun, np.arange(len(days)), days, draws=False)[0]
        hazard = -np.log1p(-np.minimum(chance, 1 - 1e-12)) * data.weight
        new, failed = code == 1, data.failed
        total, came = data.weight[failed].sum(), data.weight[failed & new].sum()
        if not total:
            continue
        share = hazard[new].sum() / hazard.sum()
        more, fewer, _ = share_tails([came], [total], [share])
        expected = hazard[new].sum() * max(total - came, 0.5) / hazard[~new].sum()
        units = data.take(new).units
        group = f"{step.new} after {step.old}"
        # judged both ways
        row = _test(Family.REVISION_LIFE, step.component, group, units, expected, came, min(2 * more, 1), share**total)
        rows.append(
            row | {"p_fewer": min(2 * fewer, 1.0), "old": step.old, "new": step.new, "share": share, "total": total}
        )
    return _judged(pd.DataFrame(rows, columns=[*_COLUMNS, "p_fewer", "old", "new", "share", "total"]))


def quarter_tests(table: pd.DataFrame) -> pd.DataFrame:
    """The table of expected against actual as tests; a test could be loud if one failure more than came would be."""
    rows = []
    for row in table.itertuples():
        family = _BY_SIDE.get(row.side)
        if family is not None:
            p = min(2 * min(row.p_more, row.p_fewer), 1.0) if family in BOTH_WAYS else row.p_more
            rows.append(_test(family, row.component, row.group, row.units, row.expected, row.came, p, 0.0))
    return pd.DataFrame(rows, columns=_COLUMNS)


def _judged(
    tests: pd.DataFrame, thresholds: dict[Family, float] | None = None, budget: float = FALSE_ALARM
) -> pd.DataFrame:
    """The tests with their family's threshold and whether they are an alarm, the most surprising first."""
    told = _thresholds_of(tests, budget) if thresholds is None else thresholds
    own = tests.assign(threshold=tests["family"].map(told).astype(float))
    own["alarm"] = own["p_value"] <= own["threshold"]
    return own.sort_values(["p_value", "family", "component", "group"], kind="stable", ignore_index=True)


def _thresholds_of(tests: pd.DataFrame, budget: float = FALSE_ALARM) -> dict[Family, float]:
    """The chance under which a test of each family is an alarm."""
    return {f: threshold_of(own["least"], budget * BUDGET[f]) for f, own in tests.groupby("family", sort=True)}


def peeled(lives: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Looks over whole lives, judged, and the lives still told.

    One bad lot makes the months it was fitted in look bad too. So the loudest alarm is written down, its lives are set
    aside, and the rest is looked at again, until nothing is loud.
    """
    found: list[pd.DataFrame] = []
    lives = lives.copy()
    thresholds: dict[Family, float] | None = None
    while True:
        tests = life_tests(lives)
        thresholds = joint_thresholds(lives) if thresholds is None else thresholds
        tests = _judged(tests, thresholds)
        # loudest against what its family was given
        loud = tests[tests["alarm"]]
        loud = loud.iloc[np.argsort(loud["p_value"] / loud["threshold"], kind="stable")]
        if loud.empty:
            return _joined([*found, tests]), lives
        first = loud.iloc[:1]
        found.append(first)
        column, event, _ = _OF[first["family"].iat[0]]
        mine = (lives["component"] == first["component"].iat[0]) & (lives[column].astype(str) == first["group"].iat[0])
        lives.loc[mine, f"told_{event}"] = False


@dataclass(frozen=True, slots=True, repr=False)
class Watched:
    """One quarter watched. expected: table of expected against actual; tests: every test, judged; stakes: what could fail."""

    before: pd.Timestamp
    end: pd.Timestamp
    stakes: Stakes
    expected: pd.DataFrame
    tests: pd.DataFrame

    def __repr__(self) -> str:
        return f"Watched({self.end:%Y-%m-%d}: {len(self.tests)} tests, {int(self.tests['alarm'].sum())} alarms)"

    @property
    def alarms(self) -> pd.DataFrame:
        return self.tests[self.tests["alarm"]]


def watch(before: Snapshot, now: Snapshot, stakes: Stakes) -> Watched:
    """Every test of the quarter from ``before`` to ``now``, with the models as they stood at ``before``. stakes: the
    lives that could fail in it."""
    table = expected_table(stakes)
    life, lives = peeled(watched_lives(before, now))
    # what a lot or month already found does this quarter is not a new alarm
    silent = life_keys(lives[~lives["told_failure"]], before.table, stakes.rows)
    told = ~pd.MultiIndex.from_frame(stakes.rows[LIFE]).isin(silent)
    rest = table if told.all() else expected_table(stakes.take(told), sides=tuple(_BY_SIDE))
    more = _judged(_joined([quarter_tests(rest), _revision_tests(before, now)]))
    every = _joined([life, more])
    every = every.sort_values(["alarm", "p_value"], ascending=[False, True], kind="stable", ignore_index=True)
    return Watched(before.as_of, now.as_of, stakes, table, every)
