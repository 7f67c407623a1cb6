"""What was advised, kept in the shop's folder: advised.csv, one line per part advised, to which lines are only added."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.ratings.ledger import ADVISED, locked
from analytics.whole import plain_text, sweep, whole_file

#: advised_on, serial: when and for which unit; part: that was advised; lasts: the share of such trucks told to last life_miles, at_least: its supported side
COLUMNS = (
    "advised_on",
    "serial",
    "component",
    "part",
    "power_hp",
    "weight_lb",
    "use",
    "life_miles",
    "lasts",
    "at_least",
)


def read_advised(folder: Path) -> pd.DataFrame:
    """Every line of the advised.csv of a ``folder`` (COLUMNS); none where there is no such file. Raises AnalyticsError where it cannot be read."""
    path = folder / ADVISED
    if not path.is_file():
        return pd.DataFrame(columns=COLUMNS)
    try:
        told = pd.read_csv(path, dtype=str, keep_default_na=False)
        numbers = {c: pd.to_numeric(told[c]) for c in COLUMNS[4:] if c != "use"}
        return told.assign(advised_on=pd.to_datetime(told["advised_on"]), **numbers)[[*COLUMNS]]
    except (ValueError, KeyError, UnicodeDecodeError) as err:
        raise AnalyticsError(
            f"{ADVISED} cannot be read ({err}). Lines are only added to it by advise: put back the file as it was, or take it away."
        ) from err


def add_advised(folder: Path, lines: pd.DataFrame) -> Path:
    """Add ``lines`` (COLUMNS) to the advised.csv of a ``folder``; what stands there stays as it is, byte for byte. Returns its path. Raises
    AnalyticsError where somebody else is writing it or it cannot be written."""
    path = folder / ADVISED
    read_advised(folder)
    with locked(path):
        sweep(path)
        old = path.read_bytes() if path.exists() else b""
        old += b"" if not old or old.endswith(b"\n") else b"\n"
        plain = lines[[*COLUMNS]].map(plain_text)
        new = plain.to_csv(index=False, header=not old, lineterminator="\n").encode()
        with whole_file(path) as part:
            part.write_bytes(old + new)
    return path
