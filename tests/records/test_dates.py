"""Dates as typed. 1900 and 1904 epochs differ by 1,462 days (from memory; any spreadsheet shows it)."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from analytics.records.dates import parse_dates, settle


def read(text: str, order: str | None = None, epoch: int = 1900) -> pd.Series:
    return parse_dates(pd.Series([text], dtype=object), order, epoch).iloc[0]


@pytest.mark.parametrize(
    "text",
    [
        "2021-03-04", "2021-3-4", "2021/03/04", "2021.03.04", "20210304", "2021-03-04 00:00:00", "2021-03-04T13:45:00Z",
        "4 Mar 2021", "4 March 2021", "4-Mar-21", "4th March 2021", "04Mar2021", "Mar 4, 2021", "March 4th 2021",
        "4 mar. '21", "MAR 4 2021", "4.Mar.2021", "44259", "44259.75", " 2021-03-04 ",
    ],
)  # fmt: skip
def test_plain_dates(text):
    found = read(text)
    assert found["first"] == pd.Timestamp("2021-03-04")
    assert pd.isna(found["second"])
    assert found["problem"] == ""


@pytest.mark.parametrize(
    ("text", "day"), [("31/03/2021", "2021-03-31"), ("03/31/21", "2021-03-31"), ("4/4/2021", "2021-04-04")]
)
def test_numeric_dates_with_one_reading(text, day):
    found = read(text)
    assert (found["first"], found["problem"]) == (pd.Timestamp(day), "")
    assert pd.isna(found["second"])


@pytest.mark.parametrize("text", ["03/04/2021", "3-4-21", "03.04.2021", "3/4/2021 12:30"])
def test_two_readings_are_both_kept_until_settled(text):
    found = read(text)
    assert (found["first"], found["second"]) == (pd.Timestamp("2021-03-04"), pd.Timestamp("2021-04-03"))
    assert read(text, "day first")["first"] == pd.Timestamp("2021-04-03")
    assert read(text, "month first")["first"] == pd.Timestamp("2021-03-04")
    assert pd.isna(read(text, "day first")["second"])


def test_year_first_with_two_digits():
    assert read("21/03/04", "year first")["first"] == pd.Timestamp("2021-03-04")


def test_two_digit_years_turn_at_1980():
    assert read("1 Feb 79")["first"] == pd.Timestamp("2079-02-01")
    assert read("1 Feb 80")["first"] == pd.Timestamp("1980-02-01")


def test_serial_days_count_from_the_workbooks_epoch():
    assert read("44256")["first"] == pd.Timestamp("2021-03-01")
    # day 1 is 1 Jan 1900 with a leap day that never was; in the other epoch day 0 is 1 Jan 1904
    apart = read("44256", epoch=1904)["first"] - read("44256")["first"]
    assert apart == dt.timedelta(days=1462)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("Mar-21", "a month without a day"), ("March 2021", "a month without a day"), ("soon", "not a date"),
        ("2021-02-30", "there is no such day"), ("31/31/2021", "there is no such day"), ("3 Mai 2021", "'Mai' is not a month"),
        ("0001-01-01", "the year 1 cannot be"), ("2121-01-01", "the year 2121 cannot be"), ("99999", "the year 2173 cannot be"),
        ("1949-12-31", "the year 1949 cannot be"), ("2021", "not a date"), ("1e308", "not a date"), ("a\x00b", "not a date"),
        ("4/3", "not a date"),
    ],
)  # fmt: skip
def test_what_is_no_date(text, problem):
    found = read(text)
    assert pd.isna(found["first"])
    assert found["problem"] == problem
    assert found["remedy"]


@pytest.mark.parametrize("text", ["", "?", "n/a", "teardown", "Found at teardown"])
def test_blank_dates(text):
    found = read(text)
    assert pd.isna(found["first"])
    assert found["problem"] == ""


def days(*text: str) -> np.ndarray:
    return np.array(text, dtype="datetime64[ns]")


def test_order_of_events_settles_a_two_way_date():
    built, failed = (days("2021-02-01"), days("NaT")), (days("2021-01-05"), days("2021-05-01"))
    settled, out_of_order = settle([built, failed])
    assert settled[1][0] == np.datetime64("2021-05-01")
    assert not out_of_order[0]


def test_a_date_that_stays_two_way_is_left_open():
    settled, out_of_order = settle([(days("2020-02-01"), days("NaT")), (days("2021-01-05"), days("2021-05-01"))])
    assert np.isnat(settled[1][0])
    assert not out_of_order[0]


def test_no_orderly_reading():
    _, out_of_order = settle([(days("2022-02-01"), days("NaT")), (days("2021-01-05"), days("2021-05-01"))])
    assert out_of_order[0]


def test_two_open_dates_settle_each_other_only_where_all_readings_agree():
    # failed 2 Jan or 1 Feb, returned 5 Jan or 1 May: three orderly pairs, so neither is settled
    pair = [(days("2021-01-02"), days("2021-02-01")), (days("2021-01-05"), days("2021-05-01"))]
    settled, _ = settle(pair)
    assert np.isnat(settled[0][0])
    assert np.isnat(settled[1][0])
    # returned 5 Jan for sure: failed on 2 Jan
    settled, _ = settle([pair[0], (days("2021-01-05"), days("NaT"))])
    assert settled[0][0] == np.datetime64("2021-01-02")
