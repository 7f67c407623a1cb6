"""A long study, piece by piece: each piece's rows are kept as they come, and a rerun goes on where the last one stopped."""

from __future__ import annotations

import io
import platform
import time
import zlib
from collections.abc import Callable, Collection, Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.whole import whole_file

#: what names a block of fleets in the studies by cells
KEY = ("cell", "block", "replicates", "seed")


def versions_used() -> str:
    """Of Python, numpy and scipy, for the tables kept."""
    import scipy

    return f"python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}"


def pieces_of(
    known: Collection[str], cells: Iterable[str] | None, replicates: int, block: int, seed: int, place: str
) -> list[tuple[str, int, int, int]]:
    """The pieces, as KEY names them, of a study of ``replicates`` fleets in each of the ``cells`` (all known ones by default). place: the module that names them. Raises
    AnalyticsError on a cell that is not known."""
    names = list(known) if cells is None else list(cells)
    for name in names:
        if name not in known:
            raise AnalyticsError(f"cell {name!r} is not one of the study's; see {place}.CELLS")
    return [(name, number, block, seed) for number in range(-(-replicates // block)) for name in names]


def block_row(
    name: str, block: int, size: int, seed: int, one: Callable[[int], dict[str, float]], digits: str, **more: object
) -> pd.DataFrame:
    """One row, its KEY first: ``size`` fleets drawn with seeds of their own, each answered by ``one(seed)``; a column holds what all
    of them gave, separated by spaces."""
    keys = ([seed, zlib.crc32(name.encode()), block, i] for i in range(size))
    frame = pd.DataFrame([one(int(np.random.SeedSequence(key).generate_state(1)[0])) for key in keys])
    row = {"cell": name, "block": block, "replicates": size, "seed": seed} | more | {"versions": versions_used()}
    return pd.DataFrame([row | {column: " ".join(f"{v:{digits}}" for v in frame[column]) for column in frame}])


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

    key: columns of the rows that name a piece, in the order of its values; a piece has a row at least. blank: what stands for NaN.
    What stands in the file stays as it is. Raises AnalyticsError where there is nothing to run and nothing was run before, and
    where the file holds other columns than the rows.
    """
    path = Path(path)
    kept = path.read_text(encoding="utf-8") if path.exists() else ""
    kept += "" if kept.endswith("\n") or not kept else "\n"
    done = set()
    if kept:
        done = set(
            pd.read_csv(io.StringIO(kept), dtype=str, keep_default_na=False)[list(key)].itertuples(
                index=False, name=None
            )
        )
    left = [p for p in pieces if tuple(map(str, p)) not in done]
    begun = time.perf_counter()
    for i, rows in enumerate(each(work, left, jobs), 1):
        if kept and (heading := kept.splitlines()[0]) != ",".join(rows.columns):
            raise AnalyticsError(
                f"{path.name} has the columns {heading}, this study writes {','.join(rows.columns)}: move the old file away."
            )
        kept += rows.to_csv(header=not kept, index=False, na_rep=blank, lineterminator="\n")
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as part:
            part.write_text(kept, encoding="utf-8")
        if progress is not None:
            minutes = (time.perf_counter() - begun) / i * (len(left) - i) / 60
            progress(f"{i} of {len(left)}, about {minutes:.0f} min left: {', '.join(map(str, left[i - 1]))}")
    if not kept:
        raise AnalyticsError("nothing to run and nothing run before")
