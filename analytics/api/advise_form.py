"""The form of one truck, for JupyterLab: sliders and lists, and the answer under them. The same answer without it: ``analytics.advise``."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from analytics.errors import AnalyticsError
from analytics.words import door
from analytics.words.units import in_units, name_of, ours, own, speaking_as

if TYPE_CHECKING:
    from ipywidgets import Widget

    from analytics.api.shop import ShopRecords


def advise_form(shop: ShopRecords) -> Widget:
    """Move the truck, read what to build it with. What takes seconds is worked out once for each use, so that it then follows the sliders.

    shop: as read.
    """
    import ipywidgets as widgets

    from analytics.api.questions import advise

    units, style, wide = shop.lifetimes.units, {"description_width": "11em"}, widgets.Layout(width="34em")

    def slider(words: str, value: float, low: float, high: float, step: float):
        return widgets.FloatSlider(
            description=words, value=value, min=low, max=high, step=step, readout_format=",.0f", style=style, layout=wide, continuous_update=False
        )  # fmt: skip

    uses = sorted(use for use in units["use"].fillna("").unique() if use)
    power = slider(in_units(door.FORM["power"]), round(own(units["power_hp"].median(), "power"), -1), 100, 2500, 10)
    where = widgets.Dropdown(description=door.FORM["where"], options=["crank", "wheels"], style=style, layout=wide)
    heavy = own(units["weight_lb"].fillna(7000).median(), "weight")
    tons = name_of("weight") == "t"
    weight = slider(
        in_units(door.FORM["weight"]), round(heavy, 1 if tons else -2), *((1, 10, 0.1) if tons else (1000, 20_000, 100))
    )
    use = widgets.SelectMultiple(
        description=door.FORM["use"], options=uses, value=uses[:1], rows=max(len(uses), 1), style=style, layout=wide
    )
    life = slider(in_units(door.FORM["life"]), own(shop.records.shop.targets.miles, "distance"), 1000, 300_000, 1000)
    page = widgets.Text(description=door.FORM["page"], value="advice.html", style=style, layout=wide)
    write = widgets.Button(description=door.FORM["write"])
    answer, done = widgets.HTML(), widgets.HTML()
    moved = (power, where, weight, use, life)

    def asked():
        used = " and ".join(use.value)
        told = ours(power.value, "power"), ours(weight.value, "weight")
        return advise(shop, *told, used, measured_at=where.value, life=ours(life.value, "distance"))

    @speaking_as(shop.records.shop)
    def show(_=None) -> None:
        done.value = ""
        try:
            answer.value = asked()._repr_html_()
        except AnalyticsError as question:
            answer.value = f"<p>{html.escape(str(question))}</p>"

    @speaking_as(shop.records.shop)
    def save(_=None) -> None:
        try:
            done.value = f"<p>{html.escape(str(asked().save(page.value)))}</p>"
        except AnalyticsError as err:
            done.value = f"<p>{html.escape(str(err))}</p>"

    for widget in moved:
        widget.observe(show, names="value")
    write.on_click(save)
    show()
    return widgets.VBox([*moved, answer, widgets.HBox([page, write]), done])
