"""Each unit: since when and until when it is known of, how that ended, and when it was out of sight between."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.records.load import Records

DAY = np.timedelta64(1, "D")
#: source of a reading that came of a call to a unit drawn at random
RANDOM_CALL = ("random call", "random")
_OUT_OF_SIGHT = ("sold", "lost", "scrapped")


def make_units(records: Records) -> pd.DataFrame:
    """Per unit (index as in builds): start, stop (last day known of), end ("in use", "sold", "lost", "scrapped", "no"),
    count, of_several (see records/several.py), read_miles and read_days (its last believed odometer figure), run_runs and run_days (its last
    count of runs), NaN where there is none; called (at random), found_failed (so, and nobody had said so).

    A unit reported sold, lost or scrapped is known of up to that day, unless it is heard of later (see gaps). One
    reported not running ends there only if nothing is heard of it after.
    """
    builds = records.builds
    units = pd.DataFrame(
        {
            "start": builds["in_service_on"],
            "stop": records.as_of,
            "end": "in use",
            "count": builds["count"],
            "of_several": builds["of_several"],
        }
    )
    news = _news(records)
    last = news.drop_duplicates("unit", keep="last").set_index("unit")
    last = last[last["word"] != ""]
    # the same word over and over: the first of them ended it
    since = news[news["run"] == last["run"].reindex(news["unit"]).to_numpy()].drop_duplicates("unit").set_index("unit")
    units.loc[since.index, "stop"], units.loc[since.index, "end"] = since["day"], since["word"]
    for sheet, value, figure, day in (
        (records.odometer, "miles", "read_miles", "read_days"),
        (records.runs, "runs", "run_runs", "run_days"),
    ):
        last = sheet.drop_duplicates("unit", keep="last").set_index("unit")
        units[figure] = last[value].reindex(units.index)
        units[day] = (last["day"].reindex(units.index) - units["start"]) / DAY
    at_random = records.readings[records.readings["source"].fillna("").str.casefold().isin(RANDOM_CALL)]
    units["called"] = units.index.isin(at_random["unit"])
    units["found_failed"] = units.index.isin(at_random.loc[at_random["still_running"] == "no", "unit"])
    return units


def gaps(records: Records) -> pd.DataFrame:
    """Stretches in which a unit of the ``records`` was out of sight, sold or lost, before it was heard of again: unit, since, until.

    Had it broken in between and never come back, nobody would know; so its failures there cannot be counted either.
    """
    news = _news(records)
    first = ~news.duplicated(["unit", "run"])
    until = news["day"].where(first).groupby(news["unit"]).shift(-1)
    until = until.groupby(news["unit"]).bfill()
    gone = news["word"].isin(_OUT_OF_SIGHT) & first & until.notna()
    return pd.DataFrame({"unit": news["unit"], "since": news["day"], "until": until})[gone].reset_index(drop=True)


def _news(records: Records) -> pd.DataFrame:
    """What was heard of each unit, in order: unit, day, word ("" where it was there), run (numbers runs of one word)."""
    readings, returns, fitted = records.readings, records.returns, records.fitted
    builds = records.builds
    # a part fitted before the truck left is no news, and which of several got one is not known
    unit = fitted["unit"].to_numpy(int)
    later = (fitted["fitted_on"].to_numpy() > builds["in_service_on"].to_numpy()[unit]) if len(fitted) else []
    fitted = fitted[later & ~builds["of_several"].to_numpy()[unit]] if len(fitted) else fitted
    heard = [
        pd.DataFrame({"unit": readings["unit"], "day": readings["read_on"], "word": readings["still_running"]}),
        pd.DataFrame(
            {"unit": returns["unit"], "day": returns["day"], "word": np.where(returns["unit_gone"], "scrapped", "")}
        ),
        pd.DataFrame({"unit": fitted["unit"], "day": fitted["fitted_on"], "word": ""}),
        pd.DataFrame({"unit": records.changes["unit"], "day": records.changes["changed_on"], "word": ""}),
    ]
    news = pd.concat([h for h in heard if len(h)] or heard[:1])
    news["word"] = news["word"].replace("yes", "").astype(object)
    # on one day a word that ends it stands above others
    news["rank"] = news["word"].map({"": 0, "no": 1, "lost": 2, "sold": 3, "scrapped": 4}).astype(int)
    news = news.sort_values(["unit", "day", "rank"], kind="stable").drop_duplicates(["unit", "day"], keep="last")
    away = news["word"].isin(_OUT_OF_SIGHT)
    kind = away.astype(int) + 2 * (news["word"] == "no")
    news["run"] = ((news["unit"] != news["unit"].shift()) | (kind != kind.shift())).cumsum()
    return news.drop(columns="rank").reset_index(drop=True)
