"""Every CSV file that a command writes, and what holds its figures.

``plain``: the function of the plain reckoning that reckons it, drawn shop by drawn shop. ``but``: the columns that come of a model or an
interval and are held elsewhere, with where; "" where every column is plain.
"""

from __future__ import annotations

from typing import NamedTuple


class Held(NamedTuple):
    plain: str
    but: str = ""


FITS = "tests/ratings/test_second_computation.py, tests/models, the studies in data/evidence"
#: name of the file -> what holds it
FILES = {
    # check and review: the records
    "lifetimes": Held("reckoning.lifetimes"),
    "counts": Held("figures.counts"),
    "set_aside": Held("figures.set_aside", "what people type otherwise: tests/records, tests/hostile"),
    "to_check": Held(
        "", "doubts about cells as typed, of which drawn shops have none: tests/records/test_doubts.py, tests/hostile"
    ),
    # review: the quarter
    "survival": Held("beside.steps", "limits of curves by finding: tests/models/test_nonparametric.py"),
    "findings": Held("figures.finding_shares", "limits: tests/models/test_nonparametric.py"),
    "drags_others": Held("figures.drags_others", "limits: tests/review/test_drags.py"),
    "by_build_year": Held("figures.by_build_year"),
    "rebuilt": Held("figures.rebuilt", "limits: tests/review/test_repeats.py"),
    "months_in_service": Held("figures.months_in_service"),
    "above_limit": Held("figures.above_limit", f"chances: {FITS}"),
    "random_calls": Held("figures.random_calls", "their order: tests/review/test_calls.py"),
    "ask_for": Held("beside.ask_for", "drop: tests/ratings/test_unknowns.py"),
    "renew_at_rebuild": Held("beside.renew", "from how many miles: tests/review/test_renew.py"),
    "how_sure": Held("ahead.how_sure", "powers read otherwise: tests/review/test_how_sure.py"),
    "guarantee": Held("ahead.guarantee", "what is expected: tests/review/test_guarantee.py"),
    "watch": Held("ahead.life_tests", "what is expected, and how surprising: tests/review/test_watch.py"),
    "forecast": Held("ahead.forecast", "what is expected: tests/review/test_outlook.py"),
    "unit_chances": Held("ahead.unit_chances", f"chances: {FITS}"),
    "kept_word": Held("ahead.kept_word", "what was expected: tests/review/test_outlook.py"),
    "calls": Held("beside.above", "chances and losses: tests/review/test_several_alike.py"),
    "limits": Held("beside.published", f"what is supported, and the verdict: {FITS}, tests/ratings/test_verdict.py"),
    "said": Held("", "what the forecast, the watch and limits.csv say, as they say it: tests/review/test_said.py"),
    # ratings
    "ratings": Held("ahead.rated", f"powers: {FITS}"),
    "above_supported": Held("beside.above", f"chances: {FITS}"),
    # load
    "loads": Held("reckoning.lifetimes", "loads: tests/driveline, against published examples"),
    "load_ratings": Held("", f"of models alone: tests/ratings/test_by_load.py, {FITS}"),
    "suspects": Held("", "rules of the driveline: tests/driveline"),
    # cutoff
    "overlap": Held("beside.overlap"),
    "cutoff": Held("", "of models alone: tests/cutoffs, the studies in data/evidence"),
    "cost_curve": Held("", "of models alone: tests/cutoffs/test_parts.py, where every cut is summed by hand"),
    "sensitivity": Held("", "of models alone: tests/cutoffs/test_parts.py"),
    # backtest
    "backtest": Held("figures.replayed", "what was expected: tests/ratings/test_backtest.py"),
    # what a person keeps
    "advice": Held("", "of models alone: tests/advice"),
    "advised": Held("", "what was advised, as it was: tests/advice/test_kept_and_batch.py"),
    "alarms": Held("", "what a person closed: tests/review/test_said.py"),
}
