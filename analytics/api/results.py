"""What the questions of the door give back: frozen results, each with a table, a picture of itself, and what it rests on."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType
from typing import TYPE_CHECKING, Any

from analytics.api.own_units import said_in
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.words import door

if TYPE_CHECKING:
    import pandas as pd
    from ipywidgets import Widget
    from matplotlib.figure import Figure

    from analytics.advice.answer import Advice
    from analytics.cutoffs.argument import Argument
    from analytics.lifetimes.table import Lifetimes
    from analytics.models.cells import Clock
    from analytics.ratings.follow_up import FollowUp
    from analytics.ratings.load_review import LoadReview
    from analytics.ratings.sheet import Ratings
    from analytics.records.load import Records
    from analytics.records.shop import Units
    from analytics.review.answer import Answer
    from analytics.review.fleet_view import FleetView
    from analytics.review.forecast import Forecast
    from analytics.review.one_sheet import Sheet
    from analytics.review.outlook import Outlook
    from analytics.review.quarterly import Review
    from analytics.words.answers import Wording

#: rows of a table that a notebook shows; ``.table`` holds all
ROWS_SHOWN = 20


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class Picture:
    """A figure under the question it answers. figure: of matplotlib; answer: its caption, in words, the finding on a line of its own."""

    figure: Figure
    question: str
    answer: str

    def __repr__(self) -> str:
        return f"Picture({self.question!r})"

    def _repr_html_(self) -> str:
        from analytics.report.show import figure_html

        return figure_html(self.figure, self.question, self.answer)

    def save(self, path: str | Path) -> Path:
        """Write the figure as a file; its ending (.png, .svg, .pdf) says of what kind. Returns the path. Raises
        AnalyticsError where it cannot be written."""
        from analytics.whole import whole_file

        path = Path(path)
        with whole_file(path) as part:
            self.figure.savefig(part, format=path.suffix.lstrip(".") or "png", dpi=150)
        return path


def _drawn(drawn: tuple[Figure, str] | None, question: str, why_not: str) -> Picture:
    if drawn is None:
        raise NotEnoughData(f"{why_not}: there is nothing to draw.")
    return Picture(drawn[0], question, drawn[1])


def _units(result: Shown) -> Units:
    from analytics.records.shop import Units

    records = result._records()
    return Units() if records is None else records.shop.units


_in_its_units = said_in(_units)


class Shown:
    """A result that shows itself, in the units of its own shop: its title and table in a notebook, one line elsewhere.

    title: whose figures, as of when. caption: what a row of the table is. summary: the result in a few words.
    """

    __slots__ = ()

    table: pd.DataFrame

    def __init_subclass__(cls) -> None:
        """Whatever of it speaks does so in its units."""
        super().__init_subclass__()
        for name, says in list(vars(cls).items()):
            if name.startswith("_") and name not in ("__str__", "_repr_html_"):
                continue
            if isinstance(says, property) and says.fget is not None:
                setattr(cls, name, says.getter(_in_its_units(says.fget)))
            elif isinstance(says, FunctionType):
                setattr(cls, name, _in_its_units(says))

    def _records(self) -> Any:
        """The records it was made of, from its fields alone; None where that is no shop's."""
        return self.records  # type: ignore[attr-defined]

    @property
    def title(self) -> str:
        """Whose figures these are, and as of when."""
        return door.whose(self._records())

    @property
    def caption(self) -> str:
        """What one row of the table is."""
        return door.CAPTIONS[type(self).__name__]

    @property
    def summary(self) -> str:
        """The result in a few words."""
        return door.rows(len(self.table))

    def shown(self) -> pd.DataFrame:
        """The table a notebook shows."""
        return self.table

    @_in_its_units
    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.title}: {self.summary})"

    @_in_its_units
    def _repr_html_(self) -> str:
        from analytics.report.tables import IN_NOTEBOOK, html_table

        frame = self.shown()
        more = f"<p>{door.more_rows(len(frame) - ROWS_SHOWN)}</p>" if len(frame) > ROWS_SHOWN else ""
        title = html.escape(f"{self.title}: {self.summary}")
        return f'<div class="answer">{IN_NOTEBOOK}<p>{title}</p>{html_table(frame.head(ROWS_SHOWN), self.caption)}{more}</div>'


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class CheckResult(Shown):
    """The books of a shop's records. ``print`` it for all of it in words.

    table: per sheet the rows read, used and set aside. set_aside: rows not used; to_check: cells used on an assumption or
    left unread; both with file, sheet, row, column, raw (the cell as typed), reason, remedy. records, lifetimes: what was read.
    """

    records: Records
    lifetimes: Lifetimes
    table: pd.DataFrame
    set_aside: pd.DataFrame
    to_check: pd.DataFrame

    @property
    def summary(self) -> str:
        return door.books(int(self.table["read"].sum()), len(self.set_aside), len(self.to_check))

    def __str__(self) -> str:
        from analytics.words.listing import check_listing

        return check_listing(self.records, self.lifetimes)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class AnswerResult(Shown):
    """One question of the owner and its answer. table: the figures behind it, unrounded. said: as the
    review has it, in codes and numbers. records: what was read."""

    records: Records
    said: Answer

    @property
    def table(self) -> pd.DataFrame:  # type: ignore[override]
        return self.words.table

    @property
    def words(self) -> Wording:
        """The answer in words: question, sentences, method (how it is worked out, and the source), notes."""
        from analytics.words.answers import worded

        return worded(self.said)

    @property
    def title(self) -> str:
        return f"{door.whose(self.records)}, {self.words.question}"

    @property
    def caption(self) -> str:
        return self.words.question

    @property
    def summary(self) -> str:
        sentences = self.words.sentences
        return sentences[0] if sentences else "no answer"

    def __str__(self) -> str:
        return "\n".join(self.words.sentences)

    def _repr_html_(self) -> str:
        from analytics.report.show import answer_html

        return f'<div class="answer"><p>{html.escape(self.caption)}</p>{answer_html(self.said, rows=ROWS_SHOWN)}</div>'

    def show(self, rows: int = ROWS_SHOWN) -> None:
        """Show it in a notebook, with so many rows of the table."""
        from analytics.report.show import show

        show(self.said, rows=rows)

    def save(self, path: str | Path) -> Path:
        """Write the table as CSV. Returns the path."""
        from analytics.report.files import write_csv

        write_csv(self.table, Path(path))
        return Path(path)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class SurvivalResult(Shown):
    """Kaplan-Meier curves of a component, one per group, from the lifetimes of the records.

    table: by the columns of ``by``, time (days, miles or runs on the part), at_risk, failed, censored, survival, lower,
    upper (pointwise 95%); a curve stops where too few are followed. groups: one row per group: parts, failures, left_out
    (parts of unknown age on this clock) and left_out_failed, followed_to (where its curve stops; NaN: no curve), and
    survival, lower, upper there.
    """

    records: Records
    lifetimes: Lifetimes
    component: str
    by: tuple[str, ...]
    clock: Clock
    table: pd.DataFrame
    groups: pd.DataFrame

    @property
    def title(self) -> str:
        return f"{door.whose(self.records)}, {self.component}"

    @property
    def caption(self) -> str:
        return door.survival_caption(self.clock, self.by)

    @property
    def summary(self) -> str:
        return door.failed(int(self.groups["failures"].sum()), int(self.groups["parts"].sum()))

    def shown(self) -> pd.DataFrame:
        return self.groups

    def plot(self) -> Picture:
        """The curves, a line per value of the first column of ``by`` and a panel per value of the others, with the numbers
        at risk. Raises NotEnoughData where no group is followed long enough."""
        from analytics.report.figures import curves_figure
        from analytics.review.curves import curves_of

        own = self.lifetimes.table[self.lifetimes.table["component"] == self.component]
        cells = {}
        for values, rows in grouped(own, self.by):
            names = [_named(column, value) for column, value in zip(self.by, values, strict=True)]
            cells[", ".join(names[1:]) or "all trucks", names[0] if names else self.component] = rows
        least = self.records.shop.checks.at_risk_to_show
        found = curves_of(self.component, own, cells, self.clock, least)
        if not found.drawn:
            raise NotEnoughData(f"no group of {self.component} has {least} parts followed together: there is no curve.")
        figure, answer = curves_figure(found)
        return Picture(figure, door.survival_question(self.clock), answer)


