"""Two figures of the quarter that look like one say how they differ."""

from __future__ import annotations

from analytics.reasons import Again, Forecasts, Renew, Revision, reason
from analytics.words import saying

saying.name_every_text()


def test_a_gap_between_two_chances_is_no_share_of_one():
    """The used part may fail 11 times more in a hundred: .20 against .09, more than twice as likely."""
    told = saying.say(
        reason(
            Renew.FROM_MILES, from_miles=5e4, lower=4e4, upper=6e4, seen_miles=7e4, adds=0.11, price=420, currency="$"
        )
    )
    assert "of a hundred used ones 11 more fail than of a hundred new ones" in told
    assert "likelier" not in told


def test_what_a_law_makes_of_the_ages_is_said_to_be_its():
    told = saying.say(reason(Again.MORE_OFTEN_WITH_AGE, component="converter", ratio=3.2, lower=1.6, upper=7.9))
    assert "By a power law of the unit's age it is lost 3.2 times as often in the second year as in the first" in told


def test_install_errors_are_no_comebacks_of_a_revision():
    values = {"old": "VB-1", "new": "VB-2", "units": 448, "came": 0, "expected": 3.8, "p_fewer": 0.06}
    told = saying.say(reason(Revision.LOOKS_BETTER, **values))
    assert "0 of 448 came back, install errors aside" in told


def test_what_the_record_is_held_against_was_not_yet_moved_by_it():
    told = saying.say(reason(Forecasts.RECORD, quarters=8, came=76, expected=68.9))
    assert "had expected 68.9 before it was moved by what came" in told
