"""The ledger: only a person writes it, only what is proven, and never half a file."""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import math
import threading
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from analytics.__main__ import main
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings import ledger
from analytics.ratings.ledger import Acceptance, Entry, append, fingerprint, history
from analytics.ratings.options import options_for
from analytics.ratings.published import published_hp
from analytics.ratings.sheet import COLUMNS, Ratings, make_ratings
from analytics.records.cells import POWER, parse_quantity
from analytics.records.limits import limit_for
from analytics.records.load import load_records
from analytics.records.own_units import own_power
from analytics.records.shop import Units, load_shop
from analytics.words.ratings.ledger import acceptance_words
from tests.small_shop import TOML, build, rateable_shop, write_shop

DAY = dt.date(2024, 4, 1)
ENTRY = Entry("input shaft", "A", "7500 lb", "", "600 hp", "2024-04-01", "because, “quoted”")


def accept(ratings, *told):
    return ledger.accept(ratings, Acceptance(*told), acceptance_words)


@pytest.fixture
def folder(tmp_path):
    return rateable_shop(tmp_path / "shop")


def rated(folder):
    records = load_records(folder)
    return make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")])


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
    assert sorted(line.rstrip(",").rsplit(" ", 1)[1] for line in lines[1:]) == sorted(map(str, done))
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
    assert limit["basis"] == "records"  # no evidence beside them
    with pytest.raises(AnalyticsError, match="cannot be a limit"):
        accept(ratings, "input shaft", "A", row["weight_up_to"], "", -50, "the owner", DAY)
    with pytest.raises(AnalyticsError, match="before the records it rests on"):
        accept(ratings, "input shaft", "A", row["weight_up_to"], "", 100, "the owner", dt.date(2019, 1, 1))


# ---- what was accepted is what is shown next quarter --------------------------------------------------------------------
@pytest.fixture(scope="module")
def heavy(tmp_path_factory):
    """The small shop in kilograms, its classes round in them, every truck 1,100 kg heavier: half lie above the last edge."""
    folder = rateable_shop(tmp_path_factory.mktemp("heavy") / "shop")
    toml = (folder / "shop.toml").read_text()
    (folder / "shop.toml").write_text(toml + '[units]\nweight = "kg"\n[weight]\nclasses = [7716.18, 9149.19]\n')
    builds = pd.read_csv(folder / "builds.csv")
    builds["weight"] = (builds["weight"] * 0.45359237 + 1000).round()
    builds.to_csv(folder / "builds.csv", index=False)
    return folder, rated(folder)


def test_the_open_class_is_accepted_for_any_weight_above_the_edge(heavy):
    folder, ratings = heavy
    top = ratings.table.iloc[-1]
    assert top["weight_up_to"] > 9150
    entry = accept(ratings, "input shaft", "A", top["weight_up_to"], "", 300, "the owner", DAY)
    assert entry.weight_up_to == "over 9149.19 lb"
    assert entry.weights == entry.weight_up_to
    first = accept(ratings, "input shaft", "A", 7716.18, "", 400, "the owner", DAY)
    assert first.weights == f"up to {first.weight_up_to}"
    # a far heavier truck comes: it has the limit, and so has the row of the ratings
    builds = pd.read_csv(folder / "builds.csv", dtype=str)
    more = builds.tail(6).assign(serial=[f"H-{k:03d}XY" for k in range(6)], weight="7000")
    pd.concat([builds, more]).to_csv(folder / "builds.csv", index=False)
    records = load_records(folder, as_of="2024-06-30")
    again = make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")]).table.set_index("weight_up_to")
    assert again.index[-1] > 15_000
    assert again["published_hp"].tolist()[::2] == [400, 300]
    assert np.isnan(again["published_hp"].iat[1])


def sheet_of(folder: Path, weights, uses, as_of="2024-03-31") -> Ratings:
    """Ratings of part A with 900 hp proven everywhere, none of them reckoned."""
    records = load_records(folder, as_of=as_of)
    own = dict.fromkeys(COLUMNS, np.nan) | {
        "component": "input shaft",
        "part": "A",
        "verdict": "raise",
        "failures": 8,
        "units": 60,
    }
    own |= {
        "proposed_hp": 900.0,
        "miles": 1e6,
        "reliability": 0.9,
        "confidence": 0.9,
        "life": 50_000.0,
        "clock": "miles",
    }
    rows = [own | {"weight_up_to": w, "use": u} for u in uses for w in weights]
    return Ratings(records, make_lifetimes(records), options_for(records.shop), (), pd.DataFrame(rows), ())


