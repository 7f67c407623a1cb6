"""What was said is kept and held by its date; alarms live until a person closes them or they have long been quiet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.__main__ import _keep_said, main
from analytics.errors import AnalyticsError
from analytics.ratings.grown import CLOSED, SAID
from analytics.reasons import AlarmIs, Alarms, Family, Kept
from analytics.records.load import as_typed, load_records
from analytics.records.shop import load_shop
from analytics.report.files import write_csv
from analytics.review.alarms import alarms_answer
from analytics.review.forecast import alarms_kept, forecast, kept_answer
from analytics.review.said import alarm_states, close_alarm, closings, keep_said, said_alarms, said_held, said_now
from analytics.review.snapshot import snapshot_at, snapshot_of
from analytics.review.watch import Watched
from analytics.words.answers import worded
from tests.small_shop import build, rateable_shop, returned, write_shop

NONE_CLOSED = pd.DataFrame(columns=[*CLOSED.columns])
ENDS = [f"{d:%Y-%m-%d}" for d in pd.date_range("2022-12-31", periods=7, freq="QE")]
LOT = (Family.LOT_LIFE, "input shaft", "L3")


def quarters(counts: list[int], family: Family = Family.LOT_LIFE) -> list[Watched]:
    """A quarter per count of one group; an alarm from three on."""
    out = []
    for end, came in zip(ENDS, counts, strict=False):
        row = {
            "family": family, "component": "input shaft", "group": "L3", "units": 20, "expected": 0.4, "came": came, "ratio": came / 0.4,
            "p_value": 1e-4, "threshold": 1e-3, "alarm": came >= 3, "least": 0.0,
        }  # fmt: skip
        out.append(Watched(pd.Timestamp(end), pd.Timestamp(end), None, pd.DataFrame(), pd.DataFrame([row])))
    return out


def closed_on(day: str) -> pd.DataFrame:
    line = [pd.Timestamp(day), "LOT_LIFE", "input shaft", "L3", "Ann", "all replaced"]
    return pd.DataFrame([line], columns=[*CLOSED.columns])


@pytest.mark.parametrize(
    ("counts", "closed", "state"),
    [
        ([1, 3], NONE_CLOSED, AlarmIs.NEW),
        ([3, 3, 4], NONE_CLOSED, AlarmIs.GROWING),
        ([3, 4, 4], NONE_CLOSED, AlarmIs.RUNNING),
        ([3, 4, 4, 4, 4], NONE_CLOSED, AlarmIs.RUNNING),  # three quiet quarters are not enough
        ([3, 4, 4, 4, 4, 4], NONE_CLOSED, AlarmIs.QUIET),
        ([3, 4, 4, 4, 4, 4, 5], NONE_CLOSED, AlarmIs.GROWING),  # and it wakes
        ([3, 4, 4], closed_on("2023-04-10"), AlarmIs.CLOSED),
        ([3, 4, 5], closed_on("2023-04-10"), AlarmIs.CLOSED),  # one more may have been on its way
        ([3, 4, 6], closed_on("2023-04-10"), AlarmIs.GROWING),
        ([3, 1], NONE_CLOSED, AlarmIs.GONE),
    ],
)
def test_an_alarm_lives_and_ends(counts, closed, state):
    watched = quarters(counts)
    assert alarm_states(alarms_kept(watched), watched, closed) == [state]


def test_an_alarm_of_the_quarter_alone_is_new_once():
    watched = quarters([3, 3], Family.PART_QUARTER)
    kept = alarms_kept(watched)
    assert alarm_states(kept, watched, NONE_CLOSED) == [AlarmIs.GONE, AlarmIs.NEW]


@pytest.mark.parametrize(("closed", "rows"), [(closed_on("2023-04-10"), 0), (NONE_CLOSED, 1)])
def test_a_closed_alarm_is_a_line_with_who_and_why(tmp_path, closed, rows):
    watched = quarters([3, 4, 4])
    kept = alarms_kept(watched)
    kept = kept.assign(state=alarm_states(kept, watched, closed))
    snapshot = snapshot_of(load_records(rateable_shop(tmp_path / "shop")))
    told = alarms_answer(snapshot, watched, kept, closed)
    assert len(told.table) == rows
    words = " ".join(worded(told).sentences)
    assert ("Closed by Ann on 2023-04-10: lot L3, input shaft, 4 so far. All replaced." in words) == (rows == 0)
    assert ("Call those" in words or "None still runs" in words) == (rows == 1)
    assert any(s.code is Alarms.STANDS_OUT for s in told.said) == (rows == 1)


# ---- the ledgers ---------------------------------------------------------------------------------------------------
def shop_that_said(tmp_path):
    folder = rateable_shop(tmp_path / "shop")
    before = snapshot_at(folder, pd.Timestamp("2022-06-30"))
    alarms = quarters([3])[0].tests
    return folder, before, said_now(forecast(before), alarms)


def test_what_was_said_first_stands(tmp_path):
    folder, _, said = shop_that_said(tmp_path)
    shop = load_shop(folder)
    assert keep_said(shop, said)
    first = (folder / "said.csv").read_bytes()
    assert not keep_said(shop, said.assign(expected=0.0))
    assert (folder / "said.csv").read_bytes() == first
    assert keep_said(shop, said.assign(as_of="2022-09-30"))
    assert (folder / "said.csv").read_bytes().startswith(first)
    assert load_records(folder).books.files_passed_over() == []


def test_forecasts_are_held_as_they_were_said(tmp_path):
    """The quarter to come was said to bring 1 to 4 shafts; three came. It is scored on those figures, whatever today's program would say."""
    folder, before, said = shop_that_said(tmp_path)
    own = (said["what"] == "quarter") & (said["component"] == "input shaft")
    said.loc[own, ["expected", "lower", "upper"]] = [2.0, 1, 4]
    said.loc[(said["what"] == "quarter") & (said["component"] == ""), ["expected", "lower", "upper"]] = [9.0, 8, 10]
    keep_said(load_shop(folder), said)
    now = snapshot_at(folder, pd.Timestamp("2022-10-31")).lifetimes
    held = said_held(as_typed(now.shop), now)
    assert set(held["what"]) == {"quarter"}  # the year is not over
    told = held.set_index("component")
    came = told.loc["input shaft", "came"]
    assert came == told.loc["", "came"] == 2  # 15 July and 15 August: returns end with the eighth
    assert told.loc["input shaft", "inside"]
    assert not told.loc["", "inside"]
    assert (told.loc["", "expected"], told.loc["input shaft", "expected"]) == (9.0, 2.0)
    codes = {s.code for s in kept_answer(_one_forecast(), alarms_kept([]).assign(state=[]), before.as_of, held).said}
    assert {Kept.SAID, Kept.SAID_MISSED} <= codes
    none = kept_answer(_one_forecast(), alarms_kept([]).assign(state=[]), before.as_of, held.iloc[:0])
    assert none.said[0].code is Kept.NOTHING_SAID


