"""The command line of the studies: ``python -m studies``, in a checkout."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from analytics.__main__ import Argument, Command, argument, progress, run_command

OUT = argument(
    "--out",
    type=Path,
    default=Path("data/evidence"),
    metavar="DIR",
    help="where the tables are kept, and gone on with (default data/evidence)",
)


def _cells(replicates: int = 200) -> tuple[Argument, ...]:
    return (
        argument("--replicates", type=int, default=replicates, help=f"fleets per cell (default {replicates})"),
        argument("--jobs", type=int, default=1, help="processes (default 1)"),
        argument("--cells", nargs="*", default=None, metavar="NAME", help="cells by name (default: all)"),
        OUT,
    )


def _shops(default: int) -> tuple[Argument, ...]:
    return argument("--shops", type=int, default=default, metavar="N", help=f"invented shops (default {default})"), OUT


def commands() -> tuple[Command, ...]:
    """Every study there is."""
    return (
        Command("coverage", "how often the rating rule is right", _cells(), _coverage),
        Command("cutoffs", "how often the verdicts step, slope, can't tell are right", _cells(), _cutoffs),
        Command("power-ratio", "the power a part carries against another", _cells(50), _power_ratio),
        Command(
            "prediction",
            "how often the interval of one part's comebacks holds them",
            (
                argument("--replicates", type=int, default=400, help="fleets per cell (default 400)"),
                argument("--jobs", type=int, default=1, help="processes (default 1)"),
                OUT,
            ),
            _prediction,
        ),
        Command("none-failed", "parts without a failure, rated with what siblings lend", _cells(), _none_failed),
        Command(
            "shops", "rate invented shops from their sheets, and hold every bound against the truth", _shops(100), _rate
        ),
        Command(
            "worth", "what following the sheet for six years is worth, against the habit", _worth_arguments(), _worth
        ),
        Command(
            "advice",
            "ask invented shops what to build 50 trucks each with, and hold the answers against the truth",
            _shops(40),
            _advice,
        ),
        Command(
            "watch",
            "replay invented quiet shops, and half as many with troubles, through the quarterly watch",
            _shops(40),
            _watch,
        ),
        Command(
            "quarter",
            "foretell the quarters of invented shops, and hold what comes in at the door against it",
            (*_shops(12), argument("--jobs", type=int, default=1, help="processes (default 1)")),
            _quarter,
        ),
        Command(
            "guarantee",
            "hold what a guarantee would cost in invented shops against the truth",
            _shops(40),
            _guarantee,
        ),
        Command(
            "hidden",
            "hold the bound for damage that only a teardown shows, in invented shops, against the truth",
            _shops(40),
            _hidden,
        ),
        Command(
            "stops",
            "what is foretold to come in at the door where teardowns show damage that stops no truck, in invented shops",
            _shops(20),
            _stops,
        ),
        Command("slips", "slips of the pen that change a published figure with nothing said", _shops(2), _slips),
        Command(
            "speed",
            "how fast the work is against others and the time it is to take, on this machine",
            (argument("--only", nargs="*", default=None, metavar="GROUP", help="groups by name (default: all)"), OUT),
            _speed,
        ),
        Command(
            "load",
            "what explains returns, horsepower of a rating on torque, and which rule is accused, on known truths",
            (argument("--fleets", type=int, default=40, metavar="N", help="fleets a row (default 40)"), OUT),
            _load,
        ),
        Command(
            "demo",
            "write the sheets of an invented shop drawn anew",
            (
                argument("folder", type=Path, help="an empty or new folder, or an earlier demo"),
                argument(
                    "--load",
                    action="store_true",
                    help="the shop for the load page, of which is known what the lives run on",
                ),
                argument("--units", type=int, default=None, help="units built (default 900; with --load 400)"),
                argument("--seed", type=int, default=None, help="same seed, same bytes"),
            ),
            _demo,
        ),
        Command(
            "outside",
            "our answers beside outside ones: published tables, handbooks, R",
            (
                argument(
                    "--reference",
                    type=Path,
                    default=Path("tests/reference"),
                    metavar="DIR",
                    help="the outside values (default tests/reference)",
                ),
                OUT,
            ),
            _outside,
        ),
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run one study. Returns as `analytics.__main__.main` does."""
    return run_command("python -m studies", "The studies that put the methods to the test.", commands(), argv)


