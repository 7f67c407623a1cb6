"""A cluster of the user's own, by the lines of the README: a local one of two workers gives the same bytes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.small_door import two_parts

ROOT = Path(__file__).parents[1]
#: in place of the scheduler's address
_LOCAL = 'Client(n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory="workers")'
_ASKED = """
if __name__ == "__main__":
{lines}
    import json
    print(json.dumps(list(client.run(lambda dask_worker: dask_worker.state.executed_count).values())))
    client.shutdown()
"""


def lines_of_the_readme() -> str:
    """The lines of the README that send long loops to a cluster."""
    (found,) = [
        code
        for code in re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
        if "dask" in code
    ]
    return found.strip()


def made(folder: Path, program: str, jobs: str) -> str:
    (folder / "program.py").write_text(program)
    said = {"ANALYTICS_CACHE": "off", "ANALYTICS_JOBS": jobs, "PYTHONPATH": str(ROOT)}
    one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    asked = [sys.executable, "program.py"]
    return subprocess.run(
        asked, cwd=folder, env=os.environ | said | one_thread, check=True, capture_output=True, text=True
    ).stdout


def test_the_lines_are_five():
    assert len(lines_of_the_readme().replace("\n\n", "\n").splitlines()) == 5


def test_what_two_workers_make_is_what_one_process_makes(tmp_path):
    pytest.importorskip("distributed", reason="no Dask here: pip install '.[cluster]'")
    two_parts(tmp_path / "shop")
    lines = lines_of_the_readme().replace('Client("scheduler:8786")', _LOCAL).replace('"data/demo"', '"shop"')
    assert _LOCAL in lines
    assert '"shop"' in lines
    told = made(tmp_path, _ASKED.format(lines="\n".join(f"    {line}" for line in lines.splitlines())), "-1")
    assert min(json.loads(told)) > 0, "a worker had nothing to do"
    made(tmp_path, 'import analytics\nanalytics.rate(analytics.read("shop")).save("alone")\n', "1")
    for name in ("ratings.csv", "ratings.xlsx", "customer_sheet.html"):
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()