def _one_forecast() -> pd.DataFrame:
    row = [pd.Timestamp("2022-06-30"), "quarter", "", 60, 3.0, 1, 6, 3, True]
    return pd.DataFrame([row], columns="made_on span component units expected lower upper came inside".split())


def test_an_alarm_is_closed_by_a_person_for_a_reason(tmp_path, capsys):
    folder, _, said = shop_that_said(tmp_path)
    shop = load_shop(folder)
    keep_said(shop, said)
    day = pd.Timestamp("2022-08-01").date()
    for by, why in (("", "done"), ("Ann", " ")):
        with pytest.raises(AnalyticsError, match="by a person for a reason"):
            close_alarm(shop, LOT, by, why, day)
    with pytest.raises(AnalyticsError, match="no review had said"):
        close_alarm(shop, (Family.LOT_LIFE, "input shaft", "L4"), "Ann", "done", day)
    with pytest.raises(AnalyticsError, match="no review had said"):
        close_alarm(shop, LOT, "Ann", "done", pd.Timestamp("2022-01-01").date())
    assert len(said_alarms(shop)) == 1
    close = ["alarms", str(folder), "--close", "Lot L3, input shaft", "--by", "Ann", "--on", "2022-08-01"]
    assert main([*close, "--why", ""]) == 2
    assert main([*close, "--why", "all replaced"]) == 0
    assert main(["alarms", str(folder), "--close", "lot L9, input shaft", "--by", "Ann", "--why", "x"]) == 2
    capsys.readouterr()
    assert main(["alarms", str(folder)]) == 0
    assert (
        "lot L3, input shaft: 3 of 20, 0.40 usual (2022-06-30); closed by Ann on 2022-08-01: all replaced"
        in capsys.readouterr().out
    )
    told = closings(shop, pd.Timestamp("2022-12-31"))
    assert told["reason"].tolist() == ["all replaced"]
    assert closings(shop, pd.Timestamp("2022-07-31")).empty
    before = (folder / "alarms.csv").read_bytes()
    close_alarm(shop, LOT, "=Ben", "again", day)
    assert (folder / "alarms.csv").read_bytes().startswith(before)
    assert "'=Ben" in (folder / "alarms.csv").read_text()


def test_a_ledger_that_cannot_be_read_is_left_alone(tmp_path):
    folder = write_shop(tmp_path / "shop", builds=[build("T-1")], returns=[returned("T-1", "2023-01-01")])
    (folder / "said.csv").write_text("as_of\nno day\n", encoding="utf-8")
    with pytest.raises(AnalyticsError, match=r"said\.csv cannot be read"):
        said_alarms(load_shop(folder))
    assert SAID.columns[0] == "as_of"
    assert np.isnan(said_now(forecast(snapshot_of(load_records(folder))), pd.DataFrame())["came"]).all()


def test_the_command_keeps_what_the_review_wrote_once(tmp_path, capsys):
    folder, _, said = shop_that_said(tmp_path)
    shop, written = load_shop(folder), tmp_path / "said.csv"
    _keep_said(shop, written)
    assert not (folder / "said.csv").exists()  # the page could not be made: nothing was said
    write_csv(said, written)
    _keep_said(shop, written)
    _keep_said(shop, written)
    assert capsys.readouterr().out.count("What it says is kept") == 1
    told = SAID.read(folder)
    assert len(told) == len(said)
    assert told.loc[told["kind"] == "alarm", "came"].tolist() == [3]
    assert told["expected"].to_numpy() == pytest.approx(said["expected"].to_numpy(float), rel=1e-5)
