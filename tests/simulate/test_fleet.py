"""The draw against its own closed forms, and those against SciPy's distributions."""

import math
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analytics.errors import AnalyticsError
from studies.scaled import scaled_to_failures
from studies.simulate import (
    ChangesTruth,
    ComebacksTruth,
    ComponentTruth,
    FindingTruth,
    FleetTruth,
    HiddenTruth,
    LimitTruth,
    PartTruth,
    ReadingsTruth,
    UseTruth,
    demo_truth,
    draw_fleet,
    serial_numbers,
)
from studies.simulate.fleet import REFERENCE_HP, day_number

WEAR = FindingTruth("worn", 90_000, 2.5, -2.0, -1.0)
SNAP = FindingTruth("snapped", 120_000, 1.1, -5.0, -0.5)
SHAFT = ComponentTruth("shaft", (PartTruth("S", (WEAR, SNAP)),))


def still_world(*components: ComponentTruth, power: float = 700, weight: float = 8000, **fleet) -> FleetTruth:
    """Every unit alike, built on one day and watched for ninety years."""
    use = UseTruth("road", 1.0, 30, 0.0, power, 0.0, weight, 0.0, log_life=-0.1)
    days = {"first_built": "2000-01-01", "last_built": "2000-01-01", "as_of": "2090-01-01"}
    return FleetTruth(components=components, uses=(use,), **(days | fleet))


def one_part_truth(life_miles: float = 150_000.0) -> FleetTruth:
    """One component, one part, one finding, one use, six years of builds."""
    component = ComponentTruth(
        "input shaft", (PartTruth("S-1", (FindingTruth("broken", life_miles, 2.0, -4.0, -1.5),)),)
    )
    use = UseTruth("street", 1.0, 27.0, 0.5, 620.0, 0.25, 7000.0, 0.15)
    return FleetTruth(components=(component,), uses=(use,), first_built="2019-01-01")


def first_lives(fleet, component="shaft") -> pd.DataFrame:
    lives = fleet.lives[(fleet.lives["component"] == component) & (fleet.lives["spell"] == 1)]
    return lives.set_index("unit").sort_index()


def near_share(count: int, n: int, p: float, sd: float = 4.0) -> bool:
    return abs(count / n - p) < sd * math.sqrt(p * (1 - p) / n) + 1e-9


def test_a_seed_gives_one_fleet_and_another_seed_another():
    truth = demo_truth()
    a, b, c = draw_fleet(truth, 500, 3), draw_fleet(truth, 500, 3), draw_fleet(truth, 500, 4)
    for name in ("units", "lives", "events", "readings", "changes"):
        pd.testing.assert_frame_equal(getattr(a, name), getattr(b, name))
    for name, sheet in a.sheets().items():
        pd.testing.assert_frame_equal(sheet, b.sheets()[name])
    assert not a.units.equals(c.units)
    assert repr(a) == f"Fleet(500 units, {len(a.events)} damaged parts, seed 3)"


@pytest.mark.parametrize("law", ["weibull", "log-normal"])
def test_life_follows_scipys_distributions(law):
    f = replace(WEAR, law=law)
    at = float(f.log_life(700, 8000))
    assert at == pytest.approx(math.log(90_000) - 2 * math.log(700 / 600) - math.log(8000 / 7000), abs=1e-12)
    miles = np.array([1e3, 3e4, 1e5, 2e5])
    if law == "weibull":
        other = stats.weibull_min(2.5, scale=math.exp(at))
    else:
        other = stats.lognorm(1 / 2.5, scale=math.exp(at))
    hazard = f.hazard_to(miles, at)
    np.testing.assert_allclose(np.exp(-hazard), other.sf(miles), rtol=1e-10)
    np.testing.assert_allclose(f.miles_at(hazard, at), miles, rtol=1e-8)


def test_reference_life_is_the_632_per_cent_life():
    # 1 - 1/e fail by the characteristic life (any text on the Weibull distribution).
    assert 1 - math.exp(-float(WEAR.hazard_to(90_000, WEAR.log_life(600, 7000)))) == pytest.approx(1 - 1 / math.e)


