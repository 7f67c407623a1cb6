"""Of the builds that were advised, how many lasted."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.grown import ADVISED
from analytics.reasons import AdviceKept, Question, reason, reason_if
from analytics.review.answer import Answer, nothing

_COLUMNS = [*ADVISED.columns, "fitted", "fared", "miles"]


def advised_answer(lifetimes: Lifetimes) -> Answer:
    """Every part advised to a unit by its serial, what was fitted, and how it fared by the day the ``lifetimes`` end: lasted (reached the miles it was
    advised for), failed before them, or under way. Beside the failures that the advice itself expects of those decided or under way, by the
    share of the miles that each has run (a straight line, which says too many early on of a part that wears)."""
    question = reason(Question.ADVISED)
    advised = (
        ADVISED.read(lifetimes.shop.folder)
        if lifetimes.shop.sheets.grids is None
        else pd.DataFrame(columns=[*ADVISED.columns])
    )
    advised = advised[(advised["serial"] != "") & (advised["advised_on"] <= lifetimes.as_of)]
    # advised twice: the last word counts
    advised = advised.drop_duplicates(["serial", "component"], keep="last").reset_index(drop=True)
    if advised.empty:
        return nothing(question, AdviceKept.NONE, pd.DataFrame(columns=_COLUMNS))
    table = lifetimes.table
    first = table[table["spell"] == 1]
    lives = first.assign(failed=counts_as_failure(first), key=_key(first["serial"]))
    lives = lives.drop_duplicates(["key", "component"], keep="last")
    found = advised.assign(key=_key(advised["serial"])).merge(
        lives[["key", "component", "part", "failed", "lower_miles", "upper_miles"]].rename(columns={"part": "fitted"}),
        on=["key", "component"],
        how="left",
    )
    run = found["upper_miles"].where(np.isfinite(found["upper_miles"]), found["lower_miles"])
    short = found["failed"].eq(True) & ~(found["upper_miles"] > found["life_miles"])
    fared = np.select(
        [found["fitted"].isna(), found["fitted"] != found["part"], short, found["lower_miles"] >= found["life_miles"]],
        ["not built yet", "fitted otherwise", "failed", "lasted"],
        "under way",
    )
    frame = found.assign(fared=fared, miles=run)[_COLUMNS]
    own = frame[frame["fared"].isin(["failed", "lasted", "under way"])]
    counts = {name: int((own["fared"] == name).sum()) for name in ("failed", "lasted")}
    said = [reason(AdviceKept.COUNTS, **counts, under_way=int((own["fared"] == "under way").sum()), parts=len(own))]
    expected = float(((1 - own["lasts"]) * (own["miles"] / own["life_miles"]).clip(0, 1).fillna(0)).sum())
    said += reason_if(AdviceKept.EXPECTED, len(own), failed=counts["failed"], expected=expected)
    otherwise = int((frame["fared"] == "fitted otherwise").sum())
    said += reason_if(AdviceKept.OTHERWISE, otherwise, parts=otherwise)
    return Answer(question, tuple(said), frame)


def _key(serials: pd.Series) -> pd.Series:
    """Serials as they are compared: capitals and what stands between them aside."""
    return serials.astype(str).str.replace(r"[^0-9A-Za-z]", "", regex=True).str.casefold()
