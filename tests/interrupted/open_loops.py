"""A command broken off while two loops are open on other processes: python -m tests.interrupted.open_loops HOW."""

from __future__ import annotations

import argparse
import math
import sys
import time

from analytics.__main__ import Command, argument, run_command
from analytics.cores import each
from analytics.errors import AnalyticsError


def _run(told: argparse.Namespace) -> None:
    one, other = (each(time.sleep, [(0.1,)] * 60, 2) for _ in range(2))
    next(one)
    print("open", flush=True)
    if told.how == "sheet":
        raise AnalyticsError("a sheet read late is bad")
    if told.how == "elsewhere":
        try:
            list(each(math.sqrt, [(-1.0,)] * 4, 2))
        except ValueError as err:
            raise AnalyticsError("no root on another process") from err
    list(other)


if __name__ == "__main__":
    sys.exit(run_command("open_loops", "", [Command("break", "", (argument("how"),), _run)], ["break", sys.argv[1]]))
