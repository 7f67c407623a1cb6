"""The fleet: how many are out, comebacks by power band and weight class, how each part wears, what each clock leaves out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.failures import counts_as_failure, failed_by_install
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import curve, fit, observed
from analytics.models.comparison import log_rank
from analytics.models.exact import binomial_limits, poisson_limits
from analytics.reasons import ByCell, Cell, Clocks, Fleet, Question, Reason, Wear, reason, reason_if
from analytics.records.load import NOT_RECORDED
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import unit_years


# ---- units out -------------------------------------------------------------------------------------------------------
def units_in_use(lifetimes: Lifetimes) -> int:
    """Units of ``lifetimes`` in service at the as-of date, as far as the records tell."""
    units = lifetimes.units
    return int(units.loc[units["end"] == "in use", "count"].sum())


def units_back(units: pd.DataFrame) -> pd.Series:
    """How many of each row of ``units`` came back damaged, (n,): a truck that came back more than once counts once."""
    return units["returned"].clip(upper=units["count"])


def fleet(lifetimes: Lifetimes) -> Answer:
    """The fleet of ``lifetimes`` by use: units, ages, known odometers."""
    units = lifetimes.units
    question, table = reason(Question.FLEET), _by_use(units)
    total = int(units["count"].sum())
    if not total:
        return nothing(question, Fleet.NONE, table)
    gone = units[units["end"] != "in use"]
    known = units[units["miles_days"] > 0]
    years = units["days"].repeat(units["count"]) / DAYS_A_YEAR
    size = {
        "units": total,
        "in_use": units_in_use(lifetimes),
        "median_years": years.median(),
        "unit_years": years.sum(),
    }
    said = [reason(Fleet.SIZE, **size)]
    said += reason_if(Fleet.GONE, len(gone), ends=gone.groupby("end")["count"].sum().to_dict())
    if len(known):
        per_year = known["miles"] / known["miles_days"] * DAYS_A_YEAR
        values = {"known": int(known["count"].sum()), "units": total, "median_miles_a_year": per_year.median()}
        said.append(reason(Fleet.ODOMETERS, **values))
    else:
        said.append(reason(Fleet.NO_ODOMETERS))
    return Answer(question, tuple(said), table)


def _by_use(units: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for use, own in units.assign(use=units["use"].replace("", "not recorded")).groupby("use", sort=True):
        known = own[own["miles_days"] > 0]
        per_year = known["miles"] / known["miles_days"] * DAYS_A_YEAR
        rows.append(
            {
                "use": use,
                "units": int(own["count"].sum()),
                "in_use": int(own.loc[own["end"] == "in use", "count"].sum()),
                "median_years": float((own["days"].repeat(own["count"]) / DAYS_A_YEAR).median()),
                "came_back": int(units_back(own).sum()),
                "odometer_known": int(known["count"].sum()),
                "median_miles_a_year": float(per_year.median()) if len(known) else np.nan,
            }
        )
    return pd.DataFrame(
        rows, columns=["use", "units", "in_use", "median_years", "came_back", "odometer_known", "median_miles_a_year"]
    )


# ---- by power band and weight class ----------------------------------------------------------------------------------
#: the age at which shares are compared, in years
HORIZON_YEARS = 2
_LEVEL = 0.90
#: failures below which a cell is too thin to say more of, or to be called the worst
_FEW = 3
_COUNTED = ["parts", "failures", "install_errors", "unit_years"]
_RATES = ["per_100_unit_years", "lower", "upper", "back_within_2_years", "back_lower", "back_upper"]
_COLUMNS = ["component", "power_band", "weight_class", *_COUNTED, *_RATES, "in_words"]


def by_cell(lifetimes: Lifetimes, component: str) -> Answer:
    """Failures in ``lifetimes`` of one component by power band and weight class, all its parts together."""
    shop = lifetimes.shop
    table = lifetimes.table[lifetimes.table["component"] == component]
    # a life counts once in each cell it has run in, however often it went there
    life = table["segment"].eq(1).cumsum()
    again = table.assign(life=life).duplicated(["life", "power_band", "weight_class"])
    table = table.assign(enters=~again)
    rows = []
    for (band, weight), own in table.groupby(["power_band", "weight_class"], observed=True, sort=True):
        rows.append(
            {"component": component, "power_band": str(band), "weight_class": str(weight)}
            | _cell(own, shop.checks.at_risk_to_show)
        )
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    differ, tests = _bands_differ(table)
    return Answer(
        reason(Question.BY_CELL, component=component, years=HORIZON_YEARS, at_risk=shop.checks.at_risk_to_show),
        _said(frame, table, component, differ),
        frame,
        tests,
    )


def _cell(own: pd.DataFrame, at_risk: int) -> dict[str, object]:
    failures = int(own.loc[counts_as_failure(own), "count"].sum())
    install = int(own.loc[failed_by_install(own), "count"].sum())
    parts = int(own.loc[own["enters"], "count"].sum())
    years = float(unit_years(own).sum())
    row = dict(zip(_COUNTED, (parts, failures, install, years), strict=True)) | dict.fromkeys(_RATES, np.nan)
    if years > 0:
        row |= _rates(failures, years)
    try:
        line = curve(own, "days")
        horizon = HORIZON_YEARS * DAYS_A_YEAR
        if line.reliable_until(at_risk) >= horizon and line.failures:
            at = line.survival_at(horizon)
            row |= {
                "back_within_2_years": float(1 - at.survival[0]),
                "back_lower": float(1 - at.upper[0]),
                "back_upper": float(1 - at.lower[0]),
            }
            # the curve has no limit where none came back: that of the fewest followed at once up to that age, none of whom did
            if at.survival[0] == 1:
                followed = min([int(at.at_risk[0]), *line.at_risk[line.time <= horizon].tolist()])
                most = binomial_limits(0, followed, 2 * _LEVEL - 1).upper if followed else np.nan
                row |= {"back_lower": np.nan, "back_upper": most}
    except NotEnoughData:
        pass
    return row | {"in_words": _cell_said(row)}


def _rates(failures: int, years: float, looks: int = 1) -> dict[str, float]:
    """Failures a year per hundred with limits; looks: groups that this one was picked from (Bonferroni)."""
    limits = poisson_limits(failures, years / 100, 1 - 2 * (1 - _LEVEL) / (looks if not failures else 2 * looks))
    return {"upper": limits.upper} | (
        {"per_100_unit_years": limits.estimate, "lower": limits.lower} if failures else {}
    )


def picked(row: pd.Series, looks: int) -> dict[str, object]:
    """The ``row`` of a cell, its limits those of one picked from so many (``looks``): those of the table hold for a cell named beforehand."""
    return dict(row) | _rates(int(row["failures"]), float(row["unit_years"]), looks)


def darkest(frames: list[pd.DataFrame]) -> dict[str, object] | None:
    """Of the tables of all components (``frames``, cells with power and weight on record) the cell that most can be said of, as `picked` from them all; None where
    none failed."""
    every = pd.concat(frames)
    every = every[every["unit_years"] > 0]
    sure = every[every["lower"].notna()].sort_values("lower", ascending=False, kind="stable")
    return picked(sure.iloc[0], len(every)) | {"looks": len(every)} if len(sure) else None


def _cell_said(row: dict) -> Reason:
    parts, failures, years = row["parts"], row["failures"], row["unit_years"]
    if years <= 0:
        return reason(Cell.NOT_YET, parts=parts)
    if not failures and row["upper"] >= 100:
        return reason(Cell.NONE_PROVES_NOTHING, parts=parts, unit_years=years)
    if not failures:
        return reason(Cell.NONE, parts=parts, unit_years=years, upper=row["upper"])
    rate = {"rate": row["per_100_unit_years"], "lower": row["lower"], "upper": row["upper"]}
    return reason(Cell.FEW if failures < _FEW else Cell.SOME, failures=failures, parts=parts, **rate)


def _said(frame: pd.DataFrame, table: pd.DataFrame, component: str, differ: Reason) -> tuple[Reason, ...]:
    total, parts = int(frame["failures"].sum()), int(table.loc[table["segment"] == 1, "count"].sum())
    years = float(frame["unit_years"].sum())
    recorded = (frame["power_band"] != NOT_RECORDED) & (frame["weight_class"] != NOT_RECORDED)
    if years <= 0 and not total:
        return (reason(ByCell.NOT_IN_SERVICE, component=component),)
    if not total:
        most = poisson_limits(0, years / 100, 2 * _LEVEL - 1).upper
        return (reason(ByCell.NONE_BACK, parts=parts, unit_years=years, upper=most),)
    if not recorded.any() and years <= 0:
        return (reason(ByCell.BACK_ON_FIRST_DAY, failures=total, parts=parts),)
    if not recorded.any():
        limits = poisson_limits(total, years / 100, _LEVEL)
        rate = {"rate": limits.estimate, "lower": limits.lower, "upper": limits.upper}
        return (reason(ByCell.NOT_ON_RECORD, failures=total, parts=parts, **rate),)
    in_service = frame[(frame["unit_years"] > 0) & recorded]
    ranked = in_service[in_service["failures"] >= _FEW]
    if len(ranked):
        worst = ranked.sort_values(["lower", "power_band"], ascending=[False, True], kind="stable").iloc[0]
        said = [reason(ByCell.WORST, failures=total, parts=parts, looks=len(in_service), **_place(worst, in_service))]
    else:
        said = [reason(ByCell.NO_WORST, failures=total, parts=parts)]
    clean = in_service[in_service["failures"] == 0].sort_values("unit_years", ascending=False, kind="stable")
    if len(clean):
        said.append(reason(ByCell.CLEANEST, looks=len(in_service), **_place(clean.iloc[0], in_service)))
    said.append(differ)
    install = int(frame["install_errors"].sum())
    said += reason_if(ByCell.INSTALL_ERRORS, install, n=install)
    unknown = table[(table["power_band"] == NOT_RECORDED) | (table["weight_class"] == NOT_RECORDED)]
    if len(unknown):
        lost = int(unknown.loc[unknown["segment"] == 1, "count"].sum())
        failed = int(unknown.loc[counts_as_failure(unknown), "count"].sum())
        said.append(reason(ByCell.UNKNOWN, parts=lost, failed=failed))
    return tuple(said)


def _place(row: pd.Series, among: pd.DataFrame) -> dict[str, object]:
    told = _cell_said(picked(row, len(among)))
    return {"power_band": row["power_band"], "weight_class": row["weight_class"], "cell": told}


def _bands_differ(table: pd.DataFrame) -> tuple[Reason, tuple[Reason, ...]]:
    """Whether the power bands fail alike within a weight class, and the tests behind it: over all classes together
    (stratified), then class by class."""
    known = table[(table["power_band"] != NOT_RECORDED) & (table["weight_class"] != NOT_RECORDED)]
    seen = observed(known, "days")
    rows = known.loc[seen.rows]
    band, weight = rows["power_band"].astype(str).to_numpy(), rows["weight_class"].astype(str).to_numpy()
    own = []
    for name in [c for c in rows["weight_class"].cat.categories if (weight == c).any()]:
        at = weight == name
        try:
            test = log_rank(seen.time[at], seen.failed[at], band[at], seen.entry[at], seen.count[at])
            own.append(reason(ByCell.CLASS_TEST, weight_class=name, test=test))
        except NotEnoughData as err:
            own.append(reason(ByCell.CLASS_UNTESTED, weight_class=name, why=err))
    try:
        test = log_rank(seen.time, seen.failed, band, seen.entry, seen.count, strata=weight)
    except NotEnoughData as err:
        return reason(ByCell.BANDS_UNTESTED), (reason(ByCell.UNTESTED, why=err), *own)
    told = (reason(ByCell.TEST, test=test), *own)
    if test.p_value < 0.01:
        return reason(ByCell.BANDS_DIFFER, few=bool(test.notes)), told
    if test.p_value < 0.10:
        return reason(ByCell.BANDS_MAY_DIFFER, few=bool(test.notes)), told
    return reason(ByCell.BANDS_ALIKE), told


def wear(lifetimes: Lifetimes) -> Answer:
    """Do failures in ``lifetimes`` come early or late: a Weibull fit per part, on days, held against Kaplan-Meier."""
    shop = lifetimes.shop
    rows = []
    named = lifetimes.table[lifetimes.table["part"] != NOT_RECORDED]
    for (component, part), own in named.groupby(["component", "part"], sort=True):
        row = {
            "component": component,
            "part": part,
            "parts": int(own.loc[own["segment"] == 1, "count"].sum()),
            "failures": int(own.loc[counts_as_failure(own), "count"].sum()),
        }
        try:
            fitted = fit(own, "days", shop.checks.failures_to_fit)
            shape = fitted.shape(level=_LEVEL)
            gap = fitted.largest_gap_from(curve(own, "days"), shop.checks.at_risk_to_show)
            row |= {
                "shape": shape.estimate,
                "shape_lower": shape.lower,
                "shape_upper": shape.upper,
                "largest_gap": gap.gap,
                "gap_outside_limits": gap.outside,
            }
            row["in_words"] = reason(
                _when(shape.lower, shape.upper), lower=shape.lower, upper=shape.upper, off_weibull=bool(gap.outside)
            )
        except NotEnoughData as err:
            row["in_words"] = (
                reason(Wear.NONE_BACK)
                if not row["failures"]
                else reason(Wear.NO_FIT, why=err)
                if row["failures"] >= shop.checks.failures_to_fit
                else reason(Wear.TOO_FEW, failures=row["failures"], needed=shop.checks.failures_to_fit)
            )
        rows.append(row)
    columns = [
        "component", "part", "parts", "failures", "shape", "shape_lower", "shape_upper", "largest_gap", "gap_outside_limits", "in_words",
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    read = frame[frame["shape"].notna()]
    said = [reason(Wear.PART, component=r.component, part=r.part, pattern=r.in_words) for r in read.itertuples()]
    rest = len(frame) - len(read)
    said += reason_if(Wear.REST, rest, parts=rest, others=len(read) > 0)
    return Answer(reason(Question.WEAR), tuple(said) or (reason(Wear.NO_PART),), frame)


def _when(lower: float, upper: float) -> Wear:
    """What the limits of a Weibull shape prove; NaN: no limit."""
    return Wear.LATE if lower > 1 else Wear.EARLY if upper < 1 else Wear.NOT_TOLD


def clocks(lifetimes: Lifetimes) -> Answer:
    """What each clock leaves out of ``lifetimes``."""
    rows = []
    for component, own in lifetimes.table.groupby("component", sort=True):
        for clock in ("days", "miles", "runs"):
            seen = observed(own, clock)
            if (
                clock != "runs"
                or seen.failures
                or not np.isnan(own["upper_runs"].where(own["ended"] == "failed")).all()
            ):
                rows.append(
                    {
                        "component": component,
                        "clock": clock,
                        "parts_counted": seen.units,
                        "failures_counted": seen.failures,
                        "parts_left_out": seen.left_out,
                        "failures_left_out": seen.left_out_failed,
                    }
                )
    columns = ["component", "clock", "parts_counted", "failures_counted", "parts_left_out", "failures_left_out"]
    frame = pd.DataFrame(rows, columns=columns)
    miles = frame[frame["clock"] == "miles"]
    counted, out = int(miles["parts_counted"].sum()), int(miles["parts_left_out"].sum())
    failed, failed_out = int(miles["failures_counted"].sum()), int(miles["failures_left_out"].sum())
    said = [reason(Clocks.DAYS)]
    if counted + out:
        values = {"known": counted, "parts": counted + out, "failures_known": failed, "failures": failed + failed_out}
        said.append(reason(Clocks.MILES, **values))
    return Answer(reason(Question.CLOCKS), tuple(said), frame)