SHOPS = [("hp", "lb", "miles"), ("kW", "kg", "km"), ("PS", "t", "km")]
EDGES = st.lists(st.floats(4000, 20_000), min_size=1, max_size=3, unique=True).map(sorted).filter(
    lambda e: all(b - a > 50 for a, b in itertools.pairwise(e))
)  # fmt: skip


@settings(max_examples=12, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    units=st.sampled_from(SHOPS),
    edges=st.one_of(EDGES, st.sampled_from([[7500.0, 9000.0], [7716.179176470716, 9038.951607], [7716.18, 9038.95]])),
    top=st.floats(1.02, 2), then=st.floats(1.02, 3), weightless=st.booleans(),
    uses=st.sampled_from([[""], ["drag"], ["", "drag"], ["street", "drag"]]),
    powers=st.lists(st.integers(100, 900), min_size=8, max_size=8, unique=True), before=st.booleans(),
)  # fmt: skip
def test_what_was_accepted_is_shown_next_quarter_in_any_unit(units, edges, top, then, weightless, uses, powers, before):
    """Every class, the open one too, and every use, each with its own limit; nothing else is covered, but for what was there before."""
    power, weight, distance = units
    toml = (
        TOML
        + f'[units]\npower = "{power}"\nweight = "{weight}"\ndistance = "{distance}"\n[weight]\nclasses = {edges!r}\n'
    )
    old = {"component": "input shaft", "part": "A", "power_limit": "950 hp", "effective_on": "2019-01-01"}
    old |= {"reason": "old", "weight_up_to": "", "use": ""}
    # as the open class was once written: the weight it was rated at
    stale = old | {"weight_up_to": f"{edges[-1] * top:.0f} lb", "power_limit": "920 hp", "use": uses[-1]}
    with TemporaryDirectory() as name:
        folder = write_shop(
            Path(name) / "s", toml, builds=[build("T-111")], **({"limits": [old, stale]} if before else {})
        )
        weights = [math.inf] if weightless else [*edges, edges[-1] * top]
        ratings = sheet_of(folder, weights, uses)
        given_hp = {use: powers[4 * k : 4 * k + len(weights)] for k, use in enumerate(uses)}
        for use in uses:
            for w, hp in zip(weights, given_hp[use], strict=True):
                accept(ratings, "input shaft", "A", w, use, hp, "the owner", DAY)
        limits = load_records(folder, as_of="2024-06-30").limits
        shown = weights if weightless else [*edges, edges[-1] * then]
        trucks = pd.DataFrame({"weight_lb": shown})
        if not weightless:
            # a truck right at the edge in whole kg, one at half of the lightest, and far heavier ones
            kilograms = [round(w * 0.45359237) / 0.45359237 for w in edges]
            trucks = pd.DataFrame({"weight_lb": [*shown, *kilograms, edges[0] / 2, edges[-1] * 9]})
        trucks = trucks.assign(component="input shaft", part="A", day=pd.Timestamp("2024-06-30"))
        for use, own in given_hp.items():
            shown_hp = published_hp(limits, trucks.assign(use=use)).tolist()
            assert shown_hp == [*own, *(() if weightless else (*own[: len(edges)], own[0], own[len(edges)]))]
        held = limits["effective_on"].eq(pd.Timestamp(DAY)).to_numpy()
        if not weightless:
            assert sorted(limits.loc[held, "weight_up_to_lb"].dropna()) == sorted(edges * len(uses))
            assert limits.loc[held, "weight_over_lb"].dropna().tolist() == edges[-1:] * len(uses)
        if "" not in uses:  # the others are not touched
            others = limit_for(limits, trucks.assign(use="towing"))
            assert (others == (np.flatnonzero(limits["use"] == "")[0] if before else -1)).all()
        known = limit_for(limits, trucks.assign(use=uses[-1], day=pd.Timestamp("2024-03-31")))
        assert not held[known[known >= 0]].any()


def test_a_second_limit_of_the_day_is_refused(folder):
    write_shop(folder, builds=[build("T-111")])
    ratings = sheet_of(folder, [7500.0, 9000.0, 11_000.0], [""])
    accept(ratings, "input shaft", "A", 7500.0, "", 500, "the owner", DAY)
    for hp in (500, 600):
        with pytest.raises(AnalyticsError, match=r"limits row 2 has a limit of 500 hp .* already: delete that row"):
            accept(ratings, "input shaft", "A", 7500.4, "", hp, "the owner", DAY)
    accept(ratings, "input shaft", "A", 11_000.0, "", 400, "the owner", DAY)
    with pytest.raises(AnalyticsError, match="limits row 3"):
        accept(ratings, "input shaft", "A", 11_000.0, "", 300, "the owner", DAY)
    accept(ratings, "input shaft", "A", 7500.0, "", 600, "the owner", dt.date(2024, 4, 2))
    with (folder / "limits.csv").open("a") as file:
        file.write("input shaft,A,7500 lb,,450 hp,2024-04-02,by hand\n")
    with pytest.raises(AnalyticsError, match=r"limits\.csv row 4: another limit of the same day"):
        accept(ratings, "input shaft", "A", 9000.0, "", 600, "the owner", dt.date(2024, 4, 3))


