"""Columns that the owner adds: read with the care of the others, told in the checks, and in the rating where they matter."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.predict import lives_of
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from analytics.words.saying import say_all
from tests.small_shop import TOML, build, returned, write_shop

OWN = TOML + '[extra_columns]\ntyre_in = "Tyre height, in"\n[ratings]\nreplicates = 0\nreporting_share = 1.0\n'


def shop(folder, effect: float, toml: str = OWN, seed: int = 3):
    """300 trucks, all miles known; life falls as power^4 and by exp(effect) per standard deviation of tyre height (2 in)."""
    rng = np.random.default_rng(seed)
    builds, back, readings = [], [], []
    for k in range(300):
        tyre = 33 + 2 * rng.standard_normal()
        power = 500 * np.exp(0.25 * rng.standard_normal())
        life = 90_000 * (power / 500) ** -4 * np.exp(effect * (tyre - 33) / 2) * rng.weibull(2.0)
        serial = f"T-{k:03d}XY"
        text = "" if k % 10 == 0 else "tall" if k == 1 else f"{tyre:.1f}"
        builds.append(build(serial, "2020-01-01", power=round(power), weight=7000 + 2 * k, **{"Tyre height, in": text}))
        miles = 20_000 + 100 * k
        if life < miles:
            back.append(returned(serial, "2023-01-15", miles_in_service=round(life)))
        else:
            readings.append({"serial": serial, "read_on": "2024-03-30", "odometer": miles})
    return load_records(write_shop(folder, toml, builds=builds, returns=back, readings=readings))


def told(records):
    ratings = make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")])
    part = ratings.part("input shaft", "A")
    return part, next(c for c in say_all(part.bounds[0].checks) if c.startswith("tyre_in"))


def test_a_column_that_matters_is_found_and_told(tmp_path):
    part, check = told(shop(tmp_path, -0.5))
    ratio = float(check.split("with ")[1].split(" times")[0])
    assert ratio == pytest.approx(np.exp(-0.5), abs=0.12)
    assert check.endswith("p under 0.0001)")
    assert "for a truck with average tyre_in" in say_all(part.bounds[0].reasons)
    assert "tyre_in is not on record for 10% of the lives: taken at the average of the others" in say_all(part.notes)


def test_one_that_does_not_is_told_as_such(tmp_path):
    _, check = told(shop(tmp_path, 0.0))
    assert float(check.split("p = ")[1].rstrip(")")) > 0.05


def test_standardised_over_the_lives(tmp_path):
    records = shop(tmp_path, 0.0)
    lifetimes = make_lifetimes(records)
    data = lives_of(lifetimes.table, "input shaft", "A", lifetimes.as_of, extra=("tyre_in",)).data
    assert data.extra_names == ("tyre_in",)
    known = data.extra[:, 0] != 0
    assert data.extra[known, 0].mean() == pytest.approx(0, abs=1e-9)
    assert data.extra[known, 0].std() == pytest.approx(1)


def test_a_cell_that_is_no_number_is_listed(tmp_path):
    records = shop(tmp_path, 0.0)
    row = records.books.to_check[records.books.to_check["raw"] == "tall"].iloc[0]
    assert row["column"] == "Tyre height, in"
    assert "taken as unknown" in row["reason"]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            'tyre_in = "Tire hight"',
            r"(?s)lacks the heading 'Tire hight'.*\[extra_columns\]\ntyre_in = \"Tyre height, in\"",
        ),
        ('"Tyre in" = "Tyre height, in"', "use small letters"),
        ("tyre_in = 3", "give the heading in builds"),
        ('intercept = "Tyre height, in"', "already in use"),
    ],
)
def test_slips_in_the_settings(tmp_path, line, message):
    with pytest.raises(RecordsError, match=message):
        shop(tmp_path, 0.0, TOML + f"[extra_columns]\n{line}\n")
