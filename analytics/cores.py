"""Long loops on every core, or wherever joblib's backend sends them; their results hang on neither, nor on what was kept of them."""

from __future__ import annotations

import logging
import os
import signal
import threading
import traceback
import warnings
import weakref
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from analytics import kept

Result = TypeVar("Result")
#: how many at a time where nothing else is said; -1: as many as there are cores
JOBS = "ANALYTICS_JOBS"
#: the threads inside one product of matrices would be in the way of the others, and turn its last digits
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
#: memory that is given back to the system with every array comes back page by page, which takes a tenth of a calibration (glibc; others pass over it)
_KEPT_MEMORY = {"MALLOC_TRIM_THRESHOLD_": str(2**27), "MALLOC_MMAP_THRESHOLD_": str(2**25)}
#: what joblib's watcher of its locks finds left where a command was stopped, and takes away
_QUIET = {"PYTHONWARNINGS": "ignore:resource_tracker"}
#: what the environment of every process that reckons holds, where the user has not said otherwise
RECKONING = _ONE_THREAD | _KEPT_MEMORY | _QUIET
#: the loops that other processes may still be at
_OPEN: weakref.WeakSet[Any] = weakref.WeakSet()


def each(
    function: Callable[..., Result],
    items: Iterable[tuple[Any, ...]],
    jobs: int | None = None,
    keep: bool = False,
    ahead: bool = False,
) -> Iterator[Result]:
    """``function(*item)`` for each of the ``items``, in their order, as they are done. Other processes are at it from now on, whenever the
    results are taken; two loops open at once share them, but for one that goes ``ahead`` of whatever is begun later.

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
    sent = "all" if ahead else "2*n_jobs"
    pool = Parallel(n_jobs=at_once, batch_size=1, return_as="generator", max_nbytes=None, pre_dispatch=sent)
    with _deaf():
        loop = pool(delayed(_tried)(function, item) for item in listed)
    _OPEN.add(loop)
    return _results(loop)


def longest_first(
    function: Callable[..., Result],
    items: list[tuple[Any, ...]],
    size: Callable[[tuple[Any, ...]], Any],
    keep: bool = False,
) -> Iterator[Result]:
    """As `each`, begun with the items of the largest ``size``, lest one core is left at a long one alone; the results come in the order of the
    ``items``. function, keep: as there."""
    order = sorted(range(len(items)), key=lambda i: size(items[i]), reverse=True)
    return _put_back(order, each(function, [items[i] for i in order], keep=keep))


def _put_back(order: list[int], made: Iterator[Result]) -> Iterator[Result]:
    """What is ``made`` in an ``order``, from the first on."""
    early: dict[int, Result] = {}
    pairs = zip(order, made, strict=True)
    for i in range(len(order)):
        while i not in early:
            at, result = next(pairs)
            early[at] = result
        yield early.pop(i)


def _tried(function: Callable[..., Result], item: tuple[Any, ...]) -> tuple[Result | None, Exception | None]:
    """What ``function`` gives, or the error it raises: an error that goes through joblib makes it end the other open loops, loudly."""
    try:
        return function(*item), None
    except Exception as err:
        err.add_note(traceback.format_exc())
        return None, err


def _results(loop: Iterator[tuple[Any, Exception | None]]) -> Iterator[Any]:
    for result, error in loop:
        if error is not None:
            raise error
        yield result


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes started within don't hear the key that stops: the one that started them ends them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def quietly_ended() -> Iterator[Callable[[], None]]:
    """After an error within, the loops still open are ended, and joblib's own words of that are not printed. Gives what says no more from now
    on, for a handler of signals: a loop that is interrupted while it waits ends the others by itself."""
    told = threading.excepthook, logging.root.manager.disable

    def hush() -> None:
        threading.excepthook = lambda _: None
        logging.disable()

    try:
        yield hush
    except BaseException:
        hush()
        _end()
        raise
    finally:
        threading.excepthook, logging.root.manager.disable = told


def _end() -> None:
    """End every open loop, and the processes that are at them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for loop in list(_OPEN):
            loop.close()


def _kept(function: Callable[..., Result], items: list[tuple[Any, ...]], jobs: int | None) -> Iterator[Result]:
    """As `each`, with what is kept of the ``items`` taken, and the rest kept."""
    places = [kept.place_of(function, item) for item in items]
    found = [kept.taken(place) for place in places]
    made = each(function, [item for item, old in zip(items, found, strict=True) if old is None], jobs)
    return (kept.keep(at, next(made)) if old is None else old[0] for at, old in zip(places, found, strict=True))
