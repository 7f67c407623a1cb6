"""Returns told in sentences, as rows of a sheet of their own for the owner to correct: nothing of it counts before a yes."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

from analytics.start.match import Match
from analytics.start.text import Lexicon, Said, distance_in, understand

_RECOGNISED = ("component", "part", "finding", "replaced_with")
_DISTANCES = ("odometer", "miles_in_service")
_OWN = ("failed_on", "returned_on", "odometer", "miles_in_service", "runs", "order", "cause", "cost", "paid_by")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One return told in a sentence: where it stands, the sentence, what was recognised, and its cells under our headings. distance: the one it tells,
    where no column does, among the cells. others: components it names that the shop has no parts of."""

    where: str
    row: int
    text: str
    said: tuple[Said, ...]
    cells: Mapping[str, str]
    distance: str = ""
    others: tuple[str, ...] = ()


def sentences(pages: Sequence[Match], known: Lexicon, other: Lexicon) -> list[Sentence]:
    """The rows of returns on these ``pages`` that name no component in a column, understood by what is ``known``; none where a
    column does. other: components that are not the shop's."""
    told = filter(lambda m: m.text is not None, pages)
    every = chain.from_iterable(_of_page(m, known, other) for m in told)
    return list(filter(lambda one: one.text or any(one.cells.values()), every))


def _of_page(m: Match, known: Lexicon, other: Lexicon) -> Iterator[Sentence]:
    own = {h: c for h, c in m.columns.items() if h in ("serial", *_OWN)}
    for at, typed in enumerate(m.text.texts if m.text else ()):
        text = " ".join(typed.split())
        cells = {h: c.texts[at].strip() for h, c in own.items()}
        far = {} if any(map(cells.get, _DISTANCES)) else distance_in(text)
        said, others = understand(typed, known), [s.component for s in understand(typed, other)]
        distance = next(iter(far.values()), "")
        yield Sentence(m.page.name, m.page.numbers[at], text, tuple(said), cells | far, distance, tuple(others))


def text_sheet(told: Sequence[Sentence], old: str = "", confirmed: Mapping[tuple[str, int], bool] | None = None) -> str:
    """The sheet of what was told, as CSV. old: the sheet as it stands, whose rows are kept as they are; confirmed: what
    the owner said just now of rows, by their source (no answer: blank)."""
    kept = list(csv.DictReader(io.StringIO(old)))
    there = {row.get("from_row", "") for row in kept}
    new = filter(lambda one: source_of(one) not in there, told)
    rows = kept + list(chain.from_iterable(_rows(one, (confirmed or {}).get((one.where, one.row))) for one in new))
    used = set(chain.from_iterable(one.cells for one in told))
    heads = ["confirmed", "serial", *filter(used.__contains__, _OWN), *_RECOGNISED, "notes", "from_row"]
    made = io.StringIO()
    every = dict.fromkeys([*heads, *chain.from_iterable(kept)])
    every.pop(None, None)  # type: ignore[call-overload]  # what the reader calls cells past the headings
    writer = csv.DictWriter(made, list(every), restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return made.getvalue()


def _rows(one: Sentence, answer: bool | None) -> list[dict[str, str]]:
    """A row for each component recognised; one to fill in where none was."""
    given = {"confirmed": {None: "", True: "yes", False: "no"}[answer], **one.cells, "notes": one.text}
    given["from_row"] = source_of(one)
    return [given | {what: getattr(said, what) for what in _RECOGNISED} for said in one.said or (Said(""),)]


def source_of(one: Sentence) -> str:
    """Where one sentence stands, as the sheet names it."""
    return f"{one.where}, row {one.row}"
