"""Long loops on every core, or wherever joblib's backend sends them; their results hang on neither, nor on what was kept of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from analytics import kept

Result = TypeVar("Result")
#: how many at a time where nothing else is said; -1: as many as there are cores
JOBS = "ANALYTICS_JOBS"
#: the threads inside one product of matrices would be in the way of the others, and turn its last digits
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
#: memory that is given back to the system with every array comes back page by page, which takes a tenth of a calibration (glibc; others pass over it)
_KEPT_MEMORY = {"MALLOC_TRIM_THRESHOLD_": str(2**27), "MALLOC_MMAP_THRESHOLD_": str(2**25)}
#: what the environment of every process that reckons holds, where the user has not said otherwise
RECKONING = _ONE_THREAD | _KEPT_MEMORY


def each(
    function: Callable[..., Result], items: Iterable[tuple[Any, ...]], jobs: int | None = None, keep: bool = False
) -> Iterator[Result]:
    """``function(*item)`` for each of the ``items``, in their order, as they are done. Other processes are at it from now on, whenever the
    results are taken; two loops open at once share them.

    jobs: processes (-1: one a core), by default as ANALYTICS_JOBS says, else one a core. A backend set with
    ``joblib.parallel_config``, such as a Dask cluster, is used instead of processes. function: of a module, and its items and
    results of what can be sent to another process. Inside another such loop one goes after another. keep: what was worked out is kept,
    and what was kept before is taken (analytics.kept).
    """
    if keep:
        return _kept(function, list(items), jobs)
    at_once = int(os.environ.get(JOBS, "-1")) if jobs is None else jobs
    listed = list(items)
    if at_once == 1 or len(listed) < 2:
        return (function(*item) for item in listed)
    from joblib import Parallel, delayed
    from joblib.parallel import get_active_backend

    if get_active_backend()[0].nesting_level:
        return (function(*item) for item in listed)
    # arrays laid in files for the others to read would be taken away with the first of two open loops
    pool = Parallel(n_jobs=at_once, batch_size=1, return_as="generator", max_nbytes=None)
    return pool(delayed(function)(*item) for item in listed)


def _kept(function: Callable[..., Result], items: list[tuple[Any, ...]], jobs: int | None) -> Iterator[Result]:
    """As `each`, with what is kept of the ``items`` taken, and the rest kept."""
    places = [kept.place_of(function, item) for item in items]
    found = [kept.taken(place) for place in places]
    made = each(function, [item for item, old in zip(items, found, strict=True) if old is None], jobs)
    return (kept.keep(at, next(made)) if old is None else old[0] for at, old in zip(places, found, strict=True))
