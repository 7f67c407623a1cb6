"""python -m tests.same_outputs record DIR, before a move of code; compare DIR, after it. See DEVELOPERS.md."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.same_outputs.base import BaseError, chosen, compare, record
from tests.same_outputs.runs import QUICK


def _names(text: str) -> list[str]:
    return [name for name in text.split(",") if name]


def main(argv: list[str] | None = None) -> int:
    """0 where all is the same or recorded, 1 where a file differs, 2 where it could not be done."""
    parser = argparse.ArgumentParser(prog="python -m tests.same_outputs", description=__doc__)
    parser.add_argument("does", choices=("record", "compare"))
    parser.add_argument("base", type=Path, help="a folder outside the checkout")
    parser.add_argument("--quick", action="store_true", help="the two small shops alone")
    parser.add_argument("--shop", type=_names, default=[], metavar="NAME,NAME", help="tiny, no_odometer, demo, large")
    parser.add_argument("--command", type=_names, default=[], metavar="NAME,NAME", help="default: every command")
    parser.add_argument("--jobs", type=int, choices=(1, 2), default=2, help="runs at a time (default 2)")
    parser.add_argument("--lines", type=int, default=40, help="lines shown of each difference (default 40)")
    told = parser.parse_args(argv)

    def say(text: str) -> None:
        print(text, flush=True)

    try:
        pairs = chosen(told.shop or (QUICK if told.quick else ()), told.command)
        if told.does == "record":
            record(told.base, pairs, told.jobs, say)
            return 0
        return 1 if compare(told.base, pairs, told.jobs, say, told.lines) else 0
    except BaseError as err:
        print(f"error: {err}.", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
