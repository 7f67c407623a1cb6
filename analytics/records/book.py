"""Bookkeeping of rows: each one read is used, set aside with its reason, or not yet known at the as-of date."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.reasons import Issue
from analytics.records.source import RawSheet

#: what the owner reads of an issue; its ``kind`` (reasons.Issue) stands beside
ISSUE_COLUMNS = ["file", "sheet", "row", "column", "raw", "reason", "remedy"]

Text: TypeAlias = str | np.ndarray | pd.Series
Kind: TypeAlias = Issue | np.ndarray


@dataclass(slots=True)
class Sheet:
    """A sheet while it is being read. ``alive`` rows are in use so far; ``later`` rows are dated after the as-of date."""

    raw: RawSheet
    alive: np.ndarray = field(init=False)
    later: np.ndarray = field(init=False)
    values: pd.DataFrame = field(init=False)
    _aside: list[pd.DataFrame] = field(init=False)
    _doubts: list[pd.DataFrame] = field(init=False)

    def __post_init__(self) -> None:
        n = len(self.raw.table)
        self.alive, self.later = np.ones(n, bool), np.zeros(n, bool)
        self.values = pd.DataFrame(index=self.raw.table.index)
        self._aside, self._doubts = [], []
        told = self.raw.structure.drop_duplicates("at")
        if len(told):
            self._aside.append(told.assign(**self._where(told["at"].to_numpy())))
            self.alive[told["at"].to_numpy()] = False
        if len(self.raw.notes):
            self._doubts.append(self.raw.notes.assign(**self._where(self.raw.notes["at"].to_numpy())))

    @property
    def name(self) -> str:
        return self.raw.name

    @property
    def in_use(self) -> np.ndarray:
        return self.alive & ~self.later

    @property
    def crossed_out(self) -> np.ndarray:
        """Rows that stand crossed out in a workbook, and so set aside."""
        mark, told = np.zeros(len(self.alive), bool), self.raw.structure
        mark[told.loc[told["kind"] == Issue.CROSSED_OUT, "at"].to_numpy(int)] = True
        return mark

    def text(self, heading: str) -> pd.Series:
        """The cells of one heading as typed; blank where the sheet lacks it."""
        if heading in self.raw.table:
            return self.raw.table[heading]
        return pd.Series("", index=self.raw.table.index, dtype=object)

    def shown(self, heading: str) -> pd.Series:
        """The cells of one heading as a person sees them; `text` has their figures with a decimal point."""
        return self.raw.typed_as[heading] if heading in self.raw.typed_as else self.text(heading)

    def named(self, at: int) -> str:
        """A row as messages name it."""
        return self.raw.named(at)

    def _where(self, at: np.ndarray) -> dict[str, object]:
        """File, page and row of rows, and which sheet of ours it is."""
        page = self.raw.sheet[at]
        return {
            "file": self.raw.file[at], "sheet": np.where(page == "", self.name, page), "row": self.raw.row[at], "of": self.name,
        }  # fmt: skip

    def set_aside(
        self, mask: np.ndarray | pd.Series, column: str, reason: Text, remedy: Text, kind: Kind = Issue.UNREAD
    ) -> None:
        """Take rows out of use. A row is set aside once, for the first reason found."""
        mask = np.asarray(mask, bool) & self.in_use
        if mask.any():
            self._aside.append(self._entries(mask, column, reason, remedy, kind))
            self.alive &= ~mask

    def doubt(
        self,
        mask: np.ndarray | pd.Series,
        column: str,
        reason: Text,
        remedy: Text,
        kind: Kind = Issue.UNREAD,
        hidden: bool = False,
    ) -> None:
        """Note cells that were left unread, or read on an assumption, in rows that stay in use; ``hidden``: in later rows too."""
        mask = np.asarray(mask, bool) & (self.alive if hidden else self.in_use)
        if mask.any():
            self._doubts.append(self._entries(mask, column, reason, remedy, kind))

    def hide_later(self, day: pd.Series, as_of: pd.Timestamp) -> None:
        """Make rows invisible that the shop could not know at the as-of date, set aside or not."""
        self.later |= (day > as_of).to_numpy()

    def _entries(self, mask: np.ndarray, column: str, reason: Text, remedy: Text, kind: Kind) -> pd.DataFrame:
        at = np.flatnonzero(mask)

        def pick(told: Text | Kind) -> str | Issue | np.ndarray:
            return told if isinstance(told, str | Issue) else np.asarray(told, dtype=object)[at]

        return pd.DataFrame(
            {
                "at": at,
                **self._where(at),
                "column": self.raw.typed.get(column, column.removeprefix("component:").removeprefix("extra:")),
                "raw": self.shown(column).to_numpy()[at] if column else "",
                "reason": pick(reason),
                "remedy": pick(remedy),
                "kind": pick(kind),
            }
        )

    def aside(self) -> pd.DataFrame:
        """Set-aside rows, in the order of the file."""
        aside = self._collect(self._aside)
        return aside[~self.later[aside["at"].to_numpy(int)]].drop(columns="at").reset_index(drop=True)

    def doubts(self) -> pd.DataFrame:
        """Doubted cells of the rows in use, in the order of the file."""
        doubts = self._collect(self._doubts)
        at, of_later = doubts["at"].to_numpy(int), doubts["kind"].isin([Issue.OFF_ORDER, Issue.LATER]).to_numpy()
        return doubts[self.alive[at] & (~self.later[at] | of_later)].drop(columns="at").reset_index(drop=True)

    def _collect(self, entries: list[pd.DataFrame]) -> pd.DataFrame:
        columns = ["at", *ISSUE_COLUMNS, "kind", "of"]
        if not entries:
            return pd.DataFrame(columns=columns)
        return pd.concat(entries).sort_values(["at", "column"], kind="stable")[columns].reset_index(drop=True)

    def count(self) -> dict[str, object]:
        """Rows read, used and set aside; those dated later are none of these. Raises if the books do not balance."""
        visible = ~self.later
        read, used, aside = int(visible.sum()), int(self.in_use.sum()), len(self.aside())
        if read != used + aside:
            raise AnalyticsError(
                f"{self.name}: {read} rows read, but {used} used and {aside} set aside do not add up. "
                "This is a fault of the program: report it, with the sheet if you can."
            )
        return {"sheet": self.name, "read": read, "used": used, "set_aside": aside}
