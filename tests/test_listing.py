"""The check ends with a plain verdict."""

from __future__ import annotations

import pytest

from analytics.words.listing import verdict
from tests.records.sheets import back, build, load


@pytest.mark.parametrize(
    ("sheets", "said"),
    [
        ({"builds": [build()], "returns": [back()]}, ["Ready: every row is used, and none is in doubt."]),
        (
            {"builds": [build(), build()], "returns": [back(), back()]},
            ["Ready: every row is used, and none is in doubt."],  # entered twice: nothing is lost by it
        ),
        (
            {"builds": [build()], "returns": [back(cost="a lot")]},
            ["Usable. These lines first, as time allows:", "  figures or words that could not be read: 1 to check, first returns.csv, row 2"],
        ),
        (
            {"builds": [build()], "returns": [back(), back(serial="Z-9")]},
            ["Not usable yet: 1 of 2 rows of returns are set aside. These lines first:",
             "  rows with a serial that was never built: 1 set aside, first returns.csv, row 3"],
        ),
        ({"builds": [build(serial="")]}, ["Not usable: no build could be used, so nothing can be followed."]),
    ],
)  # fmt: skip
def test_the_verdict(tmp_path, sheets, said):
    assert verdict(load(tmp_path, **sheets)) == said
