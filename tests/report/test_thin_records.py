"""Records that cannot carry a rating, each typed as a small shop: what the page says in place of a number."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.curve import reliability_curve
from analytics.ratings.follow_up import FollowUp, proofs_of
from analytics.ratings.sheet import Ratings, make_ratings
from analytics.records.load import load_records
from analytics.words.ratings import page as words
from analytics.words.saying import say_all
from tests.small_shop import TOML, build, rateable_shop, returned, write_shop

QUICK = TOML + "[ratings]\nreplicates = 0\nreporting_share = 1.0\n"


def rated(
    folder: Path, builds: list[dict], back: list[dict] = (), readings: list[dict] | None = None, toml: str = ""
) -> Ratings:
    read = (
        [
            {"serial": b["serial"], "read_on": "2024-03-30", "odometer": 50_000 + 250 * (k * 7 % 80)}
            for k, b in enumerate(builds)
        ]
        if readings is None
        else readings
    )
    records = load_records(
        write_shop(folder, QUICK + toml, builds=builds, returns=list(back), **({"readings": read} if read else {}))
    )
    return make_ratings(records, make_lifetimes(records))


def said(ratings: Ratings) -> str:
    """All that the page says of shaft A, in one piece: verdicts, sentences, the table of checks, what was left out."""
    parts = [p for p in ratings.parts if p.part == "A"]
    lines = [*words.opening(ratings), *words.verdicts(ratings), *say_all(ratings.left_out)]
    for part in parts:
        lines += [*words.part_words(ratings, part), *words.part_checks(part)["in_words"]]
    return " | ".join(lines)


def row(ratings: Ratings):
    return ratings.table[(ratings.table["part"] == "A") & (ratings.table["use"] == "")].iloc[0]


def trucks(n: int = 60, low: float = 450.0, step: float = 10.0, weight=lambda k: 7600 + 15 * k, **more) -> list[dict]:
    return [build(f"T-{k:03d}XY", "2020-01-01", power=low + step * k, weight=weight(k), **more) for k in range(n)]


def fails(builds: list[dict], which, miles=lambda k: 30_000 + 1500 * k, **more) -> list[dict]:
    return [
        returned(builds[k]["serial"], f"2022-{1 + i % 12:02d}-15", miles_in_service=miles(i), **more)
        for i, k in enumerate(which)
    ]


def test_nothing_failed(tmp_path):
    ratings = rated(tmp_path, trucks())
    assert row(ratings)["estimate_hp"] != row(ratings)["estimate_hp"]
    assert row(ratings)["bound_hp"] == row(ratings)["demonstrated_hp"]
    assert "None of 60 came back" in said(ratings)
    assert "demonstrated, not modelled" in said(ratings)


def test_nothing_failed_and_hardly_a_mile(tmp_path):
    ratings = rated(tmp_path, trucks(6), readings=[])
    assert np.isnan(row(ratings)["bound_hp"])
    assert "too little to prove" in said(ratings)
    assert "no odometer is known: miles per day are an assumption" in said(ratings)
    assert "times in ten" not in said(ratings)


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_failures(tmp_path, n):
    builds = trucks()
    ratings = rated(tmp_path, builds, fails(builds, range(59, 59 - n, -1)))
    assert f"rests on assumptions: only {n} failure{'' if n == 1 else 's'}" in said(ratings)
    assert row(ratings)["bound_hp"] <= row(ratings)["second_opinion_hp"] + 1e-9


def test_the_weak_trucks_fail(tmp_path):
    """The slope has the wrong sign: kept by the prior, and said, with the slope the records show by themselves."""
    builds = trucks()
    ratings = rated(tmp_path, builds, fails(builds, range(8)))
    assert "the slope is held up by its prior" in said(ratings)


def test_proven_past_the_powers_on_record(tmp_path):
    builds = trucks(200, low=400, step=1)
    read = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 90_000 + 50 * k} for k, b in enumerate(builds)]
    back = fails(builds, (199, 150, 120), miles=lambda k: 85_000 + 500 * k)
    ratings = rated(tmp_path, builds, back, read)
    assert row(ratings)["bound_hp"] <= 599
    assert "at least" in said(ratings)


def test_not_even_the_weakest_is_proven(tmp_path):
    builds = trucks(40, low=900)
    ratings = rated(tmp_path, builds, fails(builds, range(0, 40, 2), miles=lambda k: 9_000 + 400 * k))
    assert np.isnan(row(ratings)["bound_hp"])
    assert "no rating demonstrable: the bound of" in said(ratings)
    assert "lies below the lowest power on record, 900 hp" in said(ratings)


def test_failures_in_one_weight_class_only(tmp_path):
    builds = trucks(weight=lambda k: 6000 if k % 2 else 8600)
    ratings = rated(tmp_path, builds, fails(builds, range(59, 43, -2)))
    part = ratings.part("input shaft", "A")
    heavy = [c for b in part.bounds[1:] for c in say_all(b.checks)]
    assert any("all failures are in one weight class, and it is not this one" in c for c in heavy)
    assert "By weight: 8 of 30 up to 7,500 lb, 0 of 30 heavier" in said(ratings)


def test_power_and_weight_move_together(tmp_path):
    builds = trucks(weight=lambda k: 5000 * ((450 + 10 * k) / 450) ** 0.9)
    ratings = rated(tmp_path, builds, fails(builds, range(59, 51, -1)))
    assert "power and the other columns move together (variance inflation" in said(ratings)


def test_no_truck_so_heavy(tmp_path):
    builds = trucks(weight=lambda k: 5000 + k)
    ratings = rated(tmp_path, builds, fails(builds, range(59, 51, -1)))
    assert np.isnan(ratings.table.loc[ratings.table["part"] == "A", "bound_hp"]).all()
    assert "fewer than 5 units at 6,450 lb or more: no rating at this weight" in said(ratings)


def test_failed_at_no_miles_and_fitted_wrong(tmp_path):
    builds = trucks()
    back = [*fails(builds, range(59, 53, -1)), *fails(builds, (3,), miles=lambda k: "0 mi")]
    back += [{**r, "cause": "install"} for r in fails(builds, (5, 6), miles=lambda k: 4_000)]
    ratings = rated(tmp_path, builds, back)
    assert "1 failure at 0 miles is taken as failed within the first 100 miles" in said(ratings)
    assert "2 failures of other causes end the life there without counting as a failure" in said(ratings)
    assert row(ratings)["failures"] == 7


def test_odometers_written_down_by_a_rule(tmp_path):
    """The same miles a day for all: the fit must settle, and the page asks whether they were read."""
    builds = trucks()
    read = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds]
    ratings = rated(tmp_path, builds, fails(builds, range(59, 51, -1)), read)
    assert "were they read, or written down by a rule?" in said(ratings)
    assert "did not converge" not in said(ratings)
    assert np.isfinite(row(ratings)["bound_hp"])


def test_a_crowd_of_early_failures(tmp_path):
    builds = trucks(120, step=5)
    early = [
        returned(builds[k]["serial"], "2020-01-20", miles_in_service=200 + 90 * i)
        for i, k in enumerate(range(0, 60, 10))
    ]
    ratings = rated(tmp_path, builds, [*fails(builds, range(119, 107, -1)), *early])
    assert "6 failures under 2,000 miles where wear explains" in said(ratings)
    assert "taken as early failures" in said(ratings)


def test_power_was_never_written_down(tmp_path):
    builds = [{**b, "power": ""} for b in trucks()]
    ratings = rated(tmp_path, builds, fails(builds, range(59, 51, -1)))
    assert "input shaft A: none of its 60 lives has power, weight and an age on record" in said(ratings)
    assert "No part could be rated" in said(ratings)


def test_the_cause_is_unclear(tmp_path):
    """Rated under both readings; the lower one is proposed, for one use as for all."""
    builds = trucks()
    back = fails(builds, range(59, 51, -1))
    back[0] = {**back[0], "cause": "unclear"}
    back[1] = {**back[1], "cause": "unclear"}
    ratings = rated(tmp_path, builds, back)
    part = ratings.part("input shaft", "A")
    assert part.unclear == 2
    both = (part.bounds[0].bound_hp, part.otherwise[(part.bounds[0].weight_lb, "")])
    assert row(ratings)["supported_hp"] == np.floor(min(both) / 25) * 25


def test_no_failure_was_hidden_or_some_were(tmp_path):
    builds = trucks()
    ratings = rated(tmp_path, builds, fails(builds, range(59, 51, -1)))
    told = " ".join(words.varied_words(FollowUp(ratings).varied))
    for share in ("100%", "85%", "70%", "50%"):
        assert f"With {share} of failures reported" in told
    assert "assumes every failure was reported" in said(ratings)


def test_few_failures_in_each_use_are_not_thrown_together(tmp_path):
    """The use with most failures is rated, and it says for the others nothing."""
    builds = [{**b, "use": "drag" if k % 3 == 0 else "street"} for k, b in enumerate(trucks())]
    ratings = rated(tmp_path, builds, fails(builds, (59, 58, 57)))  # two on the street, one at the strip
    assert ratings.part("input shaft", "A").bounds[0].rated_use == "street"
    assert "too few failures for a rating of their own: drag (20 lives, 1 failure)" in said(ratings)
    none = rated(tmp_path / "none", builds)
    assert "holds for the mix of uses those miles were run in" in said(none)


def test_damage_that_only_a_teardown_shows(tmp_path):
    builds = trucks()
    back = fails(builds, range(59, 51, -1))
    found = returned(builds[40]["serial"], "teardown", miles_in_service=45_000, order="unclear")
    opened = returned(builds[40]["serial"], "2022-06-15", component="converter", miles_in_service=45_000)
    ratings = rated(tmp_path, builds, [*back, opened, {**found, "returned_on": "2022-06-15"}])
    assert row(ratings)["failures"] == 9
    assert "1 of the failures was found at a teardown: the same damage in trucks never opened is not counted" in said(
        ratings
    )


@pytest.mark.parametrize(("clean", "apart"), [(10, True), (9, False)])
def test_openings_found_clean_count_where_the_shop_looks_and_there_are_enough(tmp_path, clean, apart):
    """One cracked and ten whole, looked at as the converter came back: the crack is rated by them, beside what stops a truck."""
    builds = trucks()
    looked = [
        returned(builds[k]["serial"], "2022-06-15", component="converter", miles_in_service=45_000)
        for k in range(40, 41 + clean)
    ]
    found = returned(builds[40]["serial"], "teardown", miles_in_service=45_000, order="unclear")
    back = [*fails(builds, range(59, 51, -1)), *looked, {**found, "returned_on": "2022-06-15"}]
    toml = '[findings.looked_at]\n"input shaft" = ["converter"]\n'
    ratings = rated(tmp_path, builds, back, toml=toml)
    assert row(ratings)["failures"] == (8 if apart else 9)
    assert ("of 11 looked at while their unit was apart 10 were clean and 1 had damage" in said(ratings)) == apart
    assert ("1 of the failures was found at a teardown" in said(ratings)) != apart
    part = ratings.part("input shaft", "A")
    assert part.unclear == (0 if apart else 1)
    # the picture is for the damage that the row is for
    curve = reliability_curve(part, part.bounds[0], ratings.options).set_index("reliability").loc[0.9]
    assert curve["estimate_hp"] == pytest.approx(part.bounds[0].estimate_hp, rel=1e-6)
    assert curve["bound_hp"] == pytest.approx(part.bounds[0].first_order_hp, rel=1e-6)


def test_trucks_that_were_sold_prove_nothing_more_by_time(tmp_path):
    """24 of 60 at or above the limit, read when sold: in the owner's sight the miles would go on, out of it they don't."""
    builds = trucks()
    for state, proven in (("yes", True), ("sold", False)):
        read = [
            {"serial": b["serial"], "read_on": "2024-03-31", "odometer": 47_000, "still_running": state} for b in builds
        ]
        if not proven:
            read = [{**r, "read_on": "2024-03-30"} for r in read]
        limits = [{"component": "converter", "part": "C", "power_limit": 800, "effective_on": "2020-01-01"}]
        folder = write_shop(tmp_path / state, QUICK, builds=builds, readings=read, limits=limits)
        records = load_records(folder)
        ratings = make_ratings(records, make_lifetimes(records))
        told = " ".join(words.proof_words(proofs_of(ratings)))
        assert "To prove converter C at its published 800 hp" in told
        assert ("will be proven within" in told) == proven
        assert ("time alone will prove nothing" in told) != proven


def test_a_shop_without_odometers_is_told_first_what_is_worth_most(tmp_path):
    folder = rateable_shop(tmp_path / "shop")
    (folder / "readings.csv").unlink()
    returns = pd.read_csv(folder / "returns.csv").drop(columns="miles_in_service")
    returns.to_csv(folder / "returns.csv", index=False)
    builds = pd.read_csv(folder / "builds.csv").drop(columns="odometer_at_install")
    builds.to_csv(folder / "builds.csv", index=False)
    records = load_records(folder)
    ratings = make_ratings(records, make_lifetimes(records))
    told = [line for line in words.opening(ratings) if "read the odometers of ten trucks" in line]
    assert len(told) == 1
    assert "[targets.street] months = 36" in told[0]
    (folder / "shop.toml").write_text((folder / "shop.toml").read_text() + "[targets.street]\nmonths = 36\n")
    records = load_records(folder)
    months = make_ratings(records, make_lifetimes(records))
    own = months.table[months.table["use"] == "street"]
    assert set(own["clock"]) == {"months"}
    assert own["estimate_hp"].notna().any()
    whole = load_records(rateable_shop(tmp_path / "with"))
    assert not any("read the odometers" in line for line in words.opening(make_ratings(whole, make_lifetimes(whole))))
