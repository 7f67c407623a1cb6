"""One page to send to somebody who disagrees about where a tier ends; and the tables beside it."""

from __future__ import annotations

import html
from importlib.resources import files
from pathlib import Path

import pandas as pd

from analytics.cutoffs.argument import Argument
from analytics.errors import AnalyticsError
from analytics.ratings.ledger import fingerprint
from analytics.report.cutoff_figures import halves_figure
from analytics.report.files import whole_file, write_csv
from analytics.report.show import figure_html
from analytics.report.tables import unbroken
from analytics.words.cautions import CAUTIONS
from analytics.words.cutoffs import argument as words
from analytics.words.cutoffs.money import sensitivity_frame
from analytics.words.cutoffs.parts import spread_frame


def brief_html(argument: Argument) -> str:
    """The brief as one printable page that needs nothing else. argument: what one boundary rests on."""
    from jinja2 import Environment

    def items(lines) -> str:
        return "".join(f"<li>{unbroken(line)}</li>" for line in lines)

    drawn = halves_figure(argument)
    numbers = "".join(
        f"<tr><td>{html.escape(r.what)}</td><td>{html.escape(r.figure)}</td></tr>"
        for r in words.numbers_table(argument).itertuples()
    )
    template = files("analytics.report").joinpath("template/brief.html.j2").read_text(encoding="utf-8")
    return (
        Environment(autoescape=False, keep_trailing_newline=True)
        .from_string(template)
        .render(
            title=html.escape(words.title(argument)),
            basis=html.escape(words.basis(argument, fingerprint(argument.records.shop))),
            claim=items(words.claim(argument)),
            picture=figure_html(drawn[0], words.halves_question(argument), drawn[1]) if drawn else "",
            numbers=numbers,
            changes=items(words.changes(argument)),
            cautions=items(CAUTIONS),
        )
    )


def write_cutoff_files(argument: Argument, out: str | Path) -> list[Path]:
    """brief.html, cutoff.csv (verdicts), cost_curve.csv, sensitivity.csv, overlap.csv. Returns their paths.
    argument: what one boundary rests on; out: the folder to write into."""
    out = Path(out)
    with whole_file(out / "brief.html") as part:
        part.write_text(brief_html(argument), encoding="utf-8")
    frames = {"cutoff": words.verdicts_table(argument), "overlap": spread_frame(argument.comparable)}
    if argument.money is not None:
        frames |= {"cost_curve": argument.money.curve, "sensitivity": sensitivity_frame(argument.money)}
    for name, frame in frames.items():
        write_csv(frame, out / f"{name}.csv")
    return [out / "brief.html", *(out / f"{name}.csv" for name in frames)]


def read_cutoff_study(folder: str | Path, study: str = "cutoff") -> pd.DataFrame:
    """The table of the study of the verdicts, or of "power_ratio"; raises AnalyticsError where there is none.
    folder: of the tables of the evidence."""
    path = Path(folder) / f"{study}.csv"
    if not path.is_file():
        made = {"cutoff": "cutoffs", "power_ratio": "power-ratio"}[study]
        raise AnalyticsError(
            f"no {path.name} in {Path(folder).name}: make it with python -m studies {made} in a checkout."
        )
    return pd.read_csv(path)
