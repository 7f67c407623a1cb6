"""The start: look through a folder, ask what can be asked, write shop.toml and the sheet of sentences, and say what is next."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from itertools import chain
from pathlib import Path

from analytics.errors import AnalyticsError, RecordsError
from analytics.records.files import TEXT_FILE
from analytics.records.load import Records, load_records
from analytics.records.names import Alike
from analytics.start.propose import Proposal, propose
from analytics.start.sentences import source_of, text_sheet
from analytics.whole import whole_file
from analytics.words.start import asks_same, asks_sentence, found_listing, next_step, toml_text

#: a question to an answer: yes, no, or all (yes to this and the rest of its kind)
Answers = Callable[[str], str]


def start(folder: Path, answers: Answers | None = None, command: str = "python -m analytics") -> str:
    """Propose the settings of a folder, write them beside its sheets, and return what was found and what to type next.

    command: how the program is called. answers: asked with each question; None where nobody is at the keyboard, so that the guesses stand, marked. Raises AnalyticsError.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordsError(f"{folder}: there is no such folder. Name the folder that holds your sheets.")
    asked = _Asked(answers)
    path, sheet = folder / "shop.toml", folder / TEXT_FILE
    old, told = _as_it_stands(path)
    words = _table(_table(told, "words"), "component")
    known = chain.from_iterable(filter(lambda others: isinstance(others, list), words.values()))
    proposal = propose(folder, asked.same if answers else None, _table(told, "components"), tuple(map(str, known)))
    text = toml_text(proposal, old, told)
    if text != old:
        _write(path, text)
    if proposal.sentences:
        before = sheet.read_text(encoding="utf-8-sig") if sheet.is_file() else ""
        after = text_sheet(proposal.sentences, before, asked.sentences(proposal, before))
        if after != before:
            _write(sheet, after)
    records, trouble = _read(folder)
    return f"{found_listing(proposal)}\n\n{next_step(proposal, records, trouble, command)}"


def _as_it_stands(path: Path) -> tuple[str | None, dict[str, object]]:
    """shop.toml as text, None where there is none, and what it sets. Raises RecordsError where it is not TOML."""
    if not path.is_file():
        return None, {}
    try:
        old = path.read_text(encoding="utf-8-sig")
        return old, tomllib.loads(old)
    except (ValueError, RecursionError) as err:
        raise RecordsError(
            f"shop.toml cannot be read: {err}. Correct it, or move it away to have a new one proposed."
        ) from err


def _table(told: dict, name: str) -> dict:
    """A section of shop.toml; empty where there is none, or it is no section: reading says so."""
    return section if isinstance(section := told.get(name), dict) else {}


class _Asked:
    """Questions put to a person, until that says all."""

    def __init__(self, answers: Answers | None) -> None:
        self.answers = answers
        self.rest: set[str] = set()

    def _yes(self, kind: str, question: str) -> bool:
        if self.answers is None or kind in self.rest:
            return True
        answer = self.answers(question)
        if answer == "all":
            self.rest.add(kind)
        return answer != "no"

    def same(self, component: str, group: Alike) -> bool:
        return self._yes("names", asks_same(component, group))

    def sentences(self, proposal: Proposal, before: str) -> dict[tuple[str, int], bool]:
        """The sentences recognised and not yet in the sheet to which a person says yes; what was misread still waits, for what broke is to be told."""
        if self.answers is None:
            return {}
        new = [s for s in proposal.sentences if s.said and source_of(s) not in before]
        return {(s.where, s.row): True for s in new if self._yes("sentences", asks_sentence(s))}


def _write(path: Path, text: str) -> None:
    with whole_file(path) as part:
        part.write_text(text, encoding="utf-8")


def _read(folder: Path) -> tuple[Records | None, AnalyticsError | None]:
    try:
        return load_records(folder), None
    except AnalyticsError as err:
        return None, err
