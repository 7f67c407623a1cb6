"""One page to send to somebody who disagrees about where a tier ends; and the tables beside it."""

from __future__ import annotations

import html
from importlib.resources import files
from pathlib import Path

import pandas as pd

from analytics.cutoffs.argument import Argument
from analytics.models.lifedata import class_words
from analytics.ratings.ledger import fingerprint
from analytics.report import cutoff_words as words
from analytics.report.cautions import CAUTIONS
from analytics.report.cutoff_figures import halves_figure
from analytics.report.files import whole_file, write_csv
from analytics.report.show import figure_html


def brief_html(argument: Argument) -> str:
    """The brief as one printable page that needs nothing else."""
    from jinja2 import Environment

    def items(lines) -> str:
        return "".join(f"<li>{html.escape(line)}</li>" for line in lines)

    drawn = halves_figure(argument)
    picture = ""
    if drawn:
        picture = figure_html(
            drawn[0], f"How many {argument.below} lasted, in weaker and in stronger trucks?", drawn[1]
        )
    numbers = "".join(
        f"<tr><td>{html.escape(r.what)}</td><td>{html.escape(r.figure)}</td></tr>"
        for r in words.numbers_table(argument).itertuples()
    )
    template = files("analytics.report").joinpath("template/brief.html.j2").read_text(encoding="utf-8")
    shop, day = argument.records.shop, argument.records.as_of
    return (
        Environment(autoescape=False, keep_trailing_newline=True)
        .from_string(template)
        .render(
            title=html.escape(f"{shop.name}: where {argument.below} ends and {argument.above} begins"),
            basis=html.escape(
                f"{argument.component.capitalize()}. From our records as of {day.day} {day:%B %Y} (data {fingerprint(shop.folder)}). Powers at the crank "
                f"as recorded at the build; a rating means {shop.reliability:.0%} reach {shop.target_miles:,.0f} miles, {shop.confidence:.0%} sure."
            ),
            claim=items(argument.claim),
            picture=picture,
            numbers=numbers,
            changes=items(argument.changes),
            cautions=items(CAUTIONS),
        )
    )


def write_cutoff_files(argument: Argument, out: str | Path) -> list[Path]:
    """brief.html, cutoff.csv (verdicts), cost_curve.csv, sensitivity.csv, overlap.csv. Returns their paths."""
    out = Path(out)
    with whole_file(out / "brief.html") as part:
        part.write_text(brief_html(argument), encoding="utf-8")
    frames = {"cutoff": verdicts(argument), "overlap": argument.comparable.spread}
    if argument.money is not None:
        frames |= {"cost_curve": argument.money.curve, "sensitivity": argument.money.sensitivity}
    for name, frame in frames.items():
        write_csv(frame, out / f"{name}.csv")
    return [out / "brief.html", *(out / f"{name}.csv" for name in frames)]


def verdicts(argument: Argument) -> pd.DataFrame:
    """Every verdict with its figures, one row each: question, verdict, estimate, low, high, p_value, in_words."""
    rows = []
    for axis in ("step", "weight", "load"):
        s = getattr(argument, axis)
        rows.append((f"step in {s.axis}", s.verdict, s.cut, s.place_low, s.place_high, s.p_value, " ".join(s.why)))
    m = argument.money
    if m is None:
        rows.append(("boundary by money", "no figure", *[float("nan")] * 4, argument.refused["money"]))
    else:
        rows.append(("boundary by money", m.edge or "found", m.cut_hp, m.low, m.high, float("nan"), " ".join(m.words)))
    for r in argument.safety.itertuples():
        rows.append(
            (
                f"boundary by safety, {class_words(r.weight_up_to)}",
                r.verdict,
                r.proposed_hp,
                *[float("nan")] * 3,
                r.reason,
            )
        )
    a = argument.against
    rows.append(
        (
            "life of the one above over that below",
            a.verdict,
            a.life_ratio,
            a.life_lower,
            a.life_upper,
            float("nan"),
            " ".join(a.words),
        )
    )
    if argument.middle is not None:
        t = argument.middle
        rows.append(
            (
                f"middle tier {t.middle}, saves a year",
                t.verdict,
                t.saves,
                t.low,
                t.high,
                float("nan"),
                " ".join(t.words),
            )
        )
    return pd.DataFrame(rows, columns=["question", "verdict", "estimate", "low", "high", "p_value", "in_words"])
