"""A long study, piece by piece: each piece's rows are kept as they come, and a rerun goes on where the last one stopped."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.whole import whole_file


def resume(
    path: str | Path,
    key: Sequence[str],
    pieces: Sequence[tuple],
    work: Callable[..., pd.DataFrame],
    jobs: int = 1,
    progress: Callable[[str], None] | None = None,
    blank: str = "",
) -> None:
    """The rows of every piece in the CSV at ``path``: ``work(*piece)`` adds those it does not hold yet, ``jobs`` at a time.

    key: columns of the rows that name a piece, in the order of its values. blank: what stands for NaN. What stands in the file stays byte for byte.
    Raises AnalyticsError where there is nothing to run and nothing was run before.
    """
    from joblib import Parallel, delayed

    path = Path(path)
    kept = path.read_text(encoding="utf-8") if path.exists() else ""
    done = set()
    if kept:
        done = set(
            pd.read_csv(io.StringIO(kept), dtype=str, keep_default_na=False)[list(key)].itertuples(
                index=False, name=None
            )
        )
    left = [p for p in pieces if tuple(map(str, p)) not in done]
    begun = time.perf_counter()
    for i, rows in enumerate(Parallel(n_jobs=jobs, return_as="generator")(delayed(work)(*p) for p in left), 1):
        kept += rows.to_csv(header=not kept, index=False, na_rep=blank, lineterminator="\n")
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as part:
            part.write_text(kept, encoding="utf-8")
        if progress is not None:
            minutes = (time.perf_counter() - begun) / i * (len(left) - i) / 60
            progress(f"{i} of {len(left)}, about {minutes:.0f} min left: {', '.join(map(str, left[i - 1]))}")
    if not kept:
        raise AnalyticsError("nothing to run and nothing run before")
