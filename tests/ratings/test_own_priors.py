"""What is held of a component before its records: set, switched off, printed, and used by all that fits its lives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter

from analytics.advice.adviser import Adviser
from analytics.advice.truck import Wish
from analytics.errors import RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.models.joint import fit_joint
from analytics.models.priors import Priors
from analytics.ratings.at_once import AtOnce
from analytics.ratings.backtest import backtest
from analytics.ratings.basis import part_lives
from analytics.ratings.by_load import make_loads, rate_on
from analytics.ratings.follow_up import proofs_of
from analytics.ratings.model_checks import check_model
from analytics.ratings.options import for_component, options_for
from analytics.ratings.settings import RatingSettings
from analytics.ratings.sheet import make_ratings
from analytics.ratings.unknowns import ask_first
from analytics.ratings.whatif import Assumed, LimitSpan, change_promise, move_limit
from analytics.records.load import load_records
from analytics.records.shop import load_shop
from analytics.review.how_sure import how_sure
from analytics.review.snapshot import pool_of, snapshot_of
from analytics.words.ratings.basis import basis
from tests.small_shop import TOML, build, returned, write_shop

OFF = '[ratings.priors]\n"input shaft" = false\n'


LIMIT = {
    "component": "input shaft",
    "part": "A",
    "weight_up_to": 7500,
    "power_limit": "475 hp",
    "effective_on": "2021-01-01",
    "reason": "supplier",
}
QUICK = "[targets]\nmiles = 40000\n[ratings]\nreplicates = 0\nreporting_share = 1.0\nearly = false\nlately = false\n"


def _shop(folder, more):
    """90 trucks of 30 miles a day that fail by a power law; three odometers in four read."""
    rng = np.random.default_rng(8)
    builds, back, readings = [], [], []
    for k in range(90):
        power, weight = int(rng.uniform(400, 800)), int(rng.uniform(6000, 9000))
        life = int(45_000 * (power / 650) ** -3 * (weight / 7500) ** -1.5 * rng.weibull(1.8))
        builds.append(build(f"T-{k:03d}XY", "2021-01-01", power=power, weight=weight))
        if life < 30 * 1185:
            day = pd.Timestamp("2021-01-01") + pd.Timedelta(days=life // 30)
            back.append(returned(builds[k]["serial"], f"{day:%Y-%m-%d}", miles_in_service=life))
        elif k % 4:
            readings.append({"serial": builds[k]["serial"], "read_on": "2024-03-30", "odometer": 30 * 1184})
    return write_shop(folder, TOML + QUICK + more, builds=builds, returns=back, readings=readings, limits=[LIMIT])


def test_a_range_is_read_as_the_middle_nine_tenths(tmp_path):
    folder = _shop(tmp_path, '[ratings.priors]\n"Input Shaft" = {power = [2, 8], weight = [-1, 5]}\n')
    own = options_for(load_shop(folder)).settings.of("input shaft").priors
    assert np.exp(own.power[0] + 1.6448536 * own.power[1]) == pytest.approx(8)
    assert np.exp(own.power[0] - 1.6448536 * own.power[1]) == pytest.approx(2)
    assert own.weight == pytest.approx((-2.0, 3 / 1.6448536))  # of b, which is minus the power to which life falls
    assert own.shape == Priors().shape
    assert options_for(load_shop(folder)).settings.of("converter").priors.power == Priors().power


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('"shaft" = false', "give a table by component. .components. names input shaft, converter"),
        ('"input shaft" = true', "give false, or a table of shape, power, weight"),
        ('"input shaft" = {slope = [1, 2]}', "give false, or a table of shape, power, weight"),
        ('"input shaft" = {power = [8, 2]}', r"power = \[8, 2\]: give false, or the ends of the range"),
        ('"input shaft" = {power = [0, 2]}', "from 0.05 to 30"),
        ('"input shaft" = {power = 3}', "such as .2, 8."),
        ('"input shaft" = {power = [true, 2]}', "give false, or the ends"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, line, said):
    with pytest.raises(RecordsError, match=said):
        options_for(load_shop(_shop(tmp_path, f"[ratings.priors]\n{line}\n")))


def test_switched_off_the_fit_is_the_plain_likelihood(tmp_path):
    """lifelines 0.30, WeibullAFTFitter: the same estimates to 1e-4 where every life is known in miles."""
    shop = _shop(tmp_path, OFF)
    lifetimes = make_lifetimes(load_records(shop))
    options = for_component(options_for(lifetimes.shop, 40_000), "input shaft")
    table = lifetimes.table
    known = table[(table["component"] == "input shaft") & table["lower_miles"].gt(0)]
    data = part_lives(replace(lifetimes, table=known), "input shaft", "A").data
    settings = replace(options.settings, selection=False, decline=False)
    model, top = fit_joint(settings.model(data, 40_000, "weibull"))
    frame = known.assign(
        miles=known["lower_miles"] / 40_000,
        failed=known["ended"].eq("failed"),
        power=np.log(known["power_hp"]) - model.centre[0],
        weight=np.log(known["weight_lb"]) - model.centre[1],
    )[["miles", "failed", "power", "weight"]]
    theirs = WeibullAFTFitter().fit(frame, "miles", "failed").params_
    theta = top.theta[0]
    assert np.exp(theta[0]) == pytest.approx(np.exp(theirs["rho_"]["Intercept"]), rel=1e-4)
    ours = theta[model.layout.gamma] / np.exp(theta[0])
    assert ours[1:] == pytest.approx([theirs["lambda_"]["power"], theirs["lambda_"]["weight"]], rel=1e-4)


def test_everything_that_fits_a_part_goes_by_its_own_priors(tmp_path, monkeypatch):
    folder = _shop(tmp_path, OFF)
    records = load_records(folder)
    lifetimes = make_lifetimes(records)
    ratings = make_ratings(records, lifetimes, only=[("input shaft", "A")])
    rated, options = ratings.parts[0], ratings.options
    asked = []
    plain = RatingSettings.model
    monkeypatch.setattr(RatingSettings, "model", lambda s, *a: (asked.append(s.priors), plain(s, *a))[1])
    span = LimitSpan("input shaft", "A", 600, 700)
    loads = make_loads(records, lifetimes)
    snapshot = snapshot_of(records, lifetimes)
    for what, call in {
        "ratings": lambda: make_ratings(records, lifetimes, only=[("input shaft", "A")]),
        "checks": lambda: check_model(ratings, rated),
        "at once": lambda: AtOnce(ratings).fit(rated),
        "a limit moved": lambda: move_limit(lifetimes, span, options=options),
        "another promise": lambda: change_promise(records, "input shaft", "A", 7500.0, None, Assumed(life_miles=(30_000,)), options, lifetimes)(),
        "whom to ask": lambda: ask_first(lifetimes, options=options),
        "proofs": lambda: proofs_of(ratings),
        "on load": lambda: rate_on(loads, "input shaft", "A", "power", 7500.0, None, options),
        "back-test": lambda: backtest(folder, 1),
        "readings": lambda: how_sure(records, lifetimes),
        "quarter": lambda: snapshot_of(records, lifetimes),
        "pooled": lambda: (snapshot.pools.clear(), pool_of(snapshot, "input shaft")),
        "advice": lambda: Adviser(records, lifetimes).ask(Wish(power=600, weight=7000, use="street")),
    }.items():  # fmt: skip
        asked.clear()
        call()
        assert asked, what
        assert all(p.shape is None and p.power is None and p.weight is None for p in asked), what


def test_the_page_prints_what_is_held(tmp_path):
    folder = _shop(tmp_path, '[ratings.priors]\n"input shaft" = {shape = [1, 4], power = false}\n')
    records = load_records(folder)
    table = basis(make_ratings(records, make_lifetimes(records))).set_index("setting")["value"]
    assert (
        table["held before the records, nine in ten between"]
        == "shape 0.88 to 4.6, power 0.57 to 11, weight -2.1 to 6.1"
    )
    assert table["the same, input shaft"] == "shape 1 to 4, power switched off, weight -2.1 to 6.1"
