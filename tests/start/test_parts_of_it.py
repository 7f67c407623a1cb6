"""Names that may be one, sentences understood, units and words inferred."""

from __future__ import annotations

import pytest

from analytics.records.names import alike, fold, one_slip
from analytics.start.infer import same_words
from analytics.start.text import Said, distance_in, lexicon, understand
from analytics.start.vocabulary import USE_WORDS

KNOWN = lexicon(
    {"input shaft": "Input", "converter": "Conv", "clutch pack": "Clutches"},
    {"input shaft": ["IS-A", "IS-B", "Billet"], "converter": ["TC-2"], "clutch pack": []},
)


@pytest.mark.parametrize("other", ["IS A", "ISA", "IS_A", "is-a", "IS\u200b-A", "I\u0405-\u0410", "IS-Á", "IS.A"])
def test_names_that_differ_in_what_the_eye_passes_over_are_one(other):
    assert fold(other) == fold("IS-A")


@pytest.mark.parametrize("other", ["IS-B", "IS-A2", "IS", "S-A", "IS-AA"])
def test_a_designation_is_no_slip(other):
    assert fold(other) != fold("IS-A")
    assert not one_slip(other, "IS-A")


@pytest.mark.parametrize(
    ("one", "other", "slip"),
    [
        ("Billet", "Bilet", True),
        ("Billet", "Bliet", False),
        ("Billet", "Billte", True),
        ("Billet 2", "Bilet 3", False),
        ("Billet", "Ballet", True),
        ("triple disc", "triple disk", False),
        ("heavy duty", "heavy dutty", True),
        ("Stout 9", "Stout 11", False),
        ("Series100", "Series200", False),
    ],
)
def test_one_slip_in_a_long_word(one, other, slip):
    assert one_slip(one, other) is slip


def test_groups_of_names_the_one_met_most_first():
    found = alike({"IS-A": 40, "ISA": 3, "IS A": 5, "IS-B": 20, "Billet": 30, "Bilet": 2, "Ballet": 29})
    assert [(g.name, g.others, g.counts, g.sure) for g in found] == [
        ("IS-A", ("IS A", "ISA"), (40, 5, 3), True),
        ("Billet", ("Bilet",), (30, 2), False),
    ]


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("input shaft snapped", [Said("input shaft", "", "broken")]),
        ("IS-A snapped, conv ok", [Said("input shaft", "IS-A", "broken")]),
        (
            "Burnt clutches and the TC 2 is leaking",
            [Said("clutch pack", "", "burnt"), Said("converter", "TC-2", "leaking")],
        ),
        ("twisted is-b. put in billet", [Said("input shaft", "IS-B", "twisted", "Billet")]),
        ("converter looked at, fine", []),
        ("owner wants more power", []),
        ("cluthces smoked", [Said("clutch pack", "", "burnt")]),
        ("imput shaft twisted", [Said("input shaft", "", "twisted")]),
        ("he said the converter but convertor was fine, input shaft sheared", [Said("input shaft", "", "broken")]),
        ("burnt the lock up clutch", [Said("converter", "", "burnt")]),
        ("slow in shift when cold", []),
        ("shudder; torque converter burned up", [Said("converter", "", "burnt")]),
        ("broke at the track, fitted a new IS-B", [Said("input shaft", "", "broken", "IS-B")]),
    ],
)
def test_what_a_sentence_says(sentence, said):
    assert understand(sentence, KNOWN) == said


def test_words_under_ours_and_under_the_spelling_met_most():
    met = {"tow": 5, "towing": 3, "daily driver": 2, "show": 4, "s-how": 1}
    assert same_words(met, USE_WORDS) == {"towing": ["tow"], "street": ["daily driver"], "show": ["s-how"]}


@pytest.mark.parametrize(
    ("sentence", "told"),
    [
        ("came back burnt 3-4, 61k, reman under warranty", {"odometer": "61k"}),
        ("input twisted. 50,000 mi", {"odometer": "50,000 mi"}),
        ("about 91k km, slipping", {"odometer": "~91k km"}),
        ("snapped after 12k", {"miles_in_service": "12k"}),
        ("8,500 miles on it", {"miles_in_service": "8,500 miles"}),
        ("towed 200 miles home, 51k", {"odometer": "51k"}),
        ("40k at build, back at 51k", {}),
        ("only 4k", {}),
        ("between 60-65k", {}),
        ("$2k bill", {}),
        ("2k stall", {}),
        ("51234", {}),
    ],
)
def test_the_one_distance_that_a_sentence_tells(sentence, told):
    assert distance_in(sentence) == told


def test_a_part_of_two_letters_is_known_by_its_capitals():
    known = lexicon({"input shaft": "Input"}, {"input shaft": ["BI", "IT"]})
    assert understand("busted BI, 95k", known) == [Said("input shaft", "BI")]
    assert understand("it broke", known) == []
