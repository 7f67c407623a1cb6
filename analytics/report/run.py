"""A notebook run without a person, turned into the page."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from analytics import errors
from analytics.errors import AnalyticsError
from analytics.places import notebooks_folder
from analytics.report.page import page_html
from analytics.whole import whole_file

_GRAMMAR = "rfc3987_syntax"
_OURS = {name for name, kind in vars(errors).items() if isinstance(kind, type) and issubclass(kind, AnalyticsError)}


def _notebook_tools() -> tuple[Any, Any]:
    """nbformat and papermill, without the grammar of web addresses that is built when they are imported, for a second and more, to check
    schemas that hold none."""
    kept = sys.modules.get(_GRAMMAR)
    sys.modules[_GRAMMAR] = None  # type: ignore[assignment]  # an import of it fails, which is foreseen
    try:
        import nbformat
        import papermill
    finally:
        del sys.modules[_GRAMMAR]
        if kept is not None:
            sys.modules[_GRAMMAR] = kept
    return nbformat, papermill


def run_notebook(name: str, parameters: dict[str, object], page: Path, title: str) -> Path:
    """Run ``notebooks/NAME.ipynb`` with parameters and write it as a page.

    Raises AnalyticsError with the notebook's own message where the records cannot carry it.
    name: of the notebook; title: of the page.
    """
    import os
    import warnings

    os.environ.setdefault("PYDEVD_DISABLE_FILE_VALIDATION", "1")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # deprecations inside the notebook tools are not the owner's business
        nbformat, papermill = _notebook_tools()
        with tempfile.TemporaryDirectory() as scratch:
            done = Path(scratch) / f"{name}.ipynb"
            try:
                papermill.execute_notebook(
                    str(notebooks_folder() / f"{name}.ipynb"),
                    str(done),
                    parameters=parameters,
                    kernel_name="python3",
                    progress_bar=sys.stderr.isatty(),
                    cwd=str(notebooks_folder()),
                    log_output=False,
                    extra_arguments=["--log-level=50"],
                )
            except papermill.PapermillExecutionError as err:
                if err.ename in _OURS:
                    raise AnalyticsError(err.evalue) from None
                raise AnalyticsError(
                    f"the notebook {name} stopped: {err.ename}: {err.evalue}. This is a fault of the program: report it, with the sheets if you may."
                ) from err
            notebook = nbformat.read(done, as_version=4)
    with whole_file(page) as part:
        part.write_text(page_html(notebook, title), encoding="utf-8")
    return page
