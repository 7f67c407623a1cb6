"""Parts the shop always fits together, learned from its builds."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analytics.advice.answer import ComponentAdvice
from analytics.lifetimes.table import Lifetimes
from analytics.reasons import Advised, Reason, reason
from analytics.records.load import NOT_RECORDED

#: builds with a part before a habit shows, the share that makes one, and the share among the others that makes it no rule: common
#: practice, no source
_FEWEST, _ALWAYS, _ELSEWHERE = 10, 0.95, 0.8


def always_together(lifetimes: Lifetimes, components: Sequence[ComponentAdvice]) -> tuple[Reason, ...]:
    """Where a part fitted in the ``components`` is nearly always built, in these ``lifetimes``, with another than the one beside it."""
    table = lifetimes.table
    first = table[(table["spell"] == 1) & (table["segment"] == 1) & ~table["part"].isin([NOT_RECORDED, ""])]
    built = first.drop_duplicates(["unit", "component"]).pivot(index="unit", columns="component", values="part")
    fitted = {c.component: c.fitted.part for c in components if c.fitted is not None}
    found = []
    for component, part in fitted.items():
        with_it = built[built[component] == part]
        for other, chosen in fitted.items():
            usual = _usual(with_it[other].dropna(), built[built[component] != part][other].dropna())
            if other != component and usual not in ("", chosen):
                own = with_it[other].dropna()
                found.append(
                    reason(
                        Advised.FITTED_WITH,
                        part=part,
                        other=other,
                        usual=usual,
                        chosen=chosen,
                        built=len(own),
                        so=int((own == usual).sum()),
                    )
                )
    return tuple(found)


def _usual(with_it: pd.Series, without: pd.Series) -> str:
    """The part that nearly every build with this one has and the others have less; "" for none."""
    if len(with_it) < _FEWEST:
        return ""
    shares = with_it.value_counts(normalize=True)
    usual, share = str(shares.index[0]), float(shares.iloc[0])
    elsewhere = float((without == usual).mean()) if len(without) else 0.0
    return usual if share >= _ALWAYS and elsewhere < _ELSEWHERE else ""
