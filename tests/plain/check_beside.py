"""The remaining files against the plain reckoning, with whatever is fitted put out of the way."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import pandas as pd

from analytics.cutoffs.comparable import compare_lives
from analytics.cutoffs.fits import parts_data
from analytics.driveline.load import make_loads
from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import failing_steps
from analytics.ratings.published import published_hp
from analytics.ratings.unknowns import ask_first
from analytics.reasons import Above
from analytics.records.load import Records
from analytics.review.call_list import call_list
from analytics.review.calls import above_limit
from analytics.review.renew import MILES, renew_at_rebuild
from analytics.words.cutoffs.parts import spread_frame
from tests.plain import beside, figures, reckoning

#: what tells two lives apart
LIVES = (
    "serial component spell segment part ended_on ended cause finding unit_days power_hp weight_lb use started_on lower_miles lower_runs entry_miles "
    "entry_runs followed"
)
#: (name, what came, what should, keys, columns left out, columns compared)
Compare = Callable[..., None]


@contextlib.contextmanager
def without_models() -> Iterator[None]:
    """Every part renewed and asked for as if it had a fit, of which nothing is told."""
    fit = SimpleNamespace(model=SimpleNamespace(centre=np.zeros(2)), fitted=lambda: (fit.model, None))

    def none(size: int) -> np.ndarray:
        return np.zeros(size)

    here = "analytics.ratings.unknowns."
    with (
        patch(here + "fit_lives", lambda *_: fit),
        patch(here + "_rating_direction", lambda *_: (None, 1.0)),
        patch(here + "_odometer_gains", lambda _model, _top, which, _v: none(len(which))),
        patch(here + "_column_gains", lambda _model, _top, missing, *_: none(len(missing.lower))),
        patch("analytics.review.renew._failing_ahead", lambda *_: (np.zeros((1, len(MILES))),) * 2),
        patch("analytics.review.renew._FEWEST_SEEN", beside.SEEN),
        patch("analytics.review.renew._FEWEST_FAILURES", beside.FEWEST),
    ):
        yield


def sheet_for(records: Records, table: list[dict], edges: list[float]) -> list[dict]:
    """A made-up sheet of ratings: each part at every weight, some of them for a use of its own, some supporting nothing."""
    powers = (450.0, 550.0, math.nan, 650.0, 399.0)
    rows = []
    for n, (component, part) in enumerate(beside.named(table)):
        for k, weight in enumerate([*edges, edges[-1] * 1.1]):
            for m, use in enumerate(("", "towing") if n % 2 else ("",)):
                rows.append(
                    {"component": component, "part": part, "weight_up_to": weight, "use": use, "verdict": "keep",
                     "supported_hp": powers[(n + k + 2 * m) % len(powers)], "proposed_hp": math.nan}
                )  # fmt: skip
    return [row | {"published_hp": row["supported_hp"]} for row in rows]


def compare_beside(
    compare: Compare,
    shop: reckoning.Shop,
    table: list[dict],
    units: list[figures.Watched],
    survived: pd.DataFrame,
    records: Records,
    lifetimes: Lifetimes,
    stand: SimpleNamespace,
) -> None:
    """Hold each of the remaining files against ``compare``. survived: every point of survival.csv; stand: the shop as the review asks for it."""
    keys = "clock component part power_band weight_class finding time"
    compare("survival.csv", failing_steps(survived), beside.steps(_in_order(figures.survival(shop, table), keys)), keys,
            but="lower upper")  # fmt: skip
    compare("loads.csv", make_loads(records, lifetimes).table, table, LIVES, only=f"{LIVES} torque_lbft")
    edges = list(records.shop.weight.classes)
    own = sheet_for(records, table, edges)
    if own:
        sheet = pd.DataFrame(own)
        proven = beside.above(shop, units, table, own, proven=True)
        told = above_limit(records, stand, sheet)
        shown = [row | {"use": row["use"] or "not recorded"} for row in proven]
        compare(
            "above_supported",
            told.table,
            shown,
            "serial over_by years_out",
            only="serial over_by power_hp weight_lb use years_out",
        )
        count = [said.values for said in told.said if said.code is Above.COUNT]
        compare(
            "above_supported by part",
            _by_part(count),
            beside.by_part(proven),
            "component part",
            only="component part trucks",
        )
        should = beside.above(shop, units, table, own, proven=False)
        calls = call_list(stand, sheet, (), (), math.nan)
        compare(
            "calls", calls.table, should, "serial power_hp years_out", only="serial power_hp weight_lb use years_out"
        )
        compare("calls by part", calls.by_part, beside.by_part(should), "component part", only="component part trucks")
    weights, uses = [*edges, edges[-1] * 1.2], ["", "street", "towing", "drag"]
    asked = beside.published(shop, table, weights, uses)
    if asked:
        frame = pd.DataFrame(asked)
        frame["published_hp"] = published_hp(records.limits, frame.assign(day=records.as_of))
        compare("ratings.csv", frame, asked, "component part weight_lb use")
    for component, parts in beside.rateable(table).items():
        for one, two in [(a, b) for a in parts for b in parts if a < b]:
            found = compare_lives(parts_data(lifetimes, component, (one, two)))
            compare("overlap", spread_frame(found), beside.overlap(table, component, (one, two)), "quantity part")
    parts = {
        of: SimpleNamespace(lives=own.lives, fit=SimpleNamespace(model=True), pooled=False)
        for of, own in stand.parts.items()
    }
    stand = SimpleNamespace(**vars(stand) | {"parts": parts})
    with without_models():
        compare("renew_at_rebuild", renew_at_rebuild(stand).table, beside.renew(shop, table), "component part use power_band",
                only="component part use power_band price failures seen_miles")  # fmt: skip
        try:
            asked_for = ask_first(lifetimes, min_failures=1, sample=0).table
        except NotEnoughData:
            asked_for = pd.DataFrame(columns=["serial", "ask", "parts"])
        compare("ask_for", asked_for, beside.ask_for(shop, units, table), "serial ask parts", only="serial ask parts")


def _in_order(rows: list[dict], keys: str) -> list[dict]:
    return sorted(rows, key=lambda row: tuple(row[key] for key in keys.split()))


def _by_part(count: list[dict]) -> pd.DataFrame:
    parts = count[0]["parts"] if count else {}
    rows = [{"component": component, "part": part, "trucks": n} for (component, part), n in parts.items()]
    return pd.DataFrame(rows, columns=["component", "part", "trucks"])
