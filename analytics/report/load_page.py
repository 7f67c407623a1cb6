"""The page of loads, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.ratings.load_review import LoadReview
from analytics.report.load_figures import part_figure
from analytics.report.show import first_then, fold, lines_html, picture, show_heading, show_html, show_list, table_html
from analytics.words import load as words
from analytics.words.cautions import CAUTIONS
from analytics.words.load_captions import part_caption


def opening(review: LoadReview) -> None:
    """Whose loads, and what is assumed where the records are silent. review: of the loads."""
    told = words.opening(review)
    show_heading(words.title(review), *told[:1])
    assumed = table_html(words.assumptions_table(review), words.HEADINGS["assumed"])
    show_html(fold(words.HEADINGS["assumed"], lines_html(told[1:]), assumed))


def explained(review: LoadReview) -> None:
    """What explains the returns: power, torque or margin. review: of the loads."""
    for component in dict.fromkeys(c for c, _ in review.parts):
        told = words.explained_words(review, component, _first_told(review, component))
        first_then(told, f"{component.capitalize()}: {words.HEADINGS['exponents']}")
    show_html(fold(words.HEADINGS["fits"], table_html(words.explained_table(review), words.HEADINGS["fits"])))


def _first_told(review: LoadReview, component: str) -> str:
    """Of whom it is told first what explains the returns: of all parts of a ``component`` together (""), or of its only one."""
    own = [part for c, part in review.parts if c == component]
    return own[0] if len(own) == 1 else ""


def parts(review: LoadReview) -> None:
    """Part by part: load, margin, life, rating. review: of the loads."""
    firsts = dict(reversed(review.parts))
    for component, part in review.parts:
        told, drawn = words.rating_lines(review, component, part), part_figure(review, component, part)
        facts = words.facts_title(review, component, part)
        first_then(
            told,
            f"{component.capitalize()} {part}: {words.HEADINGS['part']}",
            picture(drawn, words.part_question(part)) or lines_html([part_caption(review, component, part)]),
            lines_html(words.beside_margin(review, component) if part == firsts[component] else ()),
            lines_html(
                () if part == _first_told(review, component) else words.explained_words(review, component, part)
            ),
            fold(facts, table_html(words.facts_table(review, component, part), f"{component} {part}: {facts}")),
        )


def suspects(review: LoadReview) -> None:
    """Which failures may have another cause than the part's strength. review: of the loads."""
    listed = table_html(words.suspects_table(review), words.HEADINGS["suspects"])
    first_then(
        (*words.suspect_words(review), *words.over_limit_words(review)),
        words.HEADINGS["suspects"],
        listed,
        table_html(review.suspects.counts, words.HEADINGS["rules"]),
    )


def without(review: LoadReview) -> None:
    """What the rating is without them. review: of the loads."""
    first_then(words.without_words(review), words.HEADINGS["without"])


def cautions(review: LoadReview) -> None:
    """What these figures cannot do. review: of the loads."""
    show_html(lines_html([words.NO_DESIGN]))
    show_list(CAUTIONS)


SECTIONS: dict[str, Callable[[LoadReview], None]] = {
    made.__name__: made for made in (opening, explained, parts, suspects, without, cautions)
}
