"""The page of what was measured about the methods, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from analytics.report import evidence_figures as figures
from analytics.report.brief import read_cutoff_study
from analytics.report.show import show_figure, show_heading, show_table, show_words
from analytics.words import evidence as words
from analytics.words import promised
from analytics.words.cutoffs.study import power_ratio_words, study_table, study_words


def opening(folder: Path) -> None:
    """What was simulated. folder: of the tables of the evidence."""
    show_heading(words.TITLE, *words.opening(words.read_study(folder)))


def promises(folder: Path) -> None:
    """What was promised, and what was measured. folder: of the tables of the evidence."""
    table = promised.promised(folder)
    show_words(*promised.summary(table))
    for about, own in promised.as_shown(table):
        show_words(about, level=3)
        show_table(own)


def coverage(folder: Path) -> None:
    """Where the model holds, and where the world departs from it. folder: of the tables of the evidence."""
    study = words.read_study(folder)
    figure, answer = figures.coverage_figure(study)
    show_figure(figure, words.COVERAGE, answer)
    show_words(*words.findings(study))
    show_table(words.coverage_table(study), folded="Setting by setting", rows=200)


def habits(folder: Path) -> None:
    """What habit would have published. folder: of the tables of the evidence."""
    show_words(*words.habits(words.read_study(folder)))


def forecasts(folder: Path) -> None:
    """Whether the forecasts are right. folder: of the tables of the evidence."""
    table, told = words.at_the_door(folder)
    show_words(*words.forecast(folder), *told)
    show_table(words.forecast_table(folder), folded="Forecast by forecast")
    show_table(table, folded="Kind by kind")


def watch(folder: Path) -> None:
    """Whether the quarterly watch cries wolf, and the shop's forecasts hold. folder: of the tables of the evidence."""
    show_words(*words.watched(folder))


def guarantees(folder: Path) -> None:
    """Whether a guarantee would cost what it is said to. folder: of the tables of the evidence."""
    show_words(*words.guaranteed(folder))


def outside(folder: Path) -> None:
    """Whether others get the same numbers. folder: of the tables of the evidence."""
    found = words.read_outside(folder)
    show_words(*words.outside_opening(found))
    figure, answer = figures.outside_figure(found)
    show_figure(figure, words.OUTSIDE, answer)
    show_table(words.outside_cases(found), folded="Problem by problem")
    show_table(words.outside_checks(found), rows=2000, folded=words.CHECKS)


def not_answered(folder: Path) -> None:
    """Which outside values are not answered, and why. folder: of the tables of the evidence."""
    show_table(words.not_ours(words.read_outside(folder)))


def steps(folder: Path) -> None:
    """Whether the verdicts on a step are right. folder: of the tables of the evidence."""
    verdicts = read_cutoff_study(folder)
    show_words(*study_words(verdicts), *power_ratio_words(read_cutoff_study(folder, "power_ratio")))
    show_table(study_table(verdicts), folded="Every setting")


def _told(of: Callable[[Path], tuple[pd.DataFrame, tuple[str, ...]]], folded: str) -> Callable[[Path], None]:
    """A section that says what a study found, with its table one click below under the name ``folded``."""

    def section(folder: Path) -> None:
        table, told = of(folder)
        show_words(*told)
        show_table(table, folded=folded)

    return section


SECTIONS: dict[str, Callable[[Path], None]] = {
    "opening": opening,
    "promises": promises,
    "coverage": coverage,
    "habits": habits,
    "shops": _told(words.shops, "Part by part"),
    "worth": _told(words.worth, "Owner by owner"),
    "advice": _told(words.advised, "Measure by measure"),
    "load": _told(words.loaded, "Rule by rule"),
    "forecasts": forecasts,
    "watch": watch,
    "guarantees": guarantees,
    "outside": outside,
    "not_answered": not_answered,
    "steps": steps,
    "speed": _told(words.speed, "Work by work"),
}
