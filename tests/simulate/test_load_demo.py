"""The shop for the load page: same bytes, and what the page finds held against the truth of each component."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analytics.driveline.load import make_loads
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.by_load import Compared, explain, taken_otherwise
from analytics.ratings.options import options_for
from analytics.records.load import load_records
from analytics.words.load import _best
from studies.__main__ import main
from studies.simulate.demo import write_load_demo
from studies.simulate.load_demo import PARTS, load_demo_files

KEPT = Path(__file__).parents[2] / "data" / "demo_load"


def findings(folder: Path) -> dict[str, Compared]:
    """What explains the returns of each component of the shop in a ``folder``."""
    records = load_records(folder)
    loads = make_loads(records, make_lifetimes(records))
    ways, options = taken_otherwise(loads), options_for(records.shop)
    return {c: explain(loads, c, part, options, ways) for c, part in PARTS.items()}


def told(found: Compared) -> str:
    """What the page names: power, torque, heat, or "" where it cannot be told."""
    if found.decided != "load":
        return found.decided
    return "" if found.rather == "either" else "torque"


def truth_of(folder: Path) -> dict[str, str]:
    """What the lives of each component run on."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return {c: t["runs_on"] for c, t in truth["components"].items()}


def test_the_shop_kept_in_the_repository_is_the_one_written(tmp_path):
    files = load_demo_files()
    assert sorted(p.name for p in KEPT.iterdir()) == sorted(files)
    for name, content in files.items():
        assert (KEPT / name).read_bytes() == content, f"{name}: write it anew, or undo the change that altered it"
    assert load_demo_files(8)["builds.csv"] != files["builds.csv"]
    assert main(["demo", str(tmp_path), "--load", "--units", "40", "--seed", "3"]) == 0
    assert (tmp_path / "builds.csv").read_bytes() == load_demo_files(3, 40)["builds.csv"]
    write_load_demo(tmp_path, 50)
    assert (
        (tmp_path / "README.md")
        .read_text(encoding="utf-8")
        .startswith("# The load demo\n\nEverything in this folder is invented")
    )
    (tmp_path / "truth.json").unlink()
    with pytest.raises(AnalyticsError, match="not an earlier demo"):
        write_load_demo(tmp_path)


def test_each_finding_is_right():
    """One component's lives run on torque at the notch, one's on the heat of a shift, one's on power."""
    truth, found = truth_of(KEPT), findings(KEPT)
    assert sorted(truth.values()) == ["heat", "power", "torque"]
    assert {c: told(f) for c, f in found.items()} == truth
    said = {c: _best(f, c)[0] for c, f in found.items()}
    assert ": the heat of a shift, rather than torque or power, explains them best" in said["clutch pack"]
    assert ": torque, rather than power, explains them best" in said["input shaft"]
    assert ": power explains them best" in said["converter"]


def test_without_shift_times_torque_and_heat_cannot_be_parted(tmp_path):
    """Heat is then torque and something added for all alike: torque may not be named in its place."""
    import pandas as pd

    for name, content in load_demo_files().items():
        (tmp_path / name).write_bytes(content)
    pd.read_csv(tmp_path / "builds.csv").drop(columns="shift_time").to_csv(tmp_path / "builds.csv", index=False)
    found = findings(tmp_path)["clutch pack"]
    assert found.decided in ("", "load")
    assert found.rather == "either"
    assert max(map(abs, found.heat)) < 4