def _speed(arguments: argparse.Namespace) -> None:
    from studies.speed import run

    _print(run(arguments.out, arguments.only), "work rows cpu_ms wall_ms against times_as_fast lowest highest goal")


def _print(table: pd.DataFrame, columns: str = "") -> None:
    print((table[columns.split()] if columns else table).round(3).to_string(index=False))


def _coverage(arguments: argparse.Namespace) -> None:
    from studies.coverage import run

    table = run(arguments.out, arguments.replicates, arguments.jobs, arguments.cells, progress=progress())
    _print(table, "cell fleets rated covered se median_ratio")


def _cutoffs(arguments: argparse.Namespace) -> None:
    from studies.cutoff import run

    table = run(arguments.out, arguments.replicates, arguments.jobs, arguments.cells, progress=progress())
    _print(table, "cell fleets said_step said_slope wrong wrong_se place_holds")


def _power_ratio(arguments: argparse.Namespace) -> None:
    from studies.power_ratio import run

    table = run(arguments.out, arguments.replicates, arguments.jobs, arguments.cells, progress=progress())
    _print(table, "cell compared lower_holds upper_holds")


def _prediction(arguments: argparse.Namespace) -> None:
    from studies.prediction import prediction_coverage

    table = prediction_coverage(
        arguments.replicates, jobs=arguments.jobs, out=arguments.out / "prediction.csv", progress=progress()
    )
    _print(table, "cell days fleets covered se below above")


def _none_failed(arguments: argparse.Namespace) -> None:
    from studies.none_failed import run

    table = run(arguments.out, arguments.replicates, arguments.jobs, arguments.cells, progress=progress())
    _print(table, "cell parts given held se held_of_all median_ratio")


def _rate(arguments: argparse.Namespace) -> None:
    from studies.demo_shops import run

    _print(run(arguments.out, arguments.shops, progress=progress()))


def _hidden(arguments: argparse.Namespace) -> None:
    from studies.hidden import run

    _print(run(arguments.out, arguments.shops, progress=progress()))


def _stops(arguments: argparse.Namespace) -> None:
    from studies.stops import run

    _print(run(arguments.out, arguments.shops, progress=progress()))


def _load(arguments: argparse.Namespace) -> None:
    from studies.load import run

    for table in run(arguments.out, arguments.fleets, progress()).values():
        _print(table)


def _worth_arguments() -> tuple[Argument, ...]:
    return (
        *_shops(40),
        argument("--jobs", type=int, default=1, help="processes (default 1)"),
        argument(
            "--replicates", type=int, default=0, help="fleets of each calibration (default 0: first-order bounds)"
        ),
    )


def _advice(arguments: argparse.Namespace) -> None:
    from studies.advice import run

    print(run(arguments.out, arguments.shops, progress=progress()).to_string(index=False))


def _worth(arguments: argparse.Namespace) -> None:
    from studies.worth import run

    _print(run(arguments.out, arguments.shops, arguments.replicates, arguments.jobs, progress=progress()))


def _watch(arguments: argparse.Namespace) -> None:
    from studies.watch import run

    print(run(arguments.out, arguments.shops, progress=progress()).T.to_string())


def _slips(arguments: argparse.Namespace) -> None:
    from studies.slips import run

    _print(run(arguments.out, arguments.shops, progress=progress()))


def _quarter(arguments: argparse.Namespace) -> None:
    from studies.quarter import run

    _print(run(arguments.out, arguments.shops, arguments.jobs, progress=progress()))


def _guarantee(arguments: argparse.Namespace) -> None:
    from studies.guarantee import run

    _print(run(arguments.out, arguments.shops, progress=progress()))


def _outside(arguments: argparse.Namespace) -> None:
    from analytics.whole import whole_file
    from studies.outside import by_case, outside_table

    table = outside_table(arguments.reference)
    with whole_file(arguments.out / "outside.csv") as part:
        table.to_csv(part, index=False, lineterminator="\n")
    print(by_case(table)[["case", "what", "answered", "agree", "not_ours"]].to_string(index=False))
    print(f"\nCheck by check: {arguments.out / 'outside.csv'}")


def _demo(arguments: argparse.Namespace) -> None:
    from studies.simulate.demo import write_demo, write_load_demo

    options = {k: v for k, v in (("units", arguments.units), ("seed", arguments.seed)) if v is not None}
    (write_load_demo if arguments.load else write_demo)(arguments.folder, **options)


if __name__ == "__main__":
    sys.exit(main())
