"""The page of loads, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.ratings.load_review import LoadReview
from analytics.report.load_figures import part_figure
from analytics.report.show import show_figure, show_heading, show_list, show_table, show_words
from analytics.words import load as words
from analytics.words.cautions import CAUTIONS


def opening(review: LoadReview) -> None:
    """Whose loads, and what is assumed where the records are silent."""
    show_heading(words.title(review), *words.opening(review))
    show_table(
        words.assumptions_table(review),
        folded=words.HEADINGS["assumed"],
    )


def explained(review: LoadReview) -> None:
    """What explains the returns: power, torque or margin."""
    for component in dict.fromkeys(c for c, _ in review.parts):
        show_words(*words.explained_words(review, component, ""))
    show_table(words.explained_table(review), folded=words.HEADINGS["fits"])


def parts(review: LoadReview) -> None:
    """Part by part: load, margin, life, rating."""
    for component, part in review.parts:
        show_words(f"{component.capitalize()} {part}", level=3, new_page=True)
        show_words(*words.rating_lines(review, component, part))
        figure, answer = part_figure(review, component, part)
        show_figure(figure, words.part_question(part), answer)
        show_words(*words.explained_words(review, component, part))
        show_table(words.facts_table(review, component, part), folded=words.facts_title(review, component, part))


def suspects(review: LoadReview) -> None:
    """Which failures may have another cause than the part's strength."""
    show_words(*words.suspect_words(review))
    show_table(words.suspects_table(review), folded=words.HEADINGS["suspects"])
    show_table(review.suspects.counts, folded=words.HEADINGS["rules"])


def without(review: LoadReview) -> None:
    """What the rating is without them."""
    show_words(*words.without_words(review))


def cautions(review: LoadReview) -> None:
    """What these figures cannot do."""
    show_words(words.NO_DESIGN)
    show_list(CAUTIONS)


SECTIONS: dict[str, Callable[[LoadReview], None]] = {
    made.__name__: made for made in (opening, explained, parts, suspects, without, cautions)
}
