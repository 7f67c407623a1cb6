"""Ledgers in the shop's folder to which lines are only added: what was advised, what a review said, which alarms a person closed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.ratings.ledger import locked
from analytics.whole import plain_text, sweep, whole_file


@dataclass(frozen=True, slots=True)
class Ledger:
    """A CSV of its ``name``, with its ``columns``; ``days`` and ``numbers`` are those that hold dates and figures. ``by``: the command that adds
    lines."""

    name: str
    columns: tuple[str, ...]
    days: tuple[str, ...]
    numbers: tuple[str, ...]
    by: str

    def read(self, folder: Path) -> pd.DataFrame:
        """Every line of the ledger of a ``folder``; none where there is no such file. Raises AnalyticsError where it cannot be read."""
        path = folder / self.name
        if not path.is_file():
            return pd.DataFrame(columns=list(self.columns))
        try:
            told = pd.read_csv(path, dtype=str, keep_default_na=False)
            days = {c: pd.to_datetime(told[c]) for c in self.days}
            return told.assign(**days, **{c: pd.to_numeric(told[c]) for c in self.numbers})[[*self.columns]]
        except (ValueError, KeyError, UnicodeDecodeError) as err:
            raise AnalyticsError(
                f"{self.name} cannot be read ({err}). Lines are only added to it by {self.by}: put back the file as it was, or take it away."
            ) from err

    def add(self, folder: Path, lines: pd.DataFrame) -> Path:
        """Add ``lines`` to the ledger of a ``folder``; what stands there stays as it is, byte for byte. Returns its path. Raises AnalyticsError
        where somebody else is writing it or it cannot be written."""
        path = folder / self.name
        self.read(folder)
        with locked(path):
            sweep(path)
            old = path.read_bytes() if path.exists() else b""
            old += b"" if not old or old.endswith(b"\n") else b"\n"
            plain = lines[[*self.columns]].map(plain_text)
            new = plain.to_csv(index=False, header=not old, lineterminator="\n").encode()
            with whole_file(path) as part:
                part.write_bytes(old + new)
        return path


#: advised_on, serial: when and for which unit; part: that was advised; lasts: the share of such trucks told to last life_miles, at_least: its
#: supported side
ADVISED = Ledger(
    "advised.csv",
    ("advised_on", "serial", "component", "part", "power_hp", "weight_lb", "use", "life_miles", "lasts", "at_least"),
    days=("advised_on",),
    numbers=("power_hp", "weight_lb", "life_miles", "lasts", "at_least"),
    by="advise",
)
#: what a review said on the day of its records, as_of. kind: forecast (what: its span; came: none yet), alarm (what: its family; group; came so
#: far) or limit (what: the verdict; group: part, weight and use; lower: published, expected: supported, upper: proposed hp)
SAID = Ledger(
    "said.csv",
    ("as_of", "kind", "what", "component", "group", "units", "expected", "lower", "upper", "came"),
    days=("as_of",),
    numbers=("units", "expected", "lower", "upper", "came"),
    by="review",
)
#: alarms closed: family, component and group as in said.csv; by whom and why
CLOSED = Ledger(
    "alarms.csv",
    ("closed_on", "family", "component", "group", "by", "reason"),
    days=("closed_on",),
    numbers=(),
    by="alarms",
)
