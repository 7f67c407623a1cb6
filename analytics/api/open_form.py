"""The first page in JupyterLab: pick the folder and the day, and ask. The same without it: ``analytics.read`` and the questions."""

from __future__ import annotations

import html
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.api import questions
from analytics.api.shop import ShopRecords, read
from analytics.api.stages import Stages
from analytics.errors import AnalyticsError
from analytics.words import door

if TYPE_CHECKING:
    from ipywidgets import Widget

#: a question by the word on its button, and what of its page is shown here; none: it shows itself
_ASKED: dict[str, tuple[Callable[[ShopRecords, Stages], Any], tuple[str, ...]]] = {
    "check": (lambda shop, progress: shop.check(), ()),
    "review": (lambda shop, progress: questions.review(shop, progress=progress), ("opening",)),
    "ratings": (lambda shop, progress: questions.rate(shop, progress=progress), ("opening", "verdicts")),
    "load": (lambda shop, progress: questions.load(shop, progress=progress), ("opening", "parts")),
    "advise": (lambda shop, progress: shop.advise_form(), ()),
}


def open_shop(folder: str | Path = "") -> Widget:
    """A form to pick a shop's folder and the day to look from, and to ask; the answer stands under it. For JupyterLab.

    folder: where it begins; by default where the notebook lies. Any folder can be typed or clicked, on any system.

    Raises nothing: what is wrong is said under the form.
    """
    import ipywidgets as widgets
    from IPython.display import display

    wide, style = widgets.Layout(width="44em"), {"description_width": "8em"}
    place = widgets.Text(
        description=door.OPEN["folder"], value=str(Path(folder).resolve()), continuous_update=False, style=style, layout=wide
    )  # fmt: skip
    inside = widgets.Select(description=door.OPEN["inside"], rows=8, style=style, layout=wide)
    day = widgets.DatePicker(description=door.OPEN["day"], style=style)
    buttons = [widgets.Button(description=door.OPEN[name]) for name in _ASKED]
    told, answer = widgets.HTML(), widgets.Output()

    def look(_=None) -> None:
        names, words = _folders(Path(place.value))
        told.value = f"<p>{html.escape(words)}</p>"
        inside.value = None  # with a choice, new names would choose the first of them
        inside.options = [door.OPEN["up"], *names]

    def go(change) -> None:
        if change["new"] is not None:
            here = Path(place.value)
            place.value = str(here.parent if change["new"] == door.OPEN["up"] else here / change["new"])

    def ask(name: str) -> None:
        answer.clear_output()
        with answer:
            try:
                with Stages(name) as progress:
                    shop = read(place.value, day.value, progress=progress)
                    asked, sections = _ASKED[name]
                    found = asked(shop, progress)
                if sections:
                    found.show(*sections)
                    display(widgets.HTML(f"<p>{html.escape(door.whole_page(name, place.value))}</p>"))
                else:
                    display(found)
            except AnalyticsError as err:
                print(err)

    place.observe(look, names="value")
    inside.observe(go, names="value")
    for name, button in zip(_ASKED, buttons, strict=True):
        button.on_click(lambda _, name=name: ask(name))
    look()
    return widgets.VBox([place, inside, told, day, widgets.HBox(buttons), answer])


def _folders(folder: Path) -> tuple[list[str], str]:
    """The names of the folders in a ``folder``, and what it is: a shop's, one that has no settings yet, or none."""
    try:
        names = sorted(p.name for p in folder.iterdir() if p.is_dir() and not p.name.startswith((".", "__")))
    except OSError:
        return [], door.no_folder(str(folder))
    return names, door.SHOP_HERE if (folder / "shop.toml").is_file() else door.NO_SHOP_HERE
