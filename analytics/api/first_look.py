"""The first look at a folder of sheets: what it holds, and the settings proposed of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.api.results import Shown

if TYPE_CHECKING:
    import pandas as pd

    from analytics.start.propose import Proposal


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class FirstLook(Shown):
    """What a folder holds and the settings proposed of it; nothing is written before `write`. folder: with the sheets. proposal: sheets,
    components, parts and words found. table: one row per proposed line of shop.toml: section, key, value, why, and whether it is a guess.
    """

    folder: Path
    proposal: Proposal
    table: pd.DataFrame

    def _records(self) -> None:
        return None

    @property
    def title(self) -> str:
        return f"{self.folder.name}: a first look"

    @property
    def summary(self) -> str:
        return f"{len(self.proposal.matches)} sheets, {len(self.proposal.components)} components, {int(self.table['guess'].sum())} guesses"

    def found(self) -> str:
        """Sheets, headings, components, parts, words and sentences found, as text."""
        from analytics.words.start import found_listing

        return found_listing(self.proposal)

    def write(self) -> str:
        """Write shop.toml, and the sheet of sentences where there are any, keeping every line that stands there. Returns what was
        found and what is next, as text. Raises AnalyticsError where a file cannot be read or written."""
        from analytics.report.start import start

        return start(self.folder)

    def pickers(self) -> None:
        """Boxes to tick, in JupyterLab, for names that may be one part and sentences that were understood; and a button that writes."""
        from analytics.report.pickers import show_pickers

        show_pickers(self.proposal)


def first_look(folder: str | Path) -> FirstLook:
    """Look through a folder of sheets that has no settings yet, or not all. Nothing is written.

    folder: with the sheets, as they are kept: workbooks, CSV, SQLite, parquet.

    Raises RecordsError where there is no such folder.

    >>> look = analytics.first_look("data/demo")
    >>> look
    FirstLook(demo: a first look: 9 sheets, 5 components, ... guesses)
    >>> look.table.loc[look.table["section"] == "components", ["key", "value"]]
                key       value
    2   input shaft       Input
    3     converter   Converter
    4   clutch pack    Clutches
    5    valve body  Valve body
    6  output shaft      Output
    """
    import pandas as pd

    from analytics.errors import RecordsError
    from analytics.start.propose import propose
    from analytics.words.saying import say

    folder = Path(folder)
    if not folder.is_dir():
        raise RecordsError(f"{folder}: there is no such folder. Name the folder that holds your sheets.")
    proposal = propose(folder)
    lines = [(s.section, s.key, str(s.value), say(s.why) if s.why else "", not s.sure) for s in proposal.settings]
    return FirstLook(folder, proposal, pd.DataFrame(lines, columns=["section", "key", "value", "why", "guess"]))
