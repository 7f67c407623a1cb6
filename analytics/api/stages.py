"""The stage a long question is at, on one line of a notebook that is gone when the answer is there."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from analytics.words import door


def _load() -> None:
    import analytics.review.outlook  # noqa: F401  # with it comes nearly all that long loops need


class Stages:
    """Use it with ``with``, and as ``progress=`` of what is asked inside: the stage, and how long it will take by the last time the same was asked
    on this machine. Outside a notebook it says nothing."""

    def __init__(self, name: str) -> None:
        """name: what is asked, for example the name of the notebook: under it the times are kept."""
        from analytics.kept import cache_folder

        folder = cache_folder()
        self._place = folder / f"{name}.stages" if folder else None
        self._began, self._seen = time.monotonic(), dict[str, float]()
        self._line: Any = None
        self._ready: Iterator[None] = iter(())
        self._before: dict[str, float] = {}
        if self._place:
            with suppress(OSError, ValueError):
                self._before = dict(json.loads(self._place.read_text(encoding="utf-8")))

    def __call__(self, stage: str) -> None:
        """Say that this ``stage`` begins."""
        from IPython.core.getipython import get_ipython
        from IPython.display import HTML, display

        now = time.monotonic() - self._began
        self._seen.setdefault(stage, now)
        if get_ipython() is None:
            return
        text = HTML(door.stage(stage, self.left_s(stage, now)))
        if self._line is None:
            self._line = display(text, display_id=True)
        else:
            self._line.update(text)

    def left_s(self, stage: str, now_s: float) -> float:
        """Seconds left at a ``stage`` that begins after now_s of them; NaN where it is not known."""
        then, whole = self._before.get(stage, 0.0), max(self._before.values(), default=0.0)
        return (whole - then) * (now_s / then if then > 1 else 1.0) if stage in self._before else float("nan")

    def __enter__(self) -> Stages:
        from joblib import cpu_count

        from analytics.cores import each

        # the other processes take a second to be there: they come while the sheets are read
        self._ready = each(_load, [()] * cpu_count())
        return self

    def __exit__(self, failed: object, *_: object) -> None:
        for _ready in self._ready:
            pass
        if self._line is not None:
            from IPython.display import clear_output

            clear_output()
        if self._place and self._seen and not failed:
            self._seen[""] = time.monotonic() - self._began
            with suppress(OSError):
                self._place.write_text(json.dumps(self._seen), encoding="utf-8")
