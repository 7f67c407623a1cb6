"""What stands out, how lots rank, what the watch can and cannot see, whether a revision helped."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import binom

from analytics.lifetimes.later import LIFE
from analytics.models.exact import binomial_limits
from analytics.ratings.predict import count_chances
from analytics.reasons import (
    AlarmIs,
    Alarms,
    Family,
    Lots,
    Power,
    Question,
    Reason,
    Revision,
    RevisionIs,
    reason,
    reason_if,
)
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.budget import BUDGET, FALSE_ALARM
from analytics.review.door import with_level
from analytics.review.expected import Stakes
from analytics.review.lot_choice import lot_money, lot_reasons
from analytics.review.snapshot import (
    ANY_LEVEL,
    PartSnapshot,
    Snapshot,
    chance_of,
    equal_draws,
    from_entry,
    past_of,
    pooled_lives,
)
from analytics.review.watch import (
    BOTH_WAYS,
    INSTALL,
    Watched,
    alarm_count,
    chance_of_alarm,
    shrink,
    threshold_of,
    watched_lives,
)

#: alarms that ask for nothing more
OVER = frozenset({AlarmIs.CLOSED, AlarmIs.QUIET})
_RAISED_COLUMNS = ["what", "state", "raised", "units", "expected", "came", "p_value", "threshold"]


def alarms_answer(
    now_snapshot: Snapshot,
    watched: list[Watched],
    kept: pd.DataFrame,
    closed: pd.DataFrame,
    counts: dict[tuple[str, str], pd.DataFrame] | None = None,
) -> Answer:
    """What stands out on the day of ``now_snapshot``, of what was ``watched``: alarms ``kept`` with their state, but for those ``closed`` by a
    person and those long quiet, which are a line each. counts: of lots (`lot_counts`), by which a loud one is weighed by money."""
    question = reason(Question.ALARMS, false_alarm=FALSE_ALARM, budget=BUDGET)
    if not watched:
        return nothing(question, Alarms.NO_QUARTER_BEFORE)
    now = watched[-1]
    own = kept.set_index(["family", "component", "group"])["state"].to_dict()
    state = np.array([own.get((a.family, a.component, a.group), AlarmIs.NEW) for a in now.alarms.itertuples()], object)
    live = now.alarms[[s not in OVER for s in state]]
    rows = [_raised(alarm, watched, kept) for alarm in live.itertuples()]
    table = pd.DataFrame(rows, columns=_RAISED_COLUMNS)
    said = [reason(Alarms.STANDS_OUT, **row) for row in table.drop(columns="threshold").to_dict("records")]
    for alarm in live.itertuples():
        if alarm.family is Family.LOT_LIFE:
            said += [_lot_to_do(now_snapshot, alarm), *_lot_in_money(now_snapshot, alarm, counts or {})]
    benches = [_test(a) for a in live.itertuples() if a.family in INSTALL]
    said += reason_if(Alarms.ASK_THE_BENCH, benches, tests=benches)
    said += reason_if(Alarms.NOTHING, not rows)
    said += _put_by(now.alarms.assign(state=state), closed)
    gone = kept[(~kept["standing"]) & (kept["first_raised"] < now.end)] if len(kept) else kept
    if len(gone):
        told = [(_test(r), r.first_raised, r.verdict) for r in gone.itertuples()]
        said.append(reason(Alarms.NOT_STANDING, alarms=told))
    rest = now.tests[~now.tests["alarm"]].head(2)
    said += reason_if(Alarms.NEXT_IN_LINE, len(rest), tests=[(_test(r), r.came, r.expected) for r in rest.itertuples()])
    said.append(reason(Alarms.TESTS, tests=len(now.tests), false_alarm=FALSE_ALARM))
    return Answer(question, tuple(said), table)


def _put_by(alarms: pd.DataFrame, closed: pd.DataFrame) -> list[Reason]:
    """A line for each alarm that a person closed or that has long been quiet."""
    said = []
    for a in alarms[alarms["state"] == AlarmIs.CLOSED].itertuples():
        own = closed[
            (closed["family"] == a.family.name) & (closed["component"] == a.component) & (closed["group"] == a.group)
        ]
        row = own.iloc[-1]
        values = {"on": pd.Timestamp(row["closed_on"]), "by": row["by"], "why": row["reason"]}
        said.append(reason(Alarms.CLOSED, what=_test(a), came=int(a.came), **values))
    quiet = [_test(a) for a in alarms[alarms["state"] == AlarmIs.QUIET].itertuples()]
    return said + ([reason(Alarms.QUIET, alarms=quiet)] if quiet else [])


def _test(row) -> Reason:
    """What a test looked at."""
    return reason(Alarms.TEST, family=row.family, component=row.component, group=row.group)


def _raised(alarm, watched: list[Watched], kept: pd.DataFrame) -> dict[str, object]:
    mine = kept[
        (kept["family"] == alarm.family) & (kept["component"] == alarm.component) & (kept["group"] == alarm.group)
    ]
    day = mine["first_raised"].min() if len(mine) else watched[-1].end
    code = Alarms.AT_QUARTER
    if len(watched) > 1:
        code = {watched[-1].end: Alarms.THIS_QUARTER, watched[0].end: Alarms.BY_QUARTER}.get(day, code)
    return {
        "what": _test(alarm),
        "state": mine["state"].iloc[-1] if len(mine) else AlarmIs.NEW,
        "raised": reason(code, day=day),
        "units": alarm.units,
        "expected": alarm.expected,
        "came": alarm.came,
        "p_value": alarm.p_value,
        "threshold": alarm.threshold,
    }


def _lot_to_do(snapshot: Snapshot, alarm) -> Reason:
    own = snapshot.table
    own = own[(own["component"] == alarm.component) & (own["lot"] == alarm.group) & own["followed"]]
    return reason(Alarms.STOP_THE_LOT, lot=alarm.group, still_running=sorted(own["serial"].unique()))


def _lot_in_money(snapshot: Snapshot, alarm, counts: dict[tuple[str, str], pd.DataFrame]) -> list[Reason]:
    rates = {part: lots for (component, part), lots in counts.items() if component == alarm.component}
    found = lot_money(snapshot, alarm.component, alarm.group, rates)
    return [] if found is None else lot_reasons(found, snapshot.lifetimes.shop.currency)


def lot_counts(before: Snapshot, now: Snapshot) -> dict[tuple[str, str], pd.DataFrame] | None:
    """Per component and part, its lots on record ``now`` with units, came and expected by the fits of ``before``, where two have lives and one
    failed; None where no lot is on record."""
    lives = watched_lives(before, now)
    lives = lives[lives["lot"] != ""]
    if lives.empty:
        return None
    found = {}
    for key, own in lives.groupby(["component", "part"], sort=True):
        n = (own["failure"] * own["count"]).groupby(own["lot"]).sum()
        if not n.sum() or len(n) < 2:
            continue
        units = own.drop_duplicates(LIFE).groupby("lot")["count"].sum()  # a life cut in pieces is one
        hazard = own.groupby("lot")["hazard"].sum()
        counts = {"lot": n.index, "units": units.to_numpy(), "came": n.to_numpy(int)}
        found[key] = pd.DataFrame(counts | {"expected": (hazard * n.sum() / hazard.sum()).to_numpy()})
    return found


def lots_answer(counts: dict[tuple[str, str], pd.DataFrame] | None) -> Answer:
    """Lots ranked by rates drawn together, each against what the fits give it. counts: of `lot_counts`."""
    question = reason(Question.LOTS)
    if counts is None:
        return nothing(question, Lots.NONE_ON_RECORD)
    frames, alike = [], []
    for (component, part), own in counts.items():
        mean, lower, upper, spread = shrink(own["came"].to_numpy(), own["expected"].to_numpy())
        own = own.assign(times_the_usual=mean, lower=lower, upper=upper)
        own.insert(0, "component", component)
        own.insert(1, "part", part)
        frames.append(own)
        alike += reason_if(Lots.ALIKE, spread == 0, part=part)
    if not frames:
        return nothing(question, Lots.NONE_FAILED)
    table = pd.concat(frames).sort_values(
        ["times_the_usual", "lot"], ascending=[False, True], kind="stable", ignore_index=True
    )
    worse = table.loc[table["lower"] > 1, ["lot", "came", "units", "times_the_usual", "lower", "upper"]].head(5)
    said = [reason(Lots.WORSE, **row) for row in worse.to_dict("records")] or [reason(Lots.NONE_WORSE)]
    return Answer(question, (*said, *alike), table)


def power_answer(now: Snapshot, watched: list[Watched], size: int = 20) -> Answer:
    """What the watch would catch of a lot of ``size``, by the fits of ``now`` and the last threshold in ``watched``."""
    tests = watched[-1].tests if watched else pd.DataFrame(columns=["family"])
    own = tests[tests["family"] == Family.LOT_LIFE]
    threshold = (
        float(own["threshold"].iloc[0])
        if len(own)
        else threshold_of(np.zeros(size), FALSE_ALARM * BUDGET[Family.LOT_LIFE])
    )
    question = reason(Question.POWER, size=size, threshold=threshold)
    in_a_quarter = _power_in_a_quarter(watched[-1]) if watched else []
    best = _most_common(now, lots=len(own) > 0)
    if best is None and in_a_quarter:
        return Answer(question, (reason(Power.NO_FIT), *in_a_quarter), pd.DataFrame())
    if best is None:
        return nothing(question, Power.NO_FIT)
    (component, part), snapshot = best
    begun, _ = from_entry(snapshot.lives.data)
    new = np.flatnonzero(snapshot.lives.data.days.entry == 0)
    rows = []
    for years in (0.5, 1.0, 2.0, 3.0):
        usual = float(
            chance_of(snapshot, past_of(now, component, part), begun, new, DAYS_A_YEAR * years, draws=False).mean()
        )
        expected = size * usual
        count = alarm_count(expected, threshold)
        row = {
            "years_in_service": years,
            "usual": expected,
            "alarm_at": count,
            "false_alarm": chance_of_alarm(count, expected),
        }
        rows.append(row | {f"caught_{k}_times_worse": chance_of_alarm(count, expected, k) for k in (2, 5, 10, 20)})
    table = pd.DataFrame(rows)
    of = [f"caught_{k}_times_worse" for k in (5, 10, 20)]
    last, first = table.iloc[-1], table.iloc[1]
    lot = {"size": size, "part": part, "component": component}
    said = (
        reason(
            Power.BY_YEARS,
            usual=last["usual"],
            years=last["years_in_service"],
            alarm_at=int(last["alarm_at"]),
            caught=last[of].tolist(),
            **lot,
        ),
        reason(Power.BY_ONE_YEAR, caught=first[of].tolist()),
    )
    return Answer(question, (*said, *in_a_quarter), table)


#: how many times as many are tried on the looks at a quarter, and the chance from which such a rise counts as seen
_TIMES, _SEEN = (2, 3), 0.5


def _power_in_a_quarter(watched: Watched) -> list[Reason]:
    """What the looks at one quarter, as it was ``watched``, would say of a rise: of the whole shop and each component, and of how many parts."""
    tests = watched.tests.sort_values(["component", "group"], kind="stable")
    whole, parts = (tests[tests["family"].isin(of)] for of in (BOTH_WAYS, {Family.PART_QUARTER}))
    said = [_rise_seen(watched.stakes, test) for test in whole.itertuples()]
    caught = {test.group: _told_of(watched.stakes, test)[1] for test in parts.itertuples()}
    seen = [[part for part, by_times in caught.items() if by_times[k] >= _SEEN] for k in range(len(_TIMES))]
    return said + reason_if(Power.PARTS_IN_A_QUARTER, caught, parts=len(caught), seen=seen)


def _rise_seen(stakes: Stakes, test) -> Reason:
    told_at, caught = _told_of(stakes, test)
    return reason(Power.IN_A_QUARTER, look=_test(test), expected=test.expected, told_at=told_at, caught=caught)


def _told_of(stakes: Stakes, test) -> tuple[int, tuple[float, ...]]:
    """Of a look (``test``) at the lives at ``stakes`` in a quarter: from how many failures on it is an alarm, and the chance of so many at each of _TIMES the rate."""
    at, count = _lives_of(stakes, test), stakes.rows["count"].to_numpy()
    even = np.full(len(stakes.chance), 1 / len(stakes.chance))

    def so_many_or_more(times: float) -> np.ndarray:
        chance = with_level(stakes.chance[:, at], times * stakes.level)
        return count_chances(chance, count[at], even)[::-1].cumsum()[::-1]

    usual = so_many_or_more(1.0)
    told_at = int((usual > test.threshold / (1 + (test.family in BOTH_WAYS))).sum())
    caught = tuple(float(more[told_at]) if told_at < len(more) else 0.0 for more in map(so_many_or_more, _TIMES))
    return told_at, caught


def _lives_of(stakes: Stakes, test) -> np.ndarray:
    """Positions of the lives a look at the quarter (``test``) takes together."""
    own = np.ones(len(stakes.rows), bool)
    for column, name in (("component", test.component), ("part", test.group)):
        own &= (stakes.rows[column] == name).to_numpy() | (name == "")
    return np.flatnonzero(own)


def _most_common(now: Snapshot, lots: bool) -> tuple[tuple[str, str], PartSnapshot] | None:
    with_lots = set(zip(*(now.table.loc[now.table["lot"] != "", c] for c in ("component", "part")), strict=True))
    fitted = {
        k: p
        for k, p in now.parts.items()
        if p.fit.model is not None and not p.pooled and p.lives.data.failures >= 3 and (not lots or k in with_lots)
    }
    if not fitted:
        return None
    return min(fitted.items(), key=lambda item: (-item[1].lives.data.weight.sum(), item[0]))


# ---- revisions -------------------------------------------------------------------------------------------------------
def revision_answer(before: Snapshot, now: Snapshot, tests: pd.DataFrame, quarters: int = 20) -> Answer:
    """Did the new revision fix it, and how long until we know? tests: of the quarter from ``before`` to ``now``,
    judged. quarters: looked ahead at most."""
    question = reason(Question.REVISION, sure=FALSE_ALARM * BUDGET[Family.REVISION_LIFE])
    own = tests[tests["family"] == Family.REVISION_LIFE] if len(tests) else tests
    if own.empty:
        return nothing(question, Revision.NONE_OUT)
    rows, said = [], []
    for test in own.itertuples():
        limits = binomial_limits(test.came, int(test.total), 0.9)
        odds = test.share / (1 - test.share)
        low, high = (q / (1 - q) / odds if q < 1 else np.inf for q in (limits.lower, limits.upper))
        is_ = (
            RevisionIs.BETTER
            if test.p_fewer <= test.threshold
            else RevisionIs.WORSE
            if test.p_value <= test.threshold
            else RevisionIs.NOT_KNOWN
        )
        told = {"old": test.old, "new": test.new, "units": test.units, "came": test.came, "expected": test.expected}
        if is_ is RevisionIs.BETTER:
            said.append(reason(Revision.BETTER, upper=high, **told))
        elif is_ is RevisionIs.WORSE:
            said.append(reason(Revision.WORSE, lower=low, **told))
        else:
            code = Revision.LOOKS_BETTER if test.ratio < 1 else Revision.NO_BETTER_SO_FAR
            said.append(reason(code, p_fewer=test.p_fewer, **told))
            when, truth = _known_by(before, now, test, quarters)
            if when:
                said.append(reason(Revision.KNOWN_BY, times=truth, quarter=when))
            else:
                said.append(reason(Revision.NOT_KNOWN_BY, times=truth, years=quarters // 4))
        rows.append(
            {
                "component": test.component, "old": test.old, "new": test.new, "units": test.units, "came": test.came,
                "expected": test.expected, "ratio": test.ratio, "lower": low, "upper": high, "p_better": test.p_fewer,
                "p_worse": test.p_value, "in_words": reason(is_, new=test.new),
            }
        )  # fmt: skip
    return Answer(question, tuple(said), pd.DataFrame(rows))


def _known_by(before: Snapshot, now: Snapshot, test, quarters: int) -> tuple[str, float]:
    """The first quarter end by which a revision that is as good as it tests is proven four times out of five, and how good that is."""
    from analytics.ratings.predict import fit_lives
    from analytics.review.snapshot import SEED

    truth = min((test.came + 0.5) / (test.expected + 0.5), 0.9)
    data, code = pooled_lives(now, test.component, (test.old, test.new))
    fit = fit_lives(data, now.lifetimes.shop.targets.miles, now.settings.of(test.component), 32, SEED)
    if fit.model is None:
        return "", truth
    snapshot = PartSnapshot(now.parts[test.component, test.old].lives, fit, equal_draws(fit, SEED))
    begun, days = from_entry(data)
    running = np.flatnonzero(~data.failed & ~data.known_alive)
    past = -np.log1p(-chance_of(snapshot, ANY_LEVEL, begun, np.arange(len(days)), days, draws=False)[0]) * data.weight
    new = code == 1
    for ahead in range(1, quarters + 1):
        more = chance_of(snapshot, ANY_LEVEL, data, running, 91.3 * ahead, draws=False)[0] * data.weight[running]
        h_new, h_old = past[new].sum() + more[new[running]].sum(), past[~new].sum() + more[~new[running]].sum()
        share = h_new / (h_new + h_old)
        total_old = test.total - test.came + more[~new[running]].sum()
        expected_new = test.came + truth * more[new[running]].sum()
        # number that will have fallen on the new one, given the total it makes
        total = round(total_old + expected_new)
        q = truth * share / (truth * share + 1 - share)
        k = np.arange(total + 1)
        proven = 2 * binom.cdf(k, total, share) <= test.threshold
        if binom.pmf(k, total, q)[proven].sum() >= 0.8:
            end = (now.as_of + pd.Timedelta(days=91.3 * ahead)).to_period("Q")
            return f"{end.year} Q{end.quarter}", truth
    return "", truth
