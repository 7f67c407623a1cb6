"""What comes in at the door: the time from failing to coming in, a truck's own history, the season and uneven quarters, and the
shop's own came over expected.

All of it is of reported failures. The time to the door is a right-truncated sample: a return is on record only once it came (Lagakos,
Barraj and De Gruttola, Biometrika 75 (1988) 515-523; Kalbfleisch and Lawless, J. Am. Stat. Assoc. 84 (1989) 360-372; both from
memory). Lives of one truck go together by a gamma factor of its own under which each life keeps the chance its fit gives it (Clayton,
Biometrika 65 (1978) 141-151; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import gammaln

from analytics.lifetimes.later import came_later
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.snapshot import DRAWS, SEED, PartSnapshot, Snapshot, chance_of, common_level, from_entry, past_of

QUARTER_DAYS = DAYS_A_YEAR / 4
#: calendar quarters, back from the day, that the season and the unevenness are read from
_QUARTERS = 16
#: what is taken of a shop before its records speak (log scale): swing of the season, unevenness of quarters; ours
_SWING, _UNEVEN = 0.2, 0.15
#: variance of what no record tells, a year ahead. Chosen on 18 invented shops (data/evidence), where ranges of a year held 0.80 without it
_AHEAD = 0.02
#: quarters foretold that are held against what came
RECORD = 8
#: failures' worth of trust that first lives fail as their fits say
_USUAL_WORTH = 5.0
#: variances of the trucks' own factors that are tried, and their mean before the records speak (exponential; ours)
_VARIANCES, _USUAL_VARIANCE = np.linspace(0.0, 4.0, 41), 1.0
#: a share can be no nearer to certainty
_SURE = 1 - 1e-12


@dataclass(frozen=True, slots=True, repr=False)
class History:
    """Per row (n,) of a part's lives: its own hazard run through, and of its whole truck's lives the number that failed and, per
    variance tried (len(_VARIANCES), n), what they have run through on the scale of the truck's factor."""

    own: np.ndarray
    failed: np.ndarray
    run: np.ndarray


@dataclass(frozen=True, slots=True, repr=False)
class Door:
    """What all lives of a shop share, in draws (DRAWS,) from what the records leave open.

    usual: first lives' failures over those their fits expect. variance: of the trucks' own factors. season: (DRAWS, 2) of sine and cosine of the day of the year, on the log hazard. uneven:
    variance of a quarter's own factor. history: (component, part) -> per row of its lives, what its truck's other lives and its own
    have run through and how often it failed.
    """

    usual: float
    variance: np.ndarray
    season: np.ndarray
    uneven: np.ndarray
    history: dict[tuple[str, str], History]


def door_of(snapshot: Snapshot) -> Door:
    """Made once for a snapshot."""
    if "" not in snapshot.doors:
        lives = _lives(snapshot)
        # the fits take all lives for as many trucks; those put in later sit in the trucks that wear them out, and lift the first ones' share
        first = lives[lives["first"].astype(bool)]
        usual = (first["failed"] @ first["count"] + _USUAL_WORTH) / (first["hazard"] @ first["count"] + _USUAL_WORTH)
        at, history = _histories(lives.assign(hazard=lives["hazard"] * usual))
        season, uneven = _calendar(snapshot)
        snapshot.doors[""] = Door(float(usual), at, season, uneven, history)
    return snapshot.doors[""]


# ---- a truck's own history -----------------------------------------------------------------------------------------
def hazard_run(
    snapshot: Snapshot, component: str, part: str, until: Sequence[pd.Timestamp | None] = (None,)
) -> np.ndarray:
    """Cumulative hazard (len(until), n) of each of the lives of a ``component``'s ``part`` in a ``snapshot``, from its entry to its end, or to a day of ``until`` if that is earlier."""
    own, past = snapshot.parts[component, part], past_of(snapshot, component, part)
    begun, days = from_entry(own.lives.data)
    every, start = np.arange(len(days)), snapshot.table["started_on"].to_numpy()[own.lives.rows]
    out = np.zeros((len(until), len(days)))
    for k, day in enumerate(until):
        seen = days if day is None else np.minimum(days, (np.datetime64(day) - start) / np.timedelta64(1, "D"))
        which = every[seen > 0]
        chance = chance_of(own, past, begun, which, seen[which], draws=False)[0]
        out[k, which] = -np.log1p(-np.minimum(chance, _SURE))
    return out


