"""What is said, named and drawn in the owner's units, one by one; of a whole shop: test_own_units_whole.py."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import constants

import analytics
from analytics.__main__ import _ours
from analytics.advice.truck import in_ours
from analytics.errors import AnalyticsError, RecordsError
from analytics.records.shop import Units, shop_from
from analytics.report.figures import _figure
from analytics.report.figures import in_own_units as axis_in_own_units
from analytics.words import units
from analytics.words.columns import heading, in_own_units, own_name
from tests.small_door import two_parts

METRIC = Units(power="kW", weight="kg", distance="km", torque="N m")
#: NIST SP 811 (2008) B.8: what one of the owner's units is of ours
HP, LB, MILE, LBFT = 1000 / 745.69987158227022, 1 / 0.45359237, 1 / 1.609344, 1 / 1.3558179483314004


def test_a_power_that_is_no_limit_is_said_in_two_digits():
    assert [units.about_power(hp) for hp in (669, 973.4, 1318, 40)] == ["660 hp", "970 hp", "1,300 hp", "40 hp"]
    assert [units.near_power(hp) for hp in (1793.2, 557, 8)] == ["1,800 hp", "560 hp", "8 hp"]
    with units.speaking(METRIC):
        assert units.about_power(669) == "490 kW"  # 498.9
        assert units.near_power(669, unit=False) == "500"


def test_what_is_said_in_the_owners_units():
    said = [units.power(650), units.weight(7500), units.distance(40_000), units.torque(800), units.speed(55)]
    assert said == ["650 hp", "7,500 lb", "40,000 miles", "800 lb ft", "55 mph"]
    with units.speaking(METRIC):
        said = [units.power(650), units.weight(7500), units.distance(40_000), units.torque(800), units.speed(55)]
        assert said == ["484 kW", "3,402 kg", "64,374 km", "1,085 N m", "89 km/h"]
        assert units.power(float("nan")) == "nan kW"
        assert units.filled("{hp:power} of {n:,.0f}", hp=650, n=1234) == "484 kW of 1,234"
        assert units.in_units("power, hp; torque, lb ft; weight, lb") == "power, kW; torque, N m; weight, kg"
        assert units.prose("given miles, at any mileage; 80k miles, 40 miles") == (
            "given kilometres, at any distance; 80k miles, 40 miles"
        )
    with units.speaking(Units(power="PS", weight="t", distance="km", pressure="bar")):
        assert [units.power(650), units.weight(7500), units.pressure(185)] == ["659 PS", "3.40 t", "12.8 bar"]


def test_a_power_is_rounded_down_and_a_typed_one_comes_back():
    with units.speaking(METRIC):
        assert [units.power(kw * HP) for kw in (37, 484, 1111)] == ["37 kW", "484 kW", "1,111 kW"]
        assert units.bare_power(484.99 * HP) == "484"


def test_columns_are_named_and_converted():
    frame = pd.DataFrame(
        {
            "weight_up_to": [7500.0, np.inf],
            "bound_hp": [650.0, np.nan],
            "life_miles": [50_000.0, 1.0],
            "torque_capped_lbft_low": [800.0, 1.0],
            "guarantee_miles": [10_000, 20_000],
            "in_miles": [0.1, 0.2],
            "miles_days": [30.0, 60.0],
            "clock": ["miles", "days"],
            "time": [100.0, 100.0],
        }
    )
    assert in_own_units(frame) is frame
    assert [*map(own_name, frame)] == [*frame]
    with units.speaking(METRIC):
        own = in_own_units(frame, said=False)
        assert [*map(own_name, frame)] == (
            "weight_up_to_kg bound_kw life_km torque_capped_nm_low guarantee_km in_km km_days clock time".split()
        )
        assert heading("bound_hp") == "bound, kW"
        assert heading("in_miles") == "chance in 16,093 km"
        assert in_own_units(frame)["bound_hp"].iat[0] == 484
    first = own.iloc[0]
    assert first["bound_hp"] == pytest.approx(650 / HP)
    assert first["weight_up_to"] == pytest.approx(7500 / LB)
    assert first["life_miles"] == pytest.approx(50_000 / MILE)
    assert first["torque_capped_lbft_low"] == pytest.approx(800 / LBFT)
    assert first["guarantee_miles"] == pytest.approx(10_000 / MILE)
    assert (first["in_miles"], first["miles_days"]) == (0.1, 30)
    assert own["clock"].tolist() == ["km", "days"]
    assert own["time"].tolist() == pytest.approx([100 / MILE, 100])
    assert np.isinf(own["weight_up_to"].iat[1])


def test_ticks_are_written_as_the_tables_write_figures():
    ax = _figure(3, "band").subplots()
    ax.plot([400, 1600], [0, 1])
    axis_in_own_units(ax.xaxis, "power")
    ax.figure.canvas.draw()
    assert "1,000" in [t.get_text() for t in ax.get_xticklabels()]


def test_ticks_are_round_in_the_owners_unit():
    with units.speaking(METRIC):
        ax = _figure(3, "band").subplots()
        ax.plot([400 * HP, 700 * HP], [0, 1])
        axis_in_own_units(ax.xaxis, "power")
        ax.figure.canvas.draw()
        told = [t.get_text() for t in ax.get_xticklabels()]
        places = ax.get_xticks()
    assert {"400", "500", "600", "700"} <= set(told)
    assert [float(t) for t in told] == pytest.approx(places / HP)
    assert constants.hp == pytest.approx(1000 / HP)


def test_what_is_typed_without_a_unit_is_in_the_owners():
    shop = SimpleNamespace(units=METRIC)
    typed = {("484", "--power"): 484 * HP, ("650 hp", "--power"): 650, ("80,000", "--life"): 80_000 * MILE}
    typed |= {
        ("50,000 miles", "--life"): 50_000,
        ("3402", "--weight-up-to"): 3402 * LB,
        ("3.4 t", "--weight-up-to"): 3400 * LB,
    }
    for (text, option), ours in typed.items():
        assert _ours(text, option, shop) == pytest.approx(ours, rel=1e-9)
    assert _ours("650", "--power", SimpleNamespace(units=Units())) == 650
    with pytest.raises(AnalyticsError, match=r"--power 'a lot': cannot be read as a power"):
        _ours("a lot", "--power", shop)
    assert in_ours("trailer_weight", 1000, METRIC) == pytest.approx(1000 * LB)
    assert in_ours("torque", 1000, METRIC) == pytest.approx(1000 * LBFT)
    assert in_ours("stall_ratio", 1.9, METRIC) == 1.9


def test_who_measures_power_in_kilowatts_measures_torque_in_newton_metres(tmp_path):
    def torque(**told: str) -> str:
        return shop_from({"components": {"shaft": "shaft"}, "units": told}, tmp_path).units.torque

    assert [torque(), torque(power="kW"), torque(power="PS"), torque(power="kW", torque="lb ft")] == [
        "lb ft",
        "N m",
        "N m",
        "lb ft",
    ]


def test_bands_are_named_in_the_owners_unit(tmp_path):
    def labels(**told: str) -> list[str]:
        data = {"components": {"shaft": "shaft"}, "units": told, "power": {"bands": [400, 401, 600]}}
        shop = shop_from(data, tmp_path)
        return [*shop.band_labels(), *shop.class_labels()]

    assert labels() == [
        "under 400",
        "400 to 401",
        "401 to 600",
        "600 and over",
        "up to 7,500",
        "7,500 to 9,000",
        "over 9,000",
    ]
    assert labels(power="kW", weight="kg") == [
        "under 298", "298 to 299", "299 to 447", "447 and over", "up to 3,402", "3,402 to 4,082", "over 4,082"
    ]  # fmt: skip
    assert labels(weight="t")[-3:] == ["up to 3.40", "3.40 to 4.08", "over 4.08"]


def test_a_promise_in_kilometres_is_said_as_given(tmp_path):
    def targets(**told: float):
        return shop_from({"components": {"shaft": "shaft"}, "targets": told}, tmp_path).targets

    assert targets(km=80_000).miles == pytest.approx(80_000 * MILE)
    with units.speaking(METRIC):
        assert units.distance(targets(km=80_000).miles) == "80,000 km"
    with pytest.raises(RecordsError, match="both miles and km"):
        targets(km=80_000, miles=50_000)


def test_two_shops_in_one_session_each_speak_their_own(tmp_path):
    """Whichever was read last, and whatever is asked of which: results, their tables and forms."""
    plain, metric = (two_parts(tmp_path / name) for name in ("plain", "metric"))
    with (metric / "shop.toml").open("a") as toml:
        toml.write('[units]\npower = "kW"\nweight = "kg"\ndistance = "km"\n')
    told = {"plain": ("hp", "lb", "miles"), "metric": ("kW", "kg", "km")}
    shops = {"plain": analytics.read(plain), "metric": analytics.read(metric)}
    asked = {name: analytics.advise(shop, 600, 7000, "street") for name, shop in shops.items()}
    rated = {name: analytics.rate(shop, "input shaft", "A") for name, shop in shops.items()}
    for name, foreign in (("plain", told["metric"]), ("metric", told["plain"])):
        answer, rating = asked[name], rated[name]
        form = shops[name].advise_form()
        sliders = rating.explore()
        labels = " ".join(w.description for w in form.children + sliders.children if hasattr(w, "description"))
        # moved by hand, long after they were drawn
        form.children[0].value += 10
        sliders.children[3].value += 25
        said = [str(answer), answer._repr_html_(), answer.title, repr(rating), rating._repr_html_(), rating.title]
        said += [
            labels,
            form.children[5].value,
            str(rating.above_supported()),
            rating.plot().answer,
            *rating.table["reason"],
        ]
        for text in said:
            words = set(re.findall(r"[A-Za-z]+", re.sub(r"<[^>]+>", " ", text)))
            assert not words & set(foreign), text
        assert f"{form.children[0].value:.0f} {told[name][0]}" in re.sub(r"<[^>]+>", "", form.children[5].value)
        assert f"At {sliders.children[3].value:,} {told[name][0]}" in sliders.children[-1].value
        assert told[name][0] in str(answer)
        assert told[name][2] in rating.title
    assert units.spoken() == Units()
