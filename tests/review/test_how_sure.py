"""The headline figures when what is taken for granted is taken otherwise; what flips is refused."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.promise import Promise
from analytics.ratings.sheet import make_ratings
from analytics.reasons import Figure, ReadAs, reason
from analytics.records.load import load_records
from analytics.review.how_sure import _verdicts_said, how_sure
from analytics.words.answers import worded
from analytics.words.saying import say_all
from tests.driveline.shops import SHAFT
from tests.small_shop import rateable_shop


def shop(folder, limit):
    folder = rateable_shop(folder)
    pd.DataFrame(
        [{"component": "input shaft", "part": "A", "power_limit": limit, "effective_on": "2019-01-01"}]
    ).to_csv(folder / "limits.csv", index=False)
    builds = pd.read_csv(folder / "builds.csv")
    builds["built_on"] = "2020-09-01"  # all eight failed within two years
    builds["power_measured_at"] = ["wheels" if k % 2 else "crank" for k in range(len(builds))]
    builds["power"] = [p * 0.82 if k % 2 else p for k, p in enumerate(builds["power"])]
    builds.to_csv(folder / "builds.csv", index=False)
    pd.read_csv(folder / "readings.csv").head(12).to_csv(folder / "readings.csv", index=False)
    returns = pd.read_csv(folder / "returns.csv")
    returns.loc[6:, "cause"] = "unclear"  # the weakest of those that failed
    returns.to_csv(folder / "returns.csv", index=False)
    records = load_records(folder)
    return records, make_lifetimes(records)


def test_every_reading_is_there_and_moves_the_way_it_must(tmp_path):
    records, lifetimes = shop(tmp_path, 300)
    told = how_sure(records, lifetimes)
    table = worded(told).table
    power = table[table["figure"] == "power it can take"].set_index("reading")["value"]
    shares = [power[f"{p}% of failures reported"] for p in (100, 85, 70, 50)]
    assert shares == sorted(shares, reverse=True)
    assert power["2 unclear failures not the part's own"] > power["as it stands"]
    low, high = (next(v for k, v in power.items() if k.startswith(f"wheel powers lose {p}%")) for p in (15, 20))
    assert low < high  # the more is lost, the stronger the engines were
    assert power.index.str.startswith("unknown miles").any()
    back = table[(table["figure"] == "share back within 2 years") & (table["what"] == "input shaft")].set_index(
        "reading"
    )["value"]
    assert back["50% of failures reported"] == pytest.approx(2 * back["as it stands"])
    assert back["2 unclear failures not the part's own"] < back["as it stands"]
    assert table["same_as_stands"].all()
    assert any(
        "The verdict is the same under every reading for input shaft A" in line for line in worded(told).sentences
    )


def as_it_stands(records, lifetimes):
    table = worded(how_sure(records, lifetimes)).table.query("figure == 'power it can take'").set_index("reading")
    return table.loc["as it stands", "verdict"]


def test_a_raise_that_the_sheet_of_ratings_holds_is_held(tmp_path):
    """By the geometry on file, and by damage that only a teardown shows."""
    assert as_it_stands(*shop(tmp_path / "plain", 300)) == "raise"
    records, _ = shop(tmp_path / "weak", 300)
    weak = SHAFT | {"outside_diameter": "0.9 in", "spline_root_diameter": "0.85 in"}
    pd.DataFrame([weak]).to_csv(records.shop.folder / "parts.csv", index=False)
    records = load_records(records.shop.folder)
    assert as_it_stands(records, make_lifetimes(records)) == "keep"
    assert make_ratings(records, make_lifetimes(records)).table["verdict"].iloc[0] == "keep"
    records, _ = shop(tmp_path / "hidden", 300)
    returns = pd.read_csv(records.shop.folder / "returns.csv")
    returns.loc[0, "returned_on"], returns.loc[0, "failed_on"] = returns.loc[0, "failed_on"], "teardown"
    returns.to_csv(records.shop.folder / "returns.csv", index=False)
    records = load_records(records.shop.folder)
    assert as_it_stands(records, make_lifetimes(records)) == "keep"
    assert make_ratings(records, make_lifetimes(records)).table["verdict"].iloc[0] == "keep"


def test_a_verdict_that_turns_round_is_refused(tmp_path):
    records, lifetimes = shop(tmp_path / "first", 300)
    power = worded(how_sure(records, lifetimes)).table.query("figure == 'power it can take'").set_index("reading")
    proven = power["proven_hp"]
    # a limit that is proven if all is reported, and is not if half is
    limit = (proven["100% of failures reported"] + proven["50% of failures reported"]) / 2 - 50
    assert proven["100% of failures reported"] - proven["50% of failures reported"] >= 50
    told = how_sure(*shop(tmp_path / "second", limit))
    own = worded(told).table.query("figure == 'power it can take'")
    assert own["verdict"].nunique() > 1
    assert not own["same_as_stands"].all()
    assert any("Not to be acted on until that is known." in line for line in worded(told).sentences)
    assert not any("same under every reading" in line for line in worded(told).sentences)


def test_the_words_name_what_the_verdict_hangs_on():
    frame = pd.DataFrame(
        [(Figure.POWER, "shaft A", reason(ReadAs.IT_STANDS), 700.0, 650.0, 600.0, "raise", True),
         (Figure.POWER, "shaft A", reason(ReadAs.REPORTED, share=0.5), 560.0, 500.0, 600.0, "lower", False),
         (Figure.POWER, "shaft B", reason(ReadAs.IT_STANDS), 900.0, 850.0, 900.0, "keep", True)],
        columns=["figure", "what", "reading", "value", "proven_hp", "published_hp", "verdict", "same_as_stands"],
    )  # fmt: skip
    from analytics.ratings.options import Options

    told = say_all(_verdicts_said(frame, Options(Promise(50_000))))
    assert "shaft B (keep; best estimate 900 to 900 hp)" in told[0]
    assert told[1] == (
        "Shaft A: “raise” as it stands, but “lower” if 50% of failures reported (best estimate 560 to 700 hp). "
        "Not to be acted on until that is known."
    )