def _lives(snapshot: Snapshot) -> pd.DataFrame:
    frames = []
    for (component, part), own in snapshot.parts.items():
        at = snapshot.table.iloc[own.lives.rows]
        frames.append(
            pd.DataFrame(
                {
                    "component": component, "part": part, "serial": at["serial"].to_numpy(),
                    "hazard": hazard_run(snapshot, component, part)[0],
                    "failed": own.lives.data.failed.astype(float), "count": at["count"].to_numpy(float),
                    "first": at["spell"].to_numpy() == 1,
                }
            )
        )  # fmt: skip
    columns = ["component", "part", "serial", "hazard", "failed", "count", "first"]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns, dtype=float)


def _factor_scale(hazard: np.ndarray, variance: np.ndarray | float) -> np.ndarray:
    """What a life has run through on the scale of its truck's factor, so that over all trucks it keeps its own chance."""
    v = np.maximum(variance, 1e-9)
    return np.expm1(np.minimum(v * hazard, 30.0)) / v


def _histories(lives: pd.DataFrame) -> tuple[np.ndarray, dict[tuple[str, str], History]]:
    """Draws (DRAWS,) of which of _VARIANCES holds, and the histories. A row of several units says nothing of any one of them."""
    hazard, failed = lives["hazard"].to_numpy(float), lives["failed"].to_numpy(float)
    single = (lives["count"] == 1).to_numpy()
    truck = pd.factorize(lives["serial"])[0]
    trucks = truck.max() + 1 if len(truck) else 0
    run = np.array([_factor_scale(hazard, v) for v in _VARIANCES]).reshape(len(_VARIANCES), len(lives))
    whole = np.array([np.bincount(truck, r * single, minlength=trucks) for r in run]).reshape(len(_VARIANCES), trucks)
    back = np.bincount(truck, failed * single, minlength=trucks)
    ended = (hazard * failed * single).sum()
    log = np.array([_of_variance(v, back, own, ended) for v, own in zip(_VARIANCES, whole, strict=True)])
    chosen = _drawn(log - _VARIANCES / _USUAL_VARIANCE, 1)
    history = {}
    for key, at in lives.groupby(["component", "part"], sort=False).indices.items():
        mine = single[at]
        history[key] = History(
            hazard[at], np.where(mine, back[truck[at]], 0.0), np.where(mine, whole[:, truck[at]], run[:, at])
        )
    return chosen, history


def _of_variance(variance: float, back: np.ndarray, run: np.ndarray, ended: float) -> float:
    """Log-likelihood of a variance of the trucks' factors, from how often each came ``back`` and what it has ``run`` through, (trucks,).
    ended: hazard run through by the lives that failed, on the scale of their fits."""
    a = 1 / max(variance, 1e-4)
    each = gammaln(a + back) - gammaln(a) - back * np.log(a) - (a + back) * np.log1p(run / a)
    return float(each.sum() + variance * ended)


def _drawn(log: np.ndarray, stream: int) -> np.ndarray:
    """Positions (DRAWS,) drawn evenly from weights known up to a constant by their logs."""
    weight = np.exp(log - log.max())
    at = (np.arange(DRAWS) + 0.5) / DRAWS
    places = np.minimum(np.searchsorted(np.cumsum(weight / weight.sum()), at), len(log) - 1)
    return np.random.default_rng([SEED, 3, stream]).permutation(places)


def with_history(
    door: Door, key: tuple[str, str], which: np.ndarray, chance: np.ndarray, known: np.ndarray | float = 0.0
) -> np.ndarray:
    """Chances (draws, m) of the lives ``which`` of the part ``key``, whose fit gives them ``chance`` (draws, m), given what their trucks have been
    through, as the ``door`` of the snapshot has it. known: variance (draws, m) of the trucks' factors that the fit has told already
    (`told_by_driving`); only the rest is left to the factor."""
    own, at = door.history[key], np.arange(len(chance)) % DRAWS
    rest = (1 + _VARIANCES[door.variance[at]][:, None]) / (1 + known * np.ones(len(which))) - 1
    k = np.searchsorted(_VARIANCES, np.maximum(rest, 0.0) - _VARIANCES[1] / 2)
    v = np.maximum(_VARIANCES[k], 1e-9)
    hazard, now = -door.usual * np.log1p(-np.minimum(chance, _SURE)), own.own[which]
    ahead = np.exp(np.minimum(v * now, 30.0)) * _factor_scale(hazard, v)
    before = 1 / v + own.run[k, which]
    return -np.expm1(-(1 / v + own.failed[which]) * np.log1p(ahead / before))