def _named(column: str, value: str) -> str:
    from analytics.words.units import class_named, power_band

    said = {"power_band": power_band, "weight_class": class_named}.get(column, str)
    return said(value) if value else f"{column} not recorded"


def grouped(rows: pd.DataFrame, by: tuple[str, ...]) -> list[tuple[tuple[str, ...], pd.DataFrame]]:
    """Groups of ``rows`` by the columns ``by`` that have any, in the order of their bands and classes, else of the alphabet."""
    if not by:
        return [((), rows)]
    return [(tuple(map(str, key)), own) for key, own in rows.groupby(list(by), observed=True, sort=True)]


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class RatingResult(Shown):
    """The power at which parts may be published. table: the columns of ratings.csv, unrounded. left_out: parts that could
    not be rated, with the reason. ratings: what every bound rests on; follow_up: what is asked of them once they stand."""

    follow_up: FollowUp
    table: pd.DataFrame
    left_out: tuple[str, ...]

    def _records(self) -> Records:
        return self.follow_up.ratings.records

    @property
    def ratings(self) -> Ratings:
        """The sheet of ratings, each with what it rests on."""
        return self.follow_up.ratings

    @property
    def title(self) -> str:
        return f"{door.whose(self.ratings.records)}, {door.promised(self.ratings.options.promise)}"

    @property
    def summary(self) -> str:
        counts = self.table["verdict"].value_counts()
        told = ", ".join(
            f"{n} {v}" for v in ("raise", "keep", "lower", "not shown either way") if (n := int(counts.get(v, 0)))
        )
        return told or "nothing could be rated"

    def plot(self) -> Picture:
        """One part: reliability against power with the bound; several: what is supported beside what is published. Raises
        NotEnoughData where there is nothing to draw."""
        from analytics.report.rating_figures import rating_figure, sheet_figure
        from analytics.words.ratings.pictures import SHEET_QUESTION, last_question

        if len(self.ratings.parts) == 1:
            (part,), (curve,) = self.ratings.parts, self.follow_up.curves.values()
            drawn = rating_figure(self.ratings, part, part.bounds[0], curve)
            return _drawn(drawn, last_question(part.part), door.NOT_DRAWN["part"].format(part=part.part))
        return _drawn(sheet_figure(self.ratings), SHEET_QUESTION, door.NOT_DRAWN["rating"])

    def show(self, *sections: str) -> None:
        """Show sections of the page of ratings in a notebook (names: report.ratings_page.SECTIONS)."""
        from analytics.report.ratings_page import SECTIONS

        _show(SECTIONS, self.follow_up, sections)

    def above_supported(self) -> AnswerResult:
        """The trucks that run above what the records support (customers' data: keep in the shop)."""
        from analytics.review.calls import above_limit
        from analytics.review.snapshot import snapshot_of

        records, lifetimes = self.ratings.records, self.ratings.lifetimes
        return AnswerResult(records, above_limit(records, snapshot_of(records, lifetimes), self.ratings.table))

    def explore(self) -> Widget:
        """Sliders, in JupyterLab: move a limit, and see at once the share that comes back and what it would bring."""
        from analytics.api.explorer import explorer

        return explorer(self.ratings)

    def save(self, folder: str | Path) -> list[Path]:
        """Write ratings.csv, ratings.xlsx and customer_sheet.html. Returns their paths."""
        from analytics.report.rating_files import write_rating_files

        return write_rating_files(self.ratings, folder)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class ReviewResult(Shown):
    """The quarterly review. table: question, answer, one row per sentence. answers: name -> AnswerResult. sheet: the quarter on one sheet. review,
    outlook, fleet: the three parts of the page they come from."""

    review: Review
    outlook: Outlook
    fleet: FleetView
    sheet: Sheet
    table: pd.DataFrame
    answers: Mapping[str, AnswerResult]

    def _records(self) -> Records:
        return self.review.records

    @property
    def title(self) -> str:
        return f"{door.whose(self.review.records)}, {self.review.span.name}"

    @property
    def summary(self) -> str:
        return f"{self.table['question'].nunique()} questions answered"

    def plot(self) -> Picture:
        """Components come back, quarter by quarter. Raises NotEnoughData where nothing came back or there is one quarter."""
        from analytics.report.figures import quarters_figure
        from analytics.words.review.questions import QUARTERS

        return _drawn(quarters_figure(self.review), QUARTERS, door.NOT_DRAWN["review"])

    def show(self, *sections: str) -> None:
        """Show sections of the page of the review in a notebook (names: report.review_page.SECTIONS)."""
        from analytics.report.review_page import SECTIONS

        _show(SECTIONS, self, sections)

    def save(self, folder: str | Path) -> list[Path]:
        """Write sheet.html, the tables as CSV and review.xlsx. Returns their paths."""
        from analytics.report.files import write_review_files
        from analytics.report.one_sheet import write_sheet

        written = write_review_files(self.review, folder, self.outlook, self.fleet, self.sheet)
        return [write_sheet(self.sheet, Path(folder) / "sheet.html", "review.html"), *written]


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class ForecastResult(Shown):
    """What comes back next, of the units now running. table: per span (quarter: 91 days, year: 365 days) and component
    ("" the whole shop) the units, expected number, and the lower and upper end of the 90% interval. stock: what to keep
    per part. money: cost per span, on the stated and the recorded cost of a comeback. units: each unit's own chance,
    likeliest first (customers' data: keep in the shop). forecast: all of it, per part. records: what was read."""

    records: Records
    table: pd.DataFrame
    stock: pd.DataFrame
    money: pd.DataFrame
    units: pd.DataFrame
    forecast: Forecast

    @property
    def summary(self) -> str:
        whole = self.table[self.table["component"] == ""]
        return door.next_up(whole.itertuples())

    def shown(self) -> pd.DataFrame:
        return self.table.replace({"component": {"": "all"}})


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class CutoffResult(Shown):
    """Where one part should end and the next begin. table: every verdict with its figures (question, verdict, estimate, low,
    high, p_value, in_words). claim: the sentences to defend. argument: all it rests on."""

    argument: Argument
    table: pd.DataFrame
    claim: tuple[str, ...]

    def _records(self) -> Records:
        return self.argument.records

    @property
    def title(self) -> str:
        a = self.argument
        return f"{door.whose(a.records)}, {a.component}: {a.below} to {a.above}"

    @property
    def caption(self) -> str:
        return f"Where {self.argument.below} ends and {self.argument.above} begins"

    @property
    def summary(self) -> str:
        from analytics.words.cutoffs.parts import VERDICTS

        return f"{self.argument.step.verdict}; {VERDICTS[self.argument.against.verdict]}"

    def plot(self) -> Picture:
        """How many of the lower part lasted, in weaker and in stronger trucks. Raises NotEnoughData where too few are
        followed on a side."""
        from analytics.report.cutoff_figures import halves_figure
        from analytics.words.cutoffs.argument import halves_question

        return _drawn(
            halves_figure(self.argument),
            halves_question(self.argument),
            door.NOT_DRAWN["cutoff"].format(part=self.argument.below),
        )

    def show(self, *sections: str) -> None:
        """Show sections of the page of a boundary in a notebook (names: report.cutoff_page.SECTIONS)."""
        from analytics.report.cutoff_page import SECTIONS

        _show(SECTIONS, self.argument, sections)

    def save(self, folder: str | Path) -> list[Path]:
        """Write brief.html, cutoff.csv, overlap.csv and, where there are costs, cost_curve.csv and sensitivity.csv. Returns
        their paths."""
        from analytics.report.brief import write_cutoff_files

        return write_cutoff_files(self.argument, folder)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class LoadResult(Shown):
    """The load behind the horsepower. table: one row per life, the columns of loads.csv (torque and its low and high end,
    margins, what was assumed). ratings: on options.strength, with the power each comes to. suspects: failures that may have
    another cause than the part's strength (customers' data: keep in the shop). load: all it rests on."""

    load: LoadReview
    table: pd.DataFrame
    ratings: pd.DataFrame
    suspects: pd.DataFrame

    def _records(self) -> Records:
        return self.load.records

    @property
    def title(self) -> str:
        return f"{door.whose(self.load.records)}, rated on {self.load.options.strength}"

    @property
    def summary(self) -> str:
        return door.loads(len(self.load.parts), self.load.suspects.failures)

    def shown(self) -> pd.DataFrame:
        return self.ratings

    def plot(self, component: str, part: str) -> Picture:
        """Load by gear, margin by power, life by load, and rating of one part. Raises AnalyticsError where the part has none."""
        from analytics.report.load_figures import part_figure
        from analytics.words.load import part_question

        if (component, part) not in self.load.parts:
            have = ", ".join(f"{c} {p}" for c, p in self.load.parts) or "none"
            raise AnalyticsError(f"no load of {component} {part} is known. Known: {have}.")
        return _drawn(
            part_figure(self.load, component, part), part_question(part), door.NOT_DRAWN["load"].format(part=part)
        )

    def show(self, *sections: str) -> None:
        """Show sections of the page of loads in a notebook (names: report.load_page.SECTIONS)."""
        from analytics.report.load_page import SECTIONS

        _show(SECTIONS, self.load, sections)

    def save(self, folder: str | Path) -> list[Path]:
        """Write loads.csv, load_ratings.csv, suspects.csv and load.xlsx. Returns their paths."""
        from analytics.report.load_files import write_load_files

        return write_load_files(self.load, folder)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class AdviceResult(Shown):
    """What one truck should be built with. table: one row per part of every component: advised or not, shares that fail by the life asked
    (fails, with the ends fails_low and fails_high), price, units and failures on record, published limit, driveline margin, what a dearer
    part spares in a hundred and what one spared costs. ``print`` it for the answer as it is read out. advice: all it rests on."""

    advice: Advice
    table: pd.DataFrame

    def _records(self) -> Records:
        return self.advice.records

    @property
    def title(self) -> str:
        from analytics.words.advice import title

        return title(self.advice)

    @property
    def summary(self) -> str:
        from analytics.words.advice import summary

        return summary(self.advice)

    def __str__(self) -> str:
        from analytics.words.advice import spoken

        return "\n".join(spoken(self.advice))

    def _repr_html_(self) -> str:
        from analytics.report.advice_page import advice_html
        from analytics.report.tables import IN_NOTEBOOK

        return IN_NOTEBOOK + advice_html(self.advice)

    def save(self, path: str | Path) -> Path:
        """Write half a page to print or send. Returns the path. Raises AnalyticsError where it cannot be written."""
        from analytics.report.advice_page import write_advice

        return write_advice(self.advice, path)

    def keep(self, serial: str) -> Path:
        """Add the parts advised to advised.csv in the shop's folder, for the unit ``serial``; the review holds them against what came. Returns the
        path. Raises AnalyticsError without a serial, without a part advised, or where it cannot be written."""
        from analytics.advice.batch import lines_of
        from analytics.ratings.grown import ADVISED

        return ADVISED.add(self.advice.records.shop.folder, lines_of(self.advice, serial))


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class MeasuredResult(Shown):
    """What was measured about the methods on simulated fleets with a known truth, and beside outside answers. table: one row
    per setting of the study of ratings: how often the bound held (covered) and its standard error (se), and more. folder:
    where the tables of all studies lie."""

    folder: Path
    table: pd.DataFrame

    def _records(self) -> None:
        return None

    @property
    def title(self) -> str:
        from analytics.words.evidence import TITLE

        return TITLE

    @property
    def summary(self) -> str:
        return door.fleets(int(self.table["fleets"].sum()), len(self.table))

    def shown(self) -> pd.DataFrame:
        from analytics.words.evidence import coverage_table

        return coverage_table(self.table)

    def plot(self) -> Picture:
        """How often the bound held, setting by setting."""
        from analytics.report.evidence_figures import coverage_figure
        from analytics.words.evidence import COVERAGE

        figure, answer = coverage_figure(self.table)
        return Picture(figure, COVERAGE, answer)

    def show(self, *sections: str) -> None:
        """Show sections of the page of evidence in a notebook (names: report.evidence_page.SECTIONS)."""
        from analytics.report.evidence_page import SECTIONS

        _show(SECTIONS, self.folder, sections)


def _show(sections: Mapping, result: object, names: tuple[str, ...]) -> None:
    for name in names or sections:
        if name not in sections:
            raise AnalyticsError(f"there is no section {name!r}. There are: {', '.join(sections)}.")
        sections[name](result)
