"""The what-if with sliders, for JupyterLab: a curve and a sentence, new with every move. The functions behind it are in ratings.at_once."""

from __future__ import annotations

import html
import math
from typing import TYPE_CHECKING

from analytics.ratings.at_once import AtOnce, Risk, uses_of
from analytics.ratings.sheet import Ratings
from analytics.report.rating_figures import RiskPicture
from analytics.words import door
from analytics.words.phrases import weight_class
from analytics.words.ratings import at_once as words
from analytics.words.units import in_units, ours, own, speaking_as

if TYPE_CHECKING:
    from ipywidgets import Widget


def explorer(ratings: Ratings) -> Widget:
    """Choose a part, move its limit, and see what it brings: the share that comes back against power, and a sentence.

    ratings: of the whole shop. The fits are made once, as this opens.
    """
    import ipywidgets as widgets

    if not ratings.parts:
        return widgets.HTML(door.NOTHING_RATED)
    shop, asked = ratings.records.shop, AtOnce(ratings)
    for one in ratings.parts:
        asked.fit(one)
    wide = {"style": {"description_width": "6em"}, "layout": widgets.Layout(width="34em")}
    names = [(f"{p.component} {p.part}", p) for p in ratings.parts]
    part = widgets.Dropdown(description=words.PART, options=names, **wide)
    classes = [(weight_class(edge), edge) for edge in shop.weight.classes]
    weight = widgets.Dropdown(description=words.TRUCKS, options=classes, **wide)
    use = widgets.Dropdown(description=words.USE, options=[("", "")], **wide)
    limit = widgets.IntSlider(description=in_units(words.LIMIT), value=600, min=100, max=2500, step=25, **wide)
    life = widgets.IntSlider(description=in_units(words.LIFE), value=round(own(ratings.options.promise.life, "distance")), min=5_000, max=200_000, step=5_000, readout_format=",d", **wide)  # fmt: skip
    picture, told = widgets.Image(format="png", layout=widgets.Layout(width="44em")), widgets.HTML()
    drawn = RiskPicture()

    @speaking_as(shop)
    def choose(_=None) -> None:
        use.options = [(name, name) for name in uses_of(part.value)] or [("", "")]
        published, proposed, _supported = asked.published(part.value, weight.value)
        start = next((v for v in (proposed, published) if math.isfinite(v)), 600.0)
        limit.value = round(own(start, "power") / 25) * 25
        answer()

    @speaking_as(shop)
    def answer(_=None) -> None:
        limit_hp, life_miles = ours(limit.value, "power"), ours(life.value, "distance")
        found: Risk | None = asked.risk(part.value, weight.value, use.value or "", life_miles)
        if found is None:
            picture.value, told.value = b"", f"<p>{html.escape(words.NO_FIT)}</p>"
            return
        published, proposed, supported = asked.published(part.value, weight.value)
        start = published if math.isfinite(published) else limit_hp
        mix = asked.between(part.value, start, limit_hp, weight.value)
        back = asked.more_back(part.value, mix, use.value or "", life_miles)
        cost = shop.cost_of("comeback"), shop.currency
        said = words.sentence(part.value.part, weight.value, (published, limit_hp), found, mix, back, cost)
        picture.value = drawn.png(found, {"published": published, "proposed": proposed, "supported": supported, "asked": limit_hp})  # fmt: skip
        told.value = f"<p>{html.escape(said)}</p>"

    part.observe(choose, names="value")
    for moved in (weight, use, limit, life):
        moved.observe(answer, names="value")
    choose()
    return widgets.VBox([part, weight, use, limit, life, picture, told])