def test_true_survival_is_what_is_drawn():
    n = 20_000
    truth = still_world(SHAFT, as_of="2030-01-01")  # 329,000 miles: all but a few first lives are over
    end = first_lives(draw_fleet(truth, n, 11))["end_miles"].to_numpy()
    for miles in (5_000, 20_000, 50_000, 90_000):
        s = float(truth.survival("shaft", "S", miles, 700, 8000, "road"))
        assert near_share(int((end > miles).sum()), n, s), miles


def test_findings_compete_as_their_hazards_say():
    """Share that snaps: the integral of its hazard times the survival of both."""
    n = 20_000
    truth = still_world(SHAFT, as_of="2030-01-01")  # 329,000 miles: all but a few first lives are over
    events = draw_fleet(truth, n, 12).events
    snapped = int(((events["finding"] == "snapped") & (events["spell"] == 1)).sum())
    grid = np.geomspace(1, 2e6, 200_001)
    both = truth.survival("shaft", "S", grid, 700, 8000, "road")
    snap = -np.log(truth.survival("shaft", "S", grid, 700, 8000, "road", findings=["snapped"]))
    share = float((np.diff(snap) * (both[1:] + both[:-1]) / 2).sum())
    assert near_share(snapped, n, share)


def test_a_changed_load_changes_the_hazard_from_that_mile_on():
    n = 20_000
    truth = still_world(SHAFT, changes=ChangesTruth(share=1.0, log_power=(0.3, 0.0)), as_of="2010-01-01")
    fleet = draw_fleet(truth, n, 13)
    lives, units = first_lives(fleet), fleet.units
    at, after = units["change_miles"].to_numpy(), units["power_after_hp"].to_numpy()
    assert np.all(after == 945)

    def hazard(miles, power):
        return -np.log(truth.survival("shaft", "S", miles, power, 8000, "road"))

    for miles in (40_000.0, 80_000.0):
        x = at
        total = np.where(
            x < miles,
            hazard(x, 700) + hazard(miles, 945) - hazard(np.minimum(x, miles), 945),
            hazard(miles, 700),
        )
        alive = int((lives["end_miles"].to_numpy() > miles).sum())
        assert near_share(alive, n, float(np.exp(-total).mean())), miles


def test_true_rating_inverts_the_true_survival():
    one = one_part_truth()
    p = one.rating("input shaft", "S-1", 50_000, 0.9, 8000, "street")
    assert float(one.survival("input shaft", "S-1", 50_000, p, 8000, "street")) == pytest.approx(0.9, abs=1e-12)
    # By hand: 600 (150000 (7000/8000)^1.5 (-log 0.9)^(1/2) / 50000)^(1/4)
    by_hand = 600 * (150_000 * (7000 / 8000) ** 1.5 * math.sqrt(-math.log(0.9)) / 50_000) ** 0.25
    assert p == pytest.approx(by_hand, rel=1e-12)
    two = still_world(SHAFT)
    p = two.rating("shaft", "S", 20_000, 0.9, 8000, "road")
    assert float(two.survival("shaft", "S", 20_000, p, 8000, "road")) == pytest.approx(0.9, abs=1e-9)
    alone = two.rating("shaft", "S", 20_000, 0.9, 8000, "road", findings=["worn"])
    assert alone > p
    bent = still_world(replace(SHAFT, parts=(PartTruth("S", (replace(WEAR, knee_hp=1e9, slope_beyond_knee=-1.0),)),)))
    assert bent.rating("shaft", "S", 20_000, 0.9, 8000, "road") == pytest.approx(alone, rel=1e-9)


def test_rating_at_a_step_is_the_step():
    stepped = replace(WEAR, power_slope=-0.5, step_above_hp=650, step_log_life=-2.0)
    truth = still_world(replace(SHAFT, parts=(PartTruth("S", (stepped,)),)))
    assert truth.rating("shaft", "S", 30_000, 0.9, 7000, "road") == pytest.approx(650, rel=1e-9)
    below, above = truth.survival("shaft", "S", 30_000, np.array([650.0, 650.1]), 7000, "road")
    assert below > 0.9 > above
    flat = still_world(replace(SHAFT, parts=(PartTruth("S", (replace(WEAR, power_slope=0.0),)),)))
    assert flat.rating("shaft", "S", 1_000, 0.9, 7000, "road") == math.inf
    assert flat.rating("shaft", "S", 200_000, 0.9, 7000, "road") == 0.0


