"""Long loops on every core, or wherever joblib's backend sends them; their results hang on neither."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

Result = TypeVar("Result")
#: how many at a time where nothing else is said; -1: as many as there are cores
JOBS = "ANALYTICS_JOBS"
#: the threads inside one product of matrices would be in the way of the others, and turn its last digits
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def each(
    function: Callable[..., Result], items: Iterable[tuple[Any, ...]], jobs: int | None = None
) -> Iterator[Result]:
    """``function(*item)`` for each of the ``items``, in their order, as they are done.

    jobs: processes (-1: one a core), by default as ANALYTICS_JOBS says, else one a core. A backend set with
    ``joblib.parallel_config``, such as a Dask cluster, is used instead of processes. function: of a module, and its items and
    results of what can be sent to another process. Inside another such loop one goes after another.
    """
    at_once = int(os.environ.get(JOBS, "-1")) if jobs is None else jobs
    listed = list(items)
    if at_once == 1 or len(listed) < 2:
        return (function(*item) for item in listed)
    from joblib import Parallel, delayed
    from joblib.parallel import get_active_backend

    if get_active_backend()[0].nesting_level:
        return (function(*item) for item in listed)
    return Parallel(n_jobs=at_once, batch_size=1, return_as="generator")(delayed(function)(*item) for item in listed)
