"""A second person's judgement of a random sample of the returns, as a sheet of its own, from its own stream of chance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np

from studies.simulate.dirt import ASIDE, Row, Sheet, Soiled

SAMPLE = 60
#: chance that the second person says the same as the first
SAME = {"finding": 0.9, "order": 0.85, "cause": 0.8}
HEADINGS = ("serial", "component", "returned_on", "judged_on", "finding", "order", "cause", "judged_by")
JUDGE = "second bench"
_STREAM = 7105  # keeps the draws apart from all others of the same seed
_DAYS = (3, 20)


def _whose(r: Row) -> tuple:
    return r.true["serial"], r.true["component"], r.true["returned"]


def _read_without_trouble(dirty: Soiled, last_day) -> list[Row]:
    """Rows of returns that say one thing of one damaged component, long enough ago."""
    source = dirty.sheets["returns"]
    troubled = {id(p.row) for p in dirty.planted if p.sheet is source and p.expected == ASIDE}
    judged = [r for r in source.rows if r.true.get("kind") not in (None, "no fault") and r.true.get("component")]
    rows = [r for r in judged if id(r) not in troubled]
    seen = Counter(_whose(r) for r in rows)
    return [r for r in rows if seen[_whose(r)] == 1 and (last_day - r.true["returned"]).days > _DAYS[1]]


def second_look(dirty: Soiled, findings: Mapping[str, list[str]], seed: int, last_day) -> Sheet:
    """The sheet ``judged_again``: SAMPLE damaged components drawn at random among rows that are read without trouble.

    dirty: the sheets, of which returns are judged; last_day: of the records; seed: of the draw. findings: those known of each
    component. Where the second person differs, it is with another word drawn at random.
    """
    rng = np.random.default_rng([seed, _STREAM])
    rows = _read_without_trouble(dirty, last_day)
    others = {"order": ["first", "followed", "unclear"], "cause": ["part", "install", "over limit", "unclear"]}
    out = []
    for at in sorted(rng.choice(len(rows), min(SAMPLE, len(rows)), replace=False)):
        true = rows[at].true
        cells = {
            "serial": true["serial"],
            "component": true["component"],
            "returned_on": true["returned"],
            "judged_on": true["returned"] + np.timedelta64(int(rng.integers(*_DAYS)), "D").astype(object),
            "judged_by": JUDGE,
        }
        for what, same in SAME.items():
            choices = [w for w in (others.get(what) or findings[true["component"]]) if w != true[what]]
            differs = rng.random() > same
            pick = choices[rng.integers(len(choices))]  # drawn either way
            cells[what] = pick if differs else true[what]
        out.append(Row({h: str(cells[h]) for h in HEADINGS}))
    return Sheet("judged_again", "judged_again.csv", {h: h for h in HEADINGS}, out)