@pytest.mark.parametrize(
    "text", ['=HYPERLINK("http://example.org","x")', "+1+cmd|' /C calc'!A0", "@SUM(A1)", "-2+3", "\t=1"]
)
def test_nothing_that_runs_as_a_formula_is_written(folder, text):
    append(load_shop(folder), replace(ENTRY, reason=text))
    line = pd.read_csv(folder / "limits.csv", dtype=str, keep_default_na=False).iloc[0]
    assert line["reason"] == "'" + text
    before = (folder / "limits.csv").read_bytes()
    for column in ("part", "component", "use"):
        with pytest.raises(AnalyticsError, match="would run as a formula"):
            append(load_shop(folder), replace(ENTRY, **{column: text}))
    assert (folder / "limits.csv").read_bytes() == before
    append(load_shop(folder), replace(ENTRY, part="-12"))  # a number


def test_what_a_killed_accept_left_behind_is_taken_away_by_the_next(folder):
    for left in (".limits.csv.abc123.part", ".returns.csv.abc123.part"):
        (folder / left).write_text("half")
    append(load_shop(folder), ENTRY)
    assert sorted(p.name for p in folder.glob(".*.part")) == [".returns.csv.abc123.part"]


def test_a_linked_ledger_is_not_replaced_by_a_file(folder, tmp_path):
    """The line would stand in a new file in the shop's folder, and the one that others read would miss it."""
    (tmp_path / "kept.csv").write_text("component,part,power_limit,effective_on\n", encoding="utf-8")
    (folder / "limits.csv").symlink_to(tmp_path / "kept.csv")
    with pytest.raises(AnalyticsError, match="is a link to another file"):
        append(load_shop(folder), ENTRY)
    assert (folder / "limits.csv").is_symlink()


def test_a_limit_is_accepted_from_the_command_line(folder, capsys):
    line = ["accept", str(folder), "--component", "input shaft", "--weight-up-to", "7500", "--by", "the owner"]
    assert main([*line, "--part", "A", "--power", "100"]) == 0
    assert "Added to limits: input shaft A, up to 7500 lb, 100 hp from 2024-03-31." in capsys.readouterr().out
    (kept,) = csv.DictReader((folder / "limits.csv").read_text(encoding="utf-8").splitlines())
    assert [kept[c] for c in ("component", "part", "weight_up_to", "use", "power_limit", "effective_on", "basis")] == [
        "input shaft", "A", "7500 lb", "", "100 hp", "2024-03-31", "records",
    ]  # fmt: skip
    assert "accepted by the owner" in kept["reason"]
    assert main([*line, "--part", "B", "--power", "100"]) == 2
    assert "no such part is on record. There are: input shaft A, converter C." in capsys.readouterr().err


@pytest.mark.parametrize("only", [("input shaft", "A"), [("converter", "A")]])
def test_a_part_that_is_not_on_record_is_refused_and_not_left_out_in_silence(folder, only):
    records = load_records(folder)
    with pytest.raises(AnalyticsError, match="no such part is on record"):
        make_ratings(records, make_lifetimes(records), only=only)


@pytest.mark.parametrize("unit", ["kW", "PS"])
def test_a_limit_typed_whole_in_the_owners_unit_is_shown_so_next_quarter(tmp_path, unit):
    """484 kW are 649.1 hp; written as 649 hp they came back as 483 kW. What is whole in hp stays written in hp."""
    units = Units(power=unit)
    for typed in (301, 484, 555):
        folder = write_shop(tmp_path / str(typed), TOML + f'[units]\npower = "{unit}"\n', builds=[build("T-111")])
        given_hp = parse_quantity(str(typed), POWER, unit)[0]
        entry = accept(sheet_of(folder, [7500.0], [""]), "input shaft", "A", 7500.0, "", given_hp, "the owner", DAY)
        assert entry.power_limit == f"{typed} {unit}"
        limit = load_records(folder, as_of="2024-06-30").limits["power_limit_hp"].iat[0]
        assert own_power(limit, units) == typed
        assert limit <= given_hp
    assert (
        accept(sheet_of(folder, [9000.0], [""]), "input shaft", "A", 9000.0, "", 650, "the owner", DAY).power_limit
        == "650 hp"
    )