def told_by_driving(own: PartSnapshot, which: np.ndarray) -> np.ndarray:
    """Variance (DRAWS, m) of the trucks' factors on the hazard of the lives ``which`` of a part (``own``) that comes of unlike miles a day (log-normal, to the power of the
    shape) where these are known: there the fit knows how hard the truck is driven."""
    if own.fit.model is None or not own.fit.model.layout.uses:
        return np.zeros((DRAWS, len(which)))
    log_sd = np.exp(own.theta[:, :1] + own.theta[:, own.fit.model.layout.tau, None])
    return np.where(own.lives.data.has_rate[which], np.expm1(np.minimum(log_sd**2, 5.0)), 0.0)


# ---- season and uneven quarters ------------------------------------------------------------------------------------
def _calendar(snapshot: Snapshot) -> tuple[np.ndarray, np.ndarray]:
    """Draws of the season (DRAWS, 2) and of the variance of a quarter's own factor (DRAWS,): came given expected by calendar quarter is
    negative binomial, over a grid of what can be."""
    came, expected, middle = by_quarter(snapshot)
    swing = np.linspace(-0.9, 0.9, 13)
    spread = np.linspace(0.0, 0.8, 9)
    s, c, u = (a.ravel() for a in np.meshgrid(swing, swing, spread, indexing="ij"))
    log = -0.5 * (s**2 + c**2) / _SWING**2 - 0.5 * u**2 / _UNEVEN**2
    if came.sum() > 0:
        angle = 2 * np.pi * middle / DAYS_A_YEAR
        mean = expected * np.exp(s[:, None] * np.sin(angle) + c[:, None] * np.cos(angle))
        mean *= came.sum() / mean.sum(1, keepdims=True)
        a = 1 / np.maximum(u, 1e-3)[:, None] ** 2
        log = log + (
            gammaln(a + came) - gammaln(a) + a * np.log(a / (a + mean)) + came * np.log(mean / (a + mean))
        ).sum(1)
    at = _drawn(log, 2)
    return np.stack([s[at], c[at]], 1), u[at] ** 2


