"""The command line: ``python -m analytics``."""

from __future__ import annotations

import argparse
import io
import math
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from analytics.errors import AnalyticsError


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0, or 2 where the work could not be done (the reason goes to stderr), 130 where it was stopped."""
    parser = argparse.ArgumentParser(
        prog="python -m analytics",
        description="Field-return analytics for a shop that builds performance transmissions.",
    )
    commands = parser.add_subparsers(dest="command", required=True)
    for name, does, run in (
        ("check", "read the records and say what is used, set aside and to be checked", _check),
        ("review", "the quarterly review: a page, a workbook and tables", _review),
        (
            "ratings",
            "the power each part may be published at: a page, a workbook, a table and the customers' sheet",
            _ratings,
        ),
        ("load", "the load behind the horsepower: torque, margins, ratings on them, suspects", _load),
        ("accept", "accept a proposed limit: add it to the shop's limits, with who and why", _accept),
        (
            "backtest",
            "replay past quarters: the ratings and forecasts as they would have been, and what came",
            _backtest,
        ),
        (
            "cutoff",
            "where one part should end and the next begin: a brief to defend it, and a page with the whole argument",
            _cutoff,
        ),
        ("coverage", "how often the rating rule is right: the study, or for a fleet like the shop's own", _coverage),
        ("evidence", "our answers beside outside ones: published tables, handbooks, R", _evidence),
        ("demo", "write the sheets of an invented shop", _demo),
    ):
        command = commands.add_parser(name, help=does, description=does)
        command.set_defaults(run=run)
        if name == "demo":
            command.add_argument("folder", type=Path, help="an empty or new folder")
            command.add_argument("--units", type=int, default=900, help="units built (default 900)")
            command.add_argument("--seed", type=int, default=None, help="same seed, same bytes")
            continue
        if name == "evidence":
            command.add_argument(
                "--reference",
                type=Path,
                default=Path("tests/reference"),
                metavar="DIR",
                help="the outside values (default tests/reference)",
            )
            command.add_argument(
                "--out", type=Path, default=Path("data/evidence"), metavar="DIR", help="default data/evidence"
            )
            continue
        if name == "coverage":
            command.add_argument(
                "folder",
                type=Path,
                nargs="?",
                help="a shop's folder: the study for fleets drawn like its own; without it the whole study",
            )
            command.add_argument("--replicates", type=int, default=200, help="fleets per cell (default 200)")
            command.add_argument("--jobs", type=int, default=1, help="processes (default 1)")
            command.add_argument(
                "--cells", nargs="*", default=None, metavar="NAME", help="cells of the study by name (default: all)"
            )
            command.add_argument(
                "--out",
                type=Path,
                default=Path("data/evidence"),
                metavar="DIR",
                help="where the study's tables are kept, and gone on with (default data/evidence)",
            )
            command.add_argument("--as-of", default=None, metavar="DATE")
            command.add_argument(
                "--cutoffs", action="store_true", help="the study of the verdicts step, slope, can't tell instead"
            )
            command.add_argument(
                "--watch",
                type=int,
                default=0,
                metavar="N",
                help="instead: replay N invented quiet shops, and half as many with troubles, through the quarterly watch",
            )
            command.add_argument(
                "--guarantee",
                type=int,
                default=0,
                metavar="N",
                help="instead: hold what a guarantee would cost in N invented shops against the truth",
            )
            command.add_argument(
                "--shops",
                type=int,
                default=0,
                metavar="N",
                help="instead: rate N invented shops from their sheets, and hold every bound against the truth",
            )
            continue
        command.add_argument("folder", type=Path, help="the folder with shop.toml and the sheets")
        command.add_argument(
            "--as-of", default=None, metavar="DATE", help="look at the records as they stood on that day (2024-12-31)"
        )
        if name == "backtest":
            command.add_argument("--quarters", type=int, default=8, help="quarters replayed (default 8)")
        if name == "cutoff":
            command.add_argument("--component", required=True)
            command.add_argument(
                "--from", dest="below", required=True, metavar="PART", help="the part below the boundary"
            )
            command.add_argument(
                "--to", dest="above", required=True, metavar="PART", help="the part above it, or the new one"
            )
            command.add_argument(
                "--margin",
                type=float,
                default=0.8,
                metavar="SHARE",
                help="least share of the old life that counts as no worse (default 0.8)",
            )
            command.add_argument("--finding", default="", help="look at one way of failing alone")
        if name == "load":
            command.add_argument(
                "--strength", default="", metavar="WHAT", help="rate on power, torque or margin (default: shop.toml)"
            )
        if name in ("ratings", "accept", "load"):
            command.add_argument(
                "--life", type=float, default=None, metavar="MILES", help="target life (default: shop.toml)"
            )
            command.add_argument(
                "--reliability",
                type=float,
                default=None,
                metavar="SHARE",
                help="share that shall reach it (default: shop.toml)",
            )
            command.add_argument(
                "--confidence", type=float, default=None, metavar="SHARE", help="how sure (default: shop.toml)"
            )
        if name == "accept":
            command.add_argument("--component", required=True)
            command.add_argument("--part", required=True)
            command.add_argument(
                "--weight-up-to",
                type=lambda text: math.inf if text == "any" else float(text),
                required=True,
                metavar="LB",
                help='as in ratings.csv, or "any" where no weight is on record',
            )
            command.add_argument("--use", default="", help="blank: any use")
            command.add_argument("--power", type=float, required=True, metavar="HP", help="the limit to publish")
            command.add_argument("--by", required=True, metavar="NAME", help="the person who decides")
            command.add_argument("--why", default="", help="a remark for the ledger")
            command.add_argument(
                "--effective-on", default=None, metavar="DATE", help="from when it holds (default: the as-of date)"
            )
            continue
        command.add_argument(
            "--out",
            type=Path,
            default=None,
            metavar="DIR",
            help="where the files go" + ("" if name == "check" else f" (default: FOLDER/{name})"),
        )
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console or file of few letters: the others come as their numbers
            stream.reconfigure(errors="backslashreplace")
    arguments = parser.parse_args(argv)
    try:
        arguments.run(arguments)
    except AnalyticsError as err:
        return _say(str(err))
    except BrokenPipeError:
        return 0
    except OSError as err:
        where = f" ({Path(err.filename).name})" if err.filename else ""
        return _say(
            f"{err.strerror or err}{where}. Check that files can be read, folders written and that the disk is not full."
        )
    except MemoryError:
        return _say("not enough memory. Close other programs, or split the sheets.")
    except KeyboardInterrupt:
        _say("stopped. Nothing half-written was left under a file's own name.")
        return 130
    return 0


def _say(error: str) -> int:
    from analytics.report.listing import printable

    print(printable(f"error: {error}"), file=sys.stderr)
    return 2


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


def _page(arguments: argparse.Namespace, notebook: str, name: str, page: str, title: str, **parameters: object) -> Path:
    """Run a notebook on the folder; its page and files go to --out, by default FOLDER/``name``. Returns the page."""
    from analytics.report.run import run_notebook

    out = arguments.out if arguments.out is not None else arguments.folder / name
    places = {"folder": str(arguments.folder.resolve()), "as_of": arguments.as_of or "", "out": str(out.resolve())}
    return run_notebook(notebook, places | parameters, out / page, title)


def _review(arguments: argparse.Namespace) -> None:
    from analytics.records.shop import load_shop

    shop = load_shop(arguments.folder)
    page = _page(arguments, "quarterly_review", "review", "review.html", f"{shop.name}: quarterly review")
    print(
        f"The review: {page}\nBeside it: review.xlsx, and as CSV the tables, among them watch, forecast and unit_chances (what comes next), "
        "above_limit, ask_for and random_calls (whom to call), set_aside and to_check (what to mend)"
    )


def _targets(arguments: argparse.Namespace) -> dict[str, float | None]:
    return {name: getattr(arguments, name) for name in ("life", "reliability", "confidence")}


def _ratings(arguments: argparse.Namespace) -> None:
    from analytics.ratings.options import options_for
    from analytics.records.shop import load_shop

    shop, targets = load_shop(arguments.folder), _targets(arguments)
    options_for(shop, *targets.values())  # a slip in the targets is said before the work
    begun = time.perf_counter()
    page = _page(arguments, "power_ratings", "ratings", "ratings.html", f"{shop.name}: power ratings", **targets)
    rows = max(len(page.with_name("ratings.csv").read_text(encoding="utf-8").splitlines()) - 1, 0)
    took = time.perf_counter() - begun
    print(f"The ratings: {page}\nBeside it: ratings.csv, ratings.xlsx, customer_sheet.html, above_proven.csv")
    if rows:
        print(f"{rows} rows, page and files in {took:.0f} s: {took / rows:.1f} s a row.")


def _cutoff(arguments: argparse.Namespace) -> None:
    from analytics.cutoffs.cost import costs_of
    from analytics.records.shop import load_shop

    shop = load_shop(arguments.folder)
    costs_of(shop, (arguments.below, arguments.above))  # a missing cost is said before the work
    title = f"{shop.name}: where {arguments.below} ends and {arguments.above} begins"
    told = {name: getattr(arguments, name) for name in ("component", "below", "above", "margin", "finding")}
    page = _page(arguments, "tier_cutoff", "cutoff", "argument.html", title, **told)
    print(
        f"The brief: {page.with_name('brief.html')}\nThe whole argument: {page}\nBeside them: cutoff.csv, overlap.csv, cost_curve.csv, sensitivity.csv"
    )


def _load(arguments: argparse.Namespace) -> None:
    from analytics.driveline.assumptions import assumptions_for
    from analytics.ratings.options import options_for
    from analytics.records.shop import load_shop

    shop, targets = load_shop(arguments.folder), _targets(arguments)
    options_for(shop, *targets.values(), arguments.strength)  # a slip is said before the work
    assumptions_for(shop)
    title = f"{shop.name}: the load behind the horsepower"
    page = _page(arguments, "driveline_load", "load", "load.html", title, strength=arguments.strength, **targets)
    print(f"The loads: {page}\nBeside it: loads.csv, load_ratings.csv, suspects.csv, load.xlsx")


def _accept(arguments: argparse.Namespace) -> None:
    import datetime as dt

    from analytics.lifetimes.table import make_lifetimes
    from analytics.ratings.ledger import accept
    from analytics.ratings.options import options_for
    from analytics.ratings.sheet import make_ratings
    from analytics.records.load import load_records

    records = load_records(arguments.folder, arguments.as_of, _progress())
    options = options_for(records.shop, arguments.life, arguments.reliability, arguments.confidence)
    ratings = make_ratings(
        records, make_lifetimes(records), options, _progress(), only=(arguments.component, arguments.part)
    )
    try:
        day = dt.date.fromisoformat(arguments.effective_on) if arguments.effective_on else records.as_of.date()
    except ValueError as err:
        raise AnalyticsError(
            f"--effective-on {arguments.effective_on!r} is not a date: write it as 2024-12-31."
        ) from err
    entry = accept(
        ratings,
        arguments.component,
        arguments.part,
        arguments.weight_up_to,
        arguments.use,
        arguments.power,
        arguments.by,
        day,
        arguments.why,
    )
    print(
        f"Added to limits: {entry.component} {entry.part}, {'up to ' + entry.weight_up_to if entry.weight_up_to else 'any weight'}, {entry.power_limit} from {entry.effective_on}.\n{entry.reason}"
    )


def _backtest(arguments: argparse.Namespace) -> None:
    from analytics.ratings.backtest import backtest
    from analytics.report.files import write_csv

    done = backtest(arguments.folder, arguments.quarters, as_of=arguments.as_of, progress=_progress())
    print("\n".join(done.words))
    out = arguments.out if arguments.out is not None else arguments.folder / "backtest"
    write_csv(done.to_frame(), out / "backtest.csv")
    print(f"Quarter by quarter: {out / 'backtest.csv'}")


def _coverage(arguments: argparse.Namespace) -> None:
    from analytics.evidence.coverage import run, sheet_rows

    if arguments.cutoffs:
        from analytics.evidence import cutoff

        table = cutoff.run(arguments.out, arguments.replicates, arguments.jobs, arguments.cells, progress=_progress())
        shown = ["cell", "fleets", "said_step", "said_slope", "wrong", "wrong_se", "place_holds"]
        print(table[shown].round(3).to_string(index=False))
        return
    if arguments.watch:
        from analytics.evidence import watch

        print(watch.run(arguments.out, arguments.watch, progress=_progress()).T.to_string())
        return
    if arguments.guarantee:
        from analytics.evidence import guarantee

        table = guarantee.run(arguments.out, arguments.guarantee, progress=_progress())
        print(table.round(3).to_string(index=False))
        return
    if arguments.shops:
        from analytics.evidence import demo_shops

        table = demo_shops.run(arguments.out, arguments.shops, progress=_progress())
        print(table.round(3).to_string(index=False))
        return
    if arguments.folder is None:
        table = run(arguments.out, arguments.replicates, arguments.jobs, arguments.cells, progress=_progress())
        print(table[["cell", "fleets", "rated", "covered", "se", "median_ratio"]].round(3).to_string(index=False))
        return
    from analytics.lifetimes.table import make_lifetimes
    from analytics.ratings.options import options_for
    from analytics.ratings.sheet import make_ratings
    from analytics.records.load import load_records

    records = load_records(arguments.folder, arguments.as_of, _progress())
    options = options_for(records.shop)
    ratings = make_ratings(records, make_lifetimes(records), options, _progress())
    for name, told in sheet_rows(ratings, arguments.replicates, arguments.jobs):
        print(f"{name}: {told}.")


def _evidence(arguments: argparse.Namespace) -> None:
    from analytics.evidence.outside import by_case, outside_table
    from analytics.report.files import write_csv

    table = outside_table(arguments.reference)
    write_csv(table, arguments.out / "outside.csv")
    print(by_case(table)[["case", "what", "answered", "agree", "not_ours"]].to_string(index=False))
    print(f"\nCheck by check: {arguments.out / 'outside.csv'}")


def _demo(arguments: argparse.Namespace) -> None:
    from analytics.simulate.demo import write_demo

    options = {} if arguments.seed is None else {"seed": arguments.seed}
    write_demo(arguments.folder, units=arguments.units, **options)
    print(
        f"An invented shop's sheets are in {arguments.folder}. Look at them with: python -m analytics review {arguments.folder}"
    )


if __name__ == "__main__":
    sys.exit(main())