def test_shares_and_medians_are_as_ordered():
    n = 50_000
    truth = replace(demo_truth(), changes=ChangesTruth())
    u = draw_fleet(truth, n, 21).units
    for use in truth.uses:
        own = u[u["use"] == use.use]
        assert near_share(len(own), n, use.share)
        rate = np.log(own["miles_per_day"])
        assert rate.mean() == pytest.approx(math.log(use.miles_per_day), abs=5 * use.miles_log_sd / math.sqrt(len(own)))
        assert rate.std() == pytest.approx(use.miles_log_sd, rel=0.05)
        assert np.log(own["power_hp"]).median() == pytest.approx(math.log(use.power_hp), abs=0.03)
    built = u["built_day"]
    assert built.min() >= day_number(truth.first_built)
    assert built.max() <= day_number(truth.last_built)
    quarter = pd.cut(built, 24).value_counts()
    assert quarter.min() > 0.85 * n / 24
    assert (u["service_day"] >= u["built_day"]).all()


def test_departures_do_what_they_say():
    n = 30_000
    base = one_part_truth(life_miles=60_000)
    plain = draw_fleet(base, n, 5)
    z = (np.log(plain.units["miles_per_day"]) - math.log(27.0)) / 0.5

    def read(fleet):
        known = np.zeros(n, bool)
        known[fleet.readings["unit"].unique().astype(int)] = True
        return known

    assert read(plain).mean() == pytest.approx(0.2, abs=0.02)
    chosen = draw_fleet(replace(base, readings=ReadingsTruth(selection=1.0)), n, 5)
    assert read(chosen).mean() == pytest.approx(0.2, abs=0.02)
    assert z[read(chosen)].mean() > 0.6 > 0.1 > abs(z[read(plain)].mean())

    quiet = draw_fleet(replace(base, comebacks=ComebacksTruth(reporting_share=0.7)), n, 5)
    assert quiet.events["reported"].mean() == pytest.approx(0.7, abs=0.02)
    silent = quiet.events[~quiet.events["reported"]]
    assert silent["unit"].is_unique
    assert silent.groupby("unit")["failed_day"].max().index.isin(quiet.events["unit"]).all()
    last = quiet.events.groupby("unit")["failed_day"].max()
    assert (last[silent["unit"]].to_numpy() == silent["failed_day"].to_numpy()).all()

    slow = draw_fleet(replace(base, hidden=HiddenTruth(slow_after_days=365.25 * 3, slow_factor=0.5)), n, 5)
    old = plain.units["end_miles"] > 0
    days = plain.units["seen_to_day"] - plain.units["service_day"]
    expected = plain.units["miles_per_day"] * (np.minimum(days, 1095.75) + 0.5 * np.maximum(days - 1095.75, 0))
    np.testing.assert_allclose(slow.units["end_miles"][old], expected[old], rtol=1e-9)

    wrong = draw_fleet(replace(base, hidden=HiddenTruth(power_error_log_sd=0.1)), n, 5).units
    assert np.log(wrong["recorded_power_hp"] / wrong["power_hp"]).std() == pytest.approx(0.1, rel=0.03)

    hidden = draw_fleet(replace(base, hidden=HiddenTruth(use_share=0.3, use_log_life=math.log(0.6))), n, 5)
    assert hidden.units["hidden_use"].mean() == pytest.approx(0.3, abs=0.02)
    assert len(hidden.events) > 1.1 * len(plain.events)
    assert len(draw_fleet(replace(base, hidden=HiddenTruth(frailty_log_sd=0.4)), n, 5).events) != len(plain.events)


def test_installation_fails_early_and_in_its_month():
    bad = replace(SHAFT, install_share=0.02, install_months={"2021-06": 0.5}, install_days=20.0)
    truth = still_world(bad, first_built="2021-01-01", last_built="2021-12-31", as_of="2090-01-01")
    fleet = draw_fleet(truth, 20_000, 6)
    first = fleet.events[(fleet.events["spell"] == 1)]
    wrong = first[first["cause"] == "install"]
    month = np.datetime_as_string(fleet.units["built_day"].to_numpy().astype("datetime64[D]"), unit="M")
    june = month == "2021-06"
    caught = np.isin(np.arange(20_000), wrong["unit"])
    # A few of those fitted wrong break for another reason first: below the share, by less than a tenth of it.
    assert 0.45 < caught[june].mean() <= 0.52
    assert 0.017 < caught[~june].mean() < 0.0225
    assert wrong["end_miles"].mean() == pytest.approx(20 * 30, rel=0.1)