def by_quarter(snapshot: Snapshot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Failures of the last quarters of a ``snapshot`` (91 days each, back from its day) that have any exposure, those expected in them by today's fits,
    and the middle of each, in days since 1970; arrays alike."""
    edges = [snapshot.as_of - pd.Timedelta(days=round(QUARTER_DAYS * k)) for k in range(_QUARTERS, -1, -1)]
    run, came = np.zeros(len(edges)), np.zeros(len(edges))
    for (component, part), own in snapshot.parts.items():
        at = snapshot.table.iloc[own.lives.rows]
        count, ended = at["count"].to_numpy(float), at["ended_on"].to_numpy()
        run += hazard_run(snapshot, component, part, edges) @ count
        came += [count[own.lives.data.failed & (ended <= np.datetime64(edge))].sum() for edge in edges]
    run, came = np.diff(run), np.diff(came)
    middle = np.array([(e - pd.Timestamp(0)).days - QUARTER_DAYS / 2 for e in edges[1:]])
    seen = run > 1e-6
    return came[seen], run[seen], middle[seen]


def level_of(snapshot: Snapshot, days: float) -> np.ndarray:
    """Factors (DRAWS,) on the hazard of all lives of a ``snapshot`` alike over the ``days`` to come. The quarters before move the next quarter."""
    return calendar_level(snapshot, days) * common_level(DRAWS, *_record(snapshot), min(QUARTER_DAYS / days, 1.0))


def _record(snapshot: Snapshot) -> tuple[float, float]:
    """Came and expected of the quarters foretold before, each worth what its own factor leaves of it."""
    uneven = float(door_of(snapshot).uneven.mean())
    worth = [1 / (1 + uneven * expected) for expected, _ in snapshot.foretold]
    came = sum(w * c for w, (_, c) in zip(worth, snapshot.foretold, strict=True))
    return came, sum(w * e for w, (e, _) in zip(worth, snapshot.foretold, strict=True))


def calendar_level(snapshot: Snapshot, days: float) -> np.ndarray:
    """The part of `level_of` (``snapshot``, ``days``) that season, uneven quarters and what no record tells have."""
    from scipy.stats import gamma

    door = door_of(snapshot)
    first = (snapshot.as_of - pd.Timestamp(0)).days - snapshot.wait_days
    angle = 2 * np.pi * (first + np.linspace(0, days, 53)) / DAYS_A_YEAR
    season = np.exp(door.season[:, :1] * np.sin(angle) + door.season[:, 1:] * np.cos(angle)).mean(1)
    year = 2 * np.pi * np.linspace(0, 1, 53)[:-1]
    season /= np.exp(door.season[:, :1] * np.sin(year) + door.season[:, 1:] * np.cos(year)).mean(1)
    variance = door.uneven * min(QUARTER_DAYS / days, 1.0) + _AHEAD * days / DAYS_A_YEAR
    at = (np.random.default_rng([SEED, 4]).permutation(DRAWS) + 0.5) / DRAWS
    return season * gamma.ppf(at, 1 / variance, scale=variance)


def with_level(chance: np.ndarray, level: np.ndarray) -> np.ndarray:
    """The ``chance`` (draws, n) with a ``level`` (draws,) common to all lives. Without it the whole shop's year held what came too rarely."""
    return -np.expm1(level[:, None] * np.log1p(-np.minimum(chance, _SURE)))


# ---- the chances ---------------------------------------------------------------------------------------------------
def running_chances(snapshot: Snapshot, days: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Lives running on the day of the snapshot and their chances (draws, n) of coming in within ``days``, at the usual level."""
    door, frames, blocks = door_of(snapshot), [], []
    for (component, part), own in snapshot.parts.items():
        which = np.flatnonzero(own.lives.watched & ~own.lives.data.failed & ~own.lives.data.known_alive)
        if len(which):
            at = snapshot.table.iloc[own.lives.rows[which]]
            ahead = np.maximum(days - (snapshot.wait_days - at["waited"].to_numpy(float)), 0.5)
            told = chance_of(own, past_of(snapshot, component, part), own.lives.data, which, ahead)
            blocks.append(with_history(door, (component, part), which, told, told_by_driving(own, which)))
            frames.append(at)
    if not frames:
        return snapshot.table.iloc[:0], np.zeros((DRAWS, 0))
    return pd.concat(frames), np.concatenate(blocks, axis=1)


def with_record(now: Snapshot, last: Snapshot, foreseen: tuple[pd.DataFrame, np.ndarray]) -> Snapshot:
    """The snapshot ``now`` with how the quarter since ``last`` came out, after those ``last`` knew of. foreseen: `running_chances` of ``last`` over
    it; what is held against it was foretold without the record, so that the record does not correct itself."""
    lives, chance = foreseen
    level = calendar_level(last, float((now.as_of - last.as_of).days))
    expected = with_level(chance, level).mean(0) @ lives["count"].to_numpy(float)
    came = came_later(lives, last.table, now.table[now.table["stopped"]]).sum()
    return replace(now, foretold=(*last.foretold, (float(expected), float(came)))[-RECORD:])


def broken_outside(snapshot: Snapshot) -> float:
    """How many of those out on the day of the ``snapshot`` have failed already and are not in yet, as expected."""
    if snapshot.wait_days < 1:
        return 0.0
    running, chance = running_chances(snapshot, snapshot.wait_days)
    return float(with_level(chance, level_of(snapshot, snapshot.wait_days)).mean(0) @ running["count"].to_numpy(float))


def range_of(pmf: np.ndarray, level: float) -> tuple[int, int]:
    """Whole numbers between which a count with chances ``pmf`` (K,) lies with about ``level``: each tail counts half of its edge (mid-p; Lancaster, J. Am. Stat. Assoc. 56
    (1961) 223-234, from memory). With both edges counted whole, ranges of a dozen held 0.97 where 0.90 was said."""
    tail = (1 - level) / 2
    middle = np.cumsum(pmf) - 0.5 * pmf
    inside = np.flatnonzero((middle > tail) & (middle < 1 - tail))
    return (int(inside[0]), int(inside[-1])) if len(inside) else (int(np.argmax(pmf)),) * 2
