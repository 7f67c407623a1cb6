"""The start with boxes to tick, for JupyterLab. The same functions serve without them (report.start)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.errors import AnalyticsError
from analytics.report.start import start
from analytics.start.propose import Proposal
from analytics.words.start import asks_same, asks_sentence

if TYPE_CHECKING:
    from ipywidgets import Widget


def show_pickers(proposal: Proposal) -> None:
    """Show the boxes of a ``proposal`` beneath the cell."""
    from IPython.display import display

    display(pickers(proposal))


def pickers(proposal: Proposal) -> Widget:
    """A box for each question that start would ask of a ``proposal``, ticked for yes, and a button that writes; what is said stands beneath."""
    import ipywidgets as widgets

    known = filter(lambda s: s.said, proposal.sentences)
    questions = [asks_same(c, g) for c, g, _ in proposal.groups] + [asks_sentence(s) for s in known]
    wide = widgets.Layout(width="95%")
    boxes = [widgets.Checkbox(value=True, description=_plain(q), indent=False, layout=wide) for q in questions]
    go = widgets.Button(description="Write shop.toml", layout=widgets.Layout(width="16em"))
    said = widgets.Textarea(layout=widgets.Layout(width="95%", height="20em"), disabled=True)

    def write(_=None) -> None:
        ticked = dict(zip(questions, (box.value for box in boxes), strict=True))
        try:
            said.value = start(proposal.folder, lambda question: "yes" if ticked.get(question, True) else "no")
        except AnalyticsError as err:
            said.value = str(err)

    go.on_click(write)
    return widgets.VBox([*boxes, go, said])


def _plain(question: str) -> str:
    """A question as a box shows it: without what could be read as markup."""
    return question.replace("<", "‹").replace(">", "›").replace("$", "＄")
