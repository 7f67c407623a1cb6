"""What running a notebook brings with it."""

from __future__ import annotations

import subprocess
import sys

HELD = """
import sys
from analytics.report.run import _notebook_tools
nbformat, papermill = _notebook_tools()
assert "lark" not in sys.modules, "a grammar was built"
book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("told")])
nbformat.validate(book)
assert "rfc3987_syntax" not in sys.modules  # for others it is there as before
"""


def test_no_grammar_of_web_addresses_is_built_for_a_notebook():
    done = subprocess.run([sys.executable, "-c", HELD], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
