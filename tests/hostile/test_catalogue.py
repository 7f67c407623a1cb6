"""Every bad input gets its message, and the catalogue kept is the one the package gives today."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.hostile.cases import CASES
from tests.hostile.outcome import CATALOGUE, COLUMNS, outcome

KEPT = pd.read_csv(CATALOGUE, keep_default_na=False).set_index(["kind", "case"])


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.kind}: {c.name}")
def test_bad_input_gets_its_message(case, tmp_path):
    folder = tmp_path / "shop"
    folder.mkdir()
    becomes, message = outcome(case, folder)
    assert "Traceback" not in message
    assert "fault of the program" not in message
    assert (becomes, message) == tuple(KEPT.loc[(case.kind, case.name), COLUMNS[2:]])


def test_the_catalogue_is_large_and_says_something_of_each():
    assert len(CASES) == len(KEPT) >= 60
    assert not KEPT.index.duplicated().any()
    assert (KEPT["message"].str.len() > 15).all()
    refused = KEPT[KEPT["becomes"] == "refused"]["message"]
    # every refusal says what to do: a sentence in the imperative, or the value that would do
    assert refused.str.contains(
        r"\b(?:Add|Name|Put|Save|Correct|Keep|Export|export|Delete|Rename|Close|Say|Give|give|Write|write|Did you mean|must be|must lie|Repair|Check|make|"
        r"Open|nothing there was touched|needs at least|Remove|each needs|stands for|not one of|not the kind|whole number|lie inside|a name a file|see |Weights rated|There are|written|name the)"
    ).all()
