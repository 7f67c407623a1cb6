"""A study broken off goes on where it stopped, and what it had kept stays as it was."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from studies.resumable import resume


def test_goes_on_where_it_stopped(tmp_path):
    path, worked = tmp_path / "deep" / "blocks.csv", []

    def work(name: str, number: int) -> pd.DataFrame:
        if (name, number) == ("b", 2) and len(worked) < 5:
            worked.append("broken off")
            raise KeyboardInterrupt
        worked.append((name, number))
        return pd.DataFrame({"name": name, "number": number, "value": [number / 3, None], "words": ["", "x, y"]})

    pieces = [("a", 1), ("a", 2), ("b", 1), ("b", 2)]
    with pytest.raises(KeyboardInterrupt):
        resume(path, ["name", "number"], pieces, work)
    first = path.read_bytes()
    worked += ["again"] * 2
    told: list[str] = []
    resume(path, ["name", "number"], pieces, work, progress=told.append)
    assert path.read_bytes().startswith(first)
    assert worked[-1] == ("b", 2)
    assert worked.count(("a", 1)) == 1
    assert len(told) == 1
    assert "b, 2" in told[0]
    frame = pd.read_csv(path, keep_default_na=False, na_values=["nan"])
    assert len(frame) == 8
    assert frame["value"].tolist()[1] == ""
    resume(path, ["name", "number"], pieces, work)
    assert worked[-1] == ("b", 2)


def test_nothing_to_run_and_nothing_run_before(tmp_path):
    with pytest.raises(AnalyticsError, match="nothing run before"):
        resume(tmp_path / "x.csv", ["name"], [], lambda name: pd.DataFrame())


def test_a_file_of_another_layout_is_refused(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("name,value\na,1")
    with pytest.raises(AnalyticsError, match=r"x\.csv has the columns name,value, this study writes name,other"):
        resume(path, ["name"], [("b",)], lambda name: pd.DataFrame({"name": [name], "other": [2]}))
    resume(path, ["name"], [("b",)], lambda name: pd.DataFrame({"name": [name], "value": [2]}))
    assert path.read_text() == "name,value\na,1\nb,2\n"
