"""The page of loads, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.ratings.load_review import LoadReview
from analytics.report.cautions import CAUTIONS
from analytics.report.load_figures import part_figure
from analytics.report.show import show_figure, show_heading, show_list, show_table, show_words
from analytics.words import load as words


def opening(review: LoadReview) -> None:
    """Whose loads, and what is assumed where the records are silent."""
    show_heading(f"{review.records.shop.name}: the load behind the horsepower", *words.opening(review))
    show_table(
        words.assumptions_table(review),
        folded="What is assumed where the records are silent ([driveline] in shop.toml)",
    )


def explained(review: LoadReview) -> None:
    """What explains the returns: power, torque or margin."""
    for component in dict.fromkeys(c for c, _ in review.parts):
        show_words(*words.explained_words(review, component, ""))
    show_table(words.explained_table(review), folded="Every fit, on the same lives")


def parts(review: LoadReview) -> None:
    """Part by part: load, margin, life, rating."""
    for component, part in review.parts:
        show_words(f"{component.capitalize()} {part}", level=3, new_page=True)
        show_words(*words.rating_lines(review, component, part))
        figure, answer = part_figure(review, component, part)
        show_figure(figure, f"What load does {part} carry, and what does it bear?", answer)
        show_words(*words.explained_words(review, component, part))
        show_table(words.facts_table(review, component, part), folded=words.facts_title(review, component, part))


def suspects(review: LoadReview) -> None:
    """Which failures may have another cause than the part's strength."""
    show_words(*words.suspect_words(review))
    show_table(words.suspects_table(review), folded="The suspects (customers' data: keep in the shop)")
    show_table(review.suspects.counts, folded="Each rule, by lives that failed and lives that did not")


def without(review: LoadReview) -> None:
    """What the rating is without them."""
    show_words(*words.without_words(review))


def cautions(review: LoadReview) -> None:
    """What these figures cannot do."""
    show_words(
        "Every margin here is a steady load against a book strength, by formulas in their textbook form. It knows no notch but the one you state, no heat treatment gone wrong, "
        "no launch on the brake, wheel hop or gear banged home, and is no design calculation: have a qualified engineer make that."
    )
    show_list(CAUTIONS)


SECTIONS: dict[str, Callable[[LoadReview], None]] = {
    made.__name__: made for made in (opening, explained, parts, suspects, without, cautions)
}