def test_a_replaced_part_starts_anew_and_the_others_go_on():
    other = ComponentTruth("gear", (PartTruth("G", (FindingTruth("worn", 60_000, 2.0, 0.0),)),))
    truth = still_world(SHAFT, other, comebacks=ComebacksTruth(lag_days=10), as_of="2020-01-01")
    fleet = draw_fleet(truth, 300, 7)
    for (unit, component), lives in fleet.lives.groupby(["unit", "component"]):
        lives = lives.sort_values("spell")
        assert (lives["spell"].to_numpy() == np.arange(1, len(lives) + 1)).all()
        np.testing.assert_allclose(lives["start_miles"].to_numpy()[1:], lives["end_miles"].to_numpy()[:-1])
        assert (lives["ended"].iloc[:-1] == "failed").all()
        assert lives["start_miles"].iloc[0] == 0
        own = fleet.events[(fleet.events["unit"] == unit) & (fleet.events["component"] == component)]
        assert len(own) == (lives["ended"] == "failed").sum()
    events = fleet.events.sort_values(["unit", "failed_day"])
    after = events.groupby("unit")["failed_day"].shift(-1)
    assert (after.isna() | (after >= events["returned_day"])).all()
    # Second lives have the law of first ones: same survival to 30,000 miles where watched so long.
    lives = fleet.lives[fleet.lives["component"] == "gear"]
    second = lives[(lives["spell"] == 2) & (lives["start_miles"] < 120_000)]
    lasted = (second["end_miles"] - second["start_miles"] > 30_000).sum()
    assert near_share(int(lasted), len(second), float(truth.survival("gear", "G", 30_000, 700, 8000, "road")))


def test_damage_follows_hides_and_is_named():
    lead = ComponentTruth(
        "drum",
        (PartTruth("D", (replace(WEAR, drags={"valve": 0.5}),), (LimitTruth(650, "2000-01-01", "x"),)),),
    )
    valve = ComponentTruth("valve", (PartTruth("V", (FindingTruth("worn", 1e7, 2.0, 0.0),)),))
    crack = ComponentTruth("out", (PartTruth("O", (FindingTruth("crack", 60_000, 2.0, 0.0, at_teardown=True),)),))
    fleet = draw_fleet(still_world(lead, valve, crack, comebacks=ComebacksTruth(unclear_order_share=0.25)), 4_000, 8)
    e = fleet.events
    first = e[e["event"].isin(e.loc[(e["component"] == "drum") & (e["spell"] == 1), "event"])]
    followed = first[first["component"] == "valve"]
    assert near_share(len(followed), first["event"].nunique(), 0.5)
    assert set(followed["kind"]) == {"followed"}
    assert near_share(int((followed["order"] == "unclear").sum()), len(followed), 0.25)
    found = first[first["component"] == "out"]
    assert (found["kind"] == "teardown").all()
    assert (found["arose_miles"] < found["end_miles"]).all()
    assert len(found) > 100
    assert (e.loc[e["component"] == "drum", "cause"] == "over limit").all()  # 700 hp against a limit of 650
    assert not (e["component"] == "out").any() or set(e.loc[e["component"] == "out", "kind"]) == {"teardown"}


def test_units_that_failed_before_the_records_are_not_in_the_sheets():
    truth = replace(one_part_truth(life_miles=30_000), records_start="2021-01-01")
    fleet = draw_fleet(truth, 3_000, 9)
    sheets = fleet.sheets()
    early = fleet.units[fleet.units["before_records"]]
    assert len(early) > 20
    assert len(sheets["builds"]) == 3_000 - len(early)
    assert not sheets["builds"]["serial"].isin(early["serial"]).any()
    assert sheets["returns"]["failed_on"].min() >= pd.Timestamp("2021-01-01")
    assert sheets["returns"]["serial"].isin(sheets["builds"]["serial"]).all()


