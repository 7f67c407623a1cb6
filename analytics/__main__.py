"""The command line: ``python -m analytics``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from analytics.errors import AnalyticsError


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0, or 2 where the work could not be done (the reason goes to stderr)."""
    parser = argparse.ArgumentParser(prog="python -m analytics", description="Field-return analytics for a shop that builds performance transmissions.")
    commands = parser.add_subparsers(dest="command", required=True)
    for name, does, run in (
        ("check", "read the records and say what is used, set aside and to be checked", _check),
        ("review", "the quarterly review: a page, a workbook and tables", _review),
        ("demo", "write the sheets of an invented shop", _demo),
    ):
        command = commands.add_parser(name, help=does, description=does)
        command.set_defaults(run=run)
        if name == "demo":
            command.add_argument("folder", type=Path, help="an empty or new folder")
            command.add_argument("--units", type=int, default=900, help="units built (default 900)")
            command.add_argument("--seed", type=int, default=None, help="same seed, same bytes")
            continue
        command.add_argument("folder", type=Path, help="the folder with shop.toml and the sheets")
        command.add_argument("--as-of", default=None, metavar="DATE", help="look at the records as they stood on that day (2024-12-31)")
        command.add_argument("--out", type=Path, default=None, metavar="DIR", help="where the files go" + ("" if name == "check" else " (default: FOLDER/review)"))
    arguments = parser.parse_args(argv)
    try:
        arguments.run(arguments)
    except AnalyticsError as err:
        print(f"error: {err}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0
    return 0


def _progress() -> Callable[[str], None] | None:
    """Say the stages on a terminal; stay quiet elsewhere."""
    return (lambda stage: print(f"  {stage} …", file=sys.stderr)) if sys.stderr.isatty() else None


def _check(arguments: argparse.Namespace) -> None:
    from analytics.lifetimes.table import make_lifetimes
    from analytics.records.load import load_records
    from analytics.report.files import write_csv
    from analytics.report.listing import check_listing

    records = load_records(arguments.folder, arguments.as_of, _progress())
    lifetimes = make_lifetimes(records)
    print(check_listing(records, lifetimes))
    if arguments.out is not None:
        for name in ("set_aside", "to_check", "counts"):
            write_csv(getattr(records, name), arguments.out / f"{name}.csv")
        print(f"\nWhole lists: {arguments.out}/set_aside.csv, to_check.csv, counts.csv")


def _review(arguments: argparse.Namespace) -> None:
    from analytics.records.shop import load_shop
    from analytics.report.run import run_notebook

    shop = load_shop(arguments.folder)
    out = arguments.out if arguments.out is not None else arguments.folder / "review"
    page = run_notebook(
        "quarterly_review", {"folder": str(arguments.folder.resolve()), "as_of": arguments.as_of or "", "out": str(out.resolve())},
        out / "review.html", f"{shop.name}: quarterly review",
    )
    print(f"The review: {page}\nBeside it: review.xlsx, lifetimes.csv, survival.csv, set_aside.csv, to_check.csv, counts.csv")


def _demo(arguments: argparse.Namespace) -> None:
    from analytics.simulate.demo import write_demo

    options = {} if arguments.seed is None else {"seed": arguments.seed}
    write_demo(arguments.folder, units=arguments.units, **options)
    print(f"An invented shop's sheets are in {arguments.folder}. Look at them with: python -m analytics review {arguments.folder}")


if __name__ == "__main__":
    sys.exit(main())
