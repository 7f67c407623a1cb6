"""The what-if with sliders, for JupyterLab. The same functions serve without them (ratings.whatif)."""

from __future__ import annotations

import html
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import AnalyticsError
from analytics.ratings.sheet import Ratings
from analytics.ratings.whatif import Assumed, LimitSpan, change_promise, move_limit
from analytics.words import door
from analytics.words.phrases import weight_class
from analytics.words.ratings.whatif import change_words, move_words

if TYPE_CHECKING:
    from ipywidgets import Widget


def explorer(ratings: Ratings) -> Widget:
    """Choose a part, move its limit, its promise or what is assumed, and read what it brings a year and to the bound.

    ratings: of the whole shop.
    """
    import ipywidgets as widgets

    if not ratings.parts:
        return widgets.HTML(door.NOTHING_RATED)
    shop, options = ratings.records.shop, ratings.options
    names = [f"{p.component}: {p.part}" for p in ratings.parts]
    wide = {"description_width": "11em"}, widgets.Layout(width="32em")

    def slider(words: str, value: float, low: float, high: float, step: float, form: str = ",.0f"):
        return widgets.FloatSlider(
            description=words,
            value=value,
            min=low,
            max=high,
            step=step,
            readout_format=form,
            style=wide[0],
            layout=wide[1],
            continuous_update=False,
        )

    part = widgets.Dropdown(
        description="part", options=list(zip(names, ratings.parts, strict=True)), style=wide[0], layout=wide[1]
    )
    edges = [(weight_class(edge), edge) for edge in (*shop.weight.classes, float("inf"))]
    weight = widgets.Dropdown(description="trucks", options=edges, value=edges[-1][1], style=wide[0], layout=wide[1])
    now, then = slider("limit now, hp", 600, 100, 2500, 25), slider("limit then, hp", 650, 100, 2500, 25)
    instead = widgets.Dropdown(
        description="part they get otherwise", options=[("not named", None)], style=wide[0], layout=wide[1]
    )
    life = slider("target life, miles", options.promise.life_miles, 5_000, 200_000, 5_000)
    share = slider(door.SHARE, options.promise.reliability, 0.5, 0.99, 0.01, ".0%")
    sure = slider("how sure", options.promise.confidence, 0.5, 0.99, 0.01, ".0%")
    told = slider("failures reported", 0.8, 0.3, 1.0, 0.05, ".0%")
    loss = slider("loss, crank to wheels", shop.power.driveline_loss, 0.1, 0.25, 0.01, ".0%")
    go = widgets.Button(description="What would it bring?", layout=widgets.Layout(width="16em"))
    answer = widgets.HTML()

    def choose(_=None) -> None:
        own = ratings.table[
            (ratings.table["component"] == part.value.component) & (ratings.table["part"] == part.value.part)
        ].iloc[0]
        if own["published_hp"] == own["published_hp"]:
            now.value = own["published_hp"]
        then.value = own["proposed_hp"] if own["proposed_hp"] == own["proposed_hp"] else now.value + 50
        others = [p.part for p in ratings.parts if p.component == part.value.component and p.part != part.value.part]
        instead.options = [("not named", None), *((o, o) for o in others)]

    def run(_=None) -> None:
        answer.value = "<p>working …</p>"
        chosen = part.value
        lines: list[str] = []
        try:
            span = LimitSpan(chosen.component, chosen.part, now.value, then.value, 0.0, weight.value)
            asked = replace(options, promise=replace(options.promise, life=life.value))
            lines += move_words(move_limit(ratings.lifetimes, span, instead.value, asked))
        except AnalyticsError as err:
            lines.append(str(err))
        try:
            edge = weight.value if np.isfinite(weight.value) else chosen.bounds[-1].weight_lb
            assumed = Assumed([life.value], [share.value], [sure.value], [told.value], [loss.value])
            changed = change_promise(
                ratings.records, chosen.component, chosen.part, edge, None, assumed, options, ratings.lifetimes
            )
            lines += change_words(changed)
        except AnalyticsError as err:
            lines.append(str(err))
        answer.value = "".join(f"<p>{html.escape(line)}</p>" for line in lines)

    part.observe(choose, names="value")
    go.on_click(run)
    choose()
    return widgets.VBox([part, weight, now, then, instead, life, share, sure, told, loss, go, answer])
