"""Same input, same bytes, whatever the order in which Python keeps its sets."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.interrupted.kill import ROOT
from tests.small_shop import rateable_shop

MAKE = """
import sys
from pathlib import Path
from analytics.__main__ import main
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from analytics.report.files import write_review_files
from analytics.report.figures import cells_figure
from analytics.report.rating_files import write_rating_files
from analytics.report.show import figure_html
from studies.simulate import write_demo
from tests.reviewed import make_review

shop, out = sys.argv[1], Path(sys.argv[2])
write_demo(out / "demo", 400, 3)
assert main(["check", str(out / "demo"), "--out", str(out / "check")]) == 0
assert main(["backtest", shop, "--quarters", "1", "--out", str(out / "backtest")]) == 0
review = make_review(out / "demo")
write_review_files(review, out / "review")
drawn = cells_figure(review)
(out / "figure.html").write_text(figure_html(drawn[0], "q", drawn[1]))
records = load_records(shop)
write_rating_files(make_ratings(records, make_lifetimes(records)), out / "ratings")
"""


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_every_file_is_the_same_to_the_byte(tmp_path):
    shop = rateable_shop(tmp_path / "shop")
    made = []
    for seed in ("0", "4711"):
        out = tmp_path / seed
        out.mkdir()
        subprocess.run(
            [sys.executable, "-c", MAKE, str(shop), str(out)],
            cwd=ROOT,
            check=True,
            stdout=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONHASHSEED": seed, "OMP_NUM_THREADS": "1"},
        )
        made.append(files(out))
    assert len(made[0]) >= 20
    assert {name for name in made[0] if made[0][name] != made[1].get(name)} == set()
