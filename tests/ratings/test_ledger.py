"""The ledger: only a person writes it, only what is proven, and never half a file."""

from __future__ import annotations

import datetime as dt
import threading

import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.ledger import Entry, accept, append, fingerprint, history
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from analytics.records.shop import load_shop
from tests.small_shop import rateable_shop

DAY = dt.date(2024, 4, 1)
ENTRY = Entry("input shaft", "A", "7500 lb", "", "600 hp", "2024-04-01", "because, “quoted”")


@pytest.fixture
def folder(tmp_path):
    return rateable_shop(tmp_path / "shop")


def rated(folder):
    records = load_records(folder)
    return make_ratings(records, make_lifetimes(records), only=("input shaft", "A"))


def test_accepting_adds_one_line_with_its_evidence(folder):
    ratings = rated(folder)
    row = ratings.table.iloc[0]
    entry = accept(
        ratings, "input shaft", "A", row["weight_up_to"], "", row["proposed_hp"], "the owner", DAY, "first limit"
    )
    for told in (
        "first limit",
        "accepted by the owner",
        "8 of 60 failed",
        "R 0.9 C 0.9 at 50000 miles",
        "as of 2024-03-31",
        "analytics ",
    ):
        assert told in entry.reason
    again = load_records(folder, as_of="2024-04-01").limits
    assert again[["component", "part", "power_limit_hp"]].to_numpy().tolist() == [
        ["input shaft", "A", row["proposed_hp"]]
    ]
    assert load_records(folder, as_of="2024-03-31").limits.empty  # an old quarter does not know it
    past = history(again, "input shaft", "A")
    assert past["reason"].iat[0] == entry.reason


def test_more_than_is_proven_is_refused_and_lowering_is_not(folder):
    ratings = rated(folder)
    row = ratings.table.iloc[0]
    with pytest.raises(AnalyticsError, match="is more than the records prove"):
        accept(ratings, "input shaft", "A", row["weight_up_to"], "", row["proposed_hp"] + 100, "the owner", DAY)
    with pytest.raises(AnalyticsError, match="accepted by a person"):
        accept(ratings, "input shaft", "A", row["weight_up_to"], "", row["proposed_hp"], "  ", DAY)
    with pytest.raises(AnalyticsError, match="Weights rated: 7,500, 9,000"):
        accept(ratings, "input shaft", "A", 8000, "", 100, "the owner", DAY)
    assert not (folder / "limits.csv").exists()
    accept(ratings, "input shaft", "A", row["weight_up_to"], "", 100, "the owner", DAY)
    assert (folder / "limits.csv").is_file()


@pytest.mark.parametrize(
    ("encoding", "start"),
    [("utf-8", ""), ("utf-8-sig", ""), ("utf-16", ""), ("cp1252", "Limits of the shop – 2019\n\n")],
)
def test_old_lines_are_kept_to_the_byte(folder, encoding, start):
    text = start + "Component,Part,Weight up to,Limit,From,Why,Extra\ninput shaft,A,,700,2019-01-01,“old”,x\n"
    toml = (
        folder / "shop.toml"
    ).read_text() + '[headings.limits]\npower_limit = "Limit"\neffective_on = "From"\nreason = "Why"\n'
    (folder / "shop.toml").write_text(toml)
    (folder / "limits.csv").write_bytes(text.encode(encoding))
    append(load_shop(folder), ENTRY)
    now = (folder / "limits.csv").read_bytes().decode(encoding)
    assert now.startswith(text)
    assert now[len(text) :] == 'input shaft,A,7500 lb,600 hp,2024-04-01,"because, “quoted”",\n'
    assert len(load_records(folder, as_of="2024-12-31").limits) == 2


def test_limits_in_a_workbook_are_not_touched(folder):
    frame = pd.DataFrame([{"component": "input shaft", "part": "A", "power_limit": 700, "effective_on": "2019-01-01"}])
    with pd.ExcelWriter(folder / "limits.xlsx", engine="xlsxwriter") as book:
        frame.to_excel(book, index=False, sheet_name="limits")
    with pytest.raises(AnalyticsError, match=r"limits is kept in limits\.xlsx: save it as limits\.csv"):
        append(load_shop(folder), ENTRY)


def test_a_file_without_headings_is_refused(folder):
    (folder / "limits.csv").write_text("a,b\n1,2\n")
    with pytest.raises(AnalyticsError, match="no heading row"):
        append(load_shop(folder), ENTRY)
    assert (folder / "limits.csv").read_text() == "a,b\n1,2\n"


def test_two_writers_lose_no_line(folder):
    shop, done, refused = load_shop(folder), [], []

    def write(k: int) -> None:
        try:
            append(shop, Entry("input shaft", "A", "7500", "", f"{500 + k} hp", "2024-04-01", f"writer {k}"))
            done.append(k)
        except AnalyticsError:
            refused.append(k)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(12)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    lines = (folder / "limits.csv").read_text().splitlines()
    assert len(done) + len(refused) == 12
    assert done
    assert len(lines) == 1 + len(done)
    assert sorted(line.rsplit(" ", 1)[1] for line in lines[1:]) == sorted(map(str, done))
    assert not [p for p in folder.iterdir() if p.name.startswith(".limits") and p.suffix != ".lock"]


def test_fingerprint_follows_the_bytes(folder):
    before = fingerprint(folder)
    assert fingerprint(folder) == before
    (folder / "returns.csv").write_bytes((folder / "returns.csv").read_bytes() + b"\n")
    assert fingerprint(folder) != before


def test_a_column_that_is_missing_is_not_dropped_in_silence(folder):
    (folder / "limits.csv").write_text("component,part,power_limit,effective_on,reason\n")
    with pytest.raises(AnalyticsError, match=r"limits\.csv has no column weight_up_to"):
        append(load_shop(folder), ENTRY)


def test_weights_carry_their_unit_and_powers_are_never_rounded_up(folder):
    toml = (folder / "shop.toml").read_text()
    ratings = rated(folder)
    row = ratings.table.iloc[0]
    accept(ratings, "input shaft", "A", row["weight_up_to"], "", row["proposed_hp"] - 0.4, "the owner", DAY)
    (folder / "shop.toml").write_text(toml + '[units]\nweight = "kg"\n')
    limit = load_records(folder, as_of="2024-04-01").limits.iloc[0]
    assert limit["weight_up_to_lb"] == pytest.approx(7500)
    assert limit["power_limit_hp"] == row["proposed_hp"] - 1
    with pytest.raises(AnalyticsError, match="cannot be a limit"):
        accept(ratings, "input shaft", "A", row["weight_up_to"], "", -50, "the owner", DAY)
    with pytest.raises(AnalyticsError, match="before the records it rests on"):
        accept(ratings, "input shaft", "A", row["weight_up_to"], "", 100, "the owner", dt.date(2019, 1, 1))