def test_nothing_happens_after_a_unit_is_gone_or_after_the_cut_off():
    truth = demo_truth()
    back = replace(truth.comebacks, scrap_share=0.2, reporting_share=0.7)
    truth = replace(truth, leave_per_year=0.3, comebacks=back)
    fleet = draw_fleet(truth, 5_000, 10)
    u, e, r = fleet.units, fleet.events, fleet.readings
    unit = e["unit"].to_numpy(int)
    assert (e["failed_day"].to_numpy() >= u["service_day"].to_numpy()[unit]).all()
    assert (e["failed_day"].to_numpy() <= u["seen_to_day"].to_numpy()[unit]).all()
    assert (r["read_day"].to_numpy() <= u["seen_to_day"].to_numpy()[r["unit"].to_numpy(int)]).all()
    assert (u["seen_to_day"] <= day_number("2024-12-31")).all()
    scrapped = e[e["replaced_with"] == "scrapped"].groupby("unit")["failed_day"].max()
    assert (e.groupby("unit")["failed_day"].max()[scrapped.index] == scrapped).all()
    assert set(r["still_running"]) == {"yes", "sold", "lost", "scrapped"}


def test_odometers_of_one_unit_never_run_backwards():
    sheets = draw_fleet(demo_truth(), 4_000, 14).sheets()
    e, r, c = sheets["returns"], sheets["readings"], sheets["changes"]
    seen = (
        pd.concat(
            [
                e[["serial", "returned_on", "odometer"]].set_axis(["serial", "day", "odometer"], axis=1),
                r[["serial", "read_on", "odometer"]].set_axis(["serial", "day", "odometer"], axis=1),
                c[["serial", "changed_on", "odometer"]].set_axis(["serial", "day", "odometer"], axis=1),
            ]
        )
        .dropna()
        .sort_values(["serial", "day", "odometer"])
    )
    assert len(seen) > 1_000
    step = seen.groupby("serial")["odometer"].diff().dropna()
    assert (step >= -1).all()


@pytest.mark.parametrize("failures", [8, 50])
def test_scaled_to_failures(failures):
    truth = scaled_to_failures(one_part_truth(), "input shaft", "S-1", 500, failures)
    events = draw_fleet(truth, 60_000, 15).events
    got = (events["spell"] == 1).sum() / 120
    assert got == pytest.approx(failures, rel=0.08)


def test_serials_differ_in_three_places():
    s = [x.replace("-", "") for x in serial_numbers(700)]
    a = np.array([list(x) for x in s])
    apart = (a[:, None, :] != a[None, :, :]).sum(2)
    np.fill_diagonal(apart, 99)
    assert apart.min() == 3
    assert serial_numbers(1)[0] == "T-0101-CG"
    assert len(set(serial_numbers(30_000))) == 30_000


def test_a_hundred_thousand_units_take_seconds():
    started = time.process_time()
    fleet = draw_fleet(demo_truth(), 100_000, 1)
    fleet.sheets()
    assert len(fleet.events) > 5_000
    assert time.process_time() - started < 60  # about 5 s where it was written; a slow machine has room


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: FindingTruth("x", 1e5, 2.0, -1.0, law="gamma"), "law is 'gamma'"),
        (lambda: FindingTruth("x", 0.0, 2.0, -1.0), "above 0"),
        (
            lambda: replace(one_part_truth(), uses=(replace(one_part_truth().uses[0], share=0.5),)),
            "add up to 0.5",
        ),
        (lambda: still_world(replace(SHAFT, cuts_hp=(500.0,))), "need 0 cuts_hp, not 1"),
        (lambda: draw_fleet(one_part_truth(), 0, 1), "units is 0"),
        (lambda: still_world(SHAFT).rating("shaft", "S", 1e4, 1.0, 7000, "road"), "reliability is 1.0"),
        (lambda: still_world(SHAFT).survival("shaft", "T", 1e4, 600, 7000, "road"), "no part 'T'"),
        (lambda: still_world(SHAFT).survival("axle", "T", 1e4, 600, 7000, "road"), "no component 'axle'"),
        (lambda: still_world(SHAFT).survival("shaft", "S", 1e4, 600, 7000, "sea"), "no use 'sea'"),
        (
            lambda: still_world(SHAFT).survival("shaft", "S", 1e4, 600, 7000, "road", findings=["bent"]),
            "no finding bent",
        ),
        (
            lambda: scaled_to_failures(one_part_truth(), "input shaft", "S-1", 10, 20),
            "only 100% of the units",
        ),
    ],
)
def test_errors_say_what_is_wrong(make, says):
    with pytest.raises(AnalyticsError, match=says):
        make()


def test_reference_power_is_stated_once():
    assert REFERENCE_HP == 600.0
