"""The command line: ``python -m analytics``."""

from __future__ import annotations

import argparse
import io
import math
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analytics.cores import JOBS, RECKONING, quietly_ended
from analytics.errors import AnalyticsError
from analytics.words import terminal

Argument = Callable[[argparse.ArgumentParser], object]


@dataclass(frozen=True, slots=True)
class Command:
    """One command: its name, what it does, its arguments in the order of its help, and what runs it."""

    name: str
    does: str
    arguments: tuple[Argument, ...]
    run: Callable[[argparse.Namespace], None]


def argument(*names: str, **told: Any) -> Argument:
    """One argument of a command, which adds itself to a parser. ``names``: its own; ``told``: what the parser is told of it."""
    return lambda parser: parser.add_argument(*names, **told)


FOLDER = (
    argument("folder", type=Path, help="the folder with shop.toml and the sheets"),
    argument(
        "--as-of", default=None, metavar="DATE", help="look at the records as they stood on that day (2024-12-31)"
    ),
)
TARGETS = (
    argument("--life", default=None, metavar="DISTANCE", help='target life, 50000 or "80,000 km" (default: shop.toml)'),
    argument(
        "--reliability",
        type=float,
        default=None,
        metavar="SHARE",
        help="share that shall reach it (default: shop.toml)",
    ),
    argument("--confidence", type=float, default=None, metavar="SHARE", help="how sure (default: shop.toml)"),
)


def _jobs() -> Argument:
    """--jobs, by default every core."""
    return argument("--jobs", type=int, default=None, metavar="N", help="processes at a time (default: one a core)")


def _out(default: str = "") -> Argument:
    """--out, by default a folder of that name in the shop's."""
    where = f" (default: FOLDER/{default})" if default else ""
    return argument("--out", type=Path, default=None, metavar="DIR", help=f"where the files go{where}")


def commands() -> tuple[Command, ...]:
    """Every command there is, in the order of the help."""
    return (
        Command(
            "start",
            "look through a folder of sheets and propose its shop.toml; nothing in your files is changed",
            (
                argument("folder", type=Path, help="the folder with your sheets"),
                argument("--template", action="store_true", help="write an empty workbook to fill in instead"),
                argument("--metric", action="store_true", help="with --template: headings in kW, kg and km"),
            ),
            _start,
        ),
        Command(
            "check", "read the records and say what is used, set aside and to be checked", (*FOLDER, _out()), _check
        ),
        Command(
            "review", "the quarterly review: a page, a workbook and tables", (*FOLDER, _out("review"), _jobs()), _review
        ),
        Command(
            "alarms",
            "list the alarms that reviews have said, or close one: a line in alarms.csv, with who and why",
            (
                *FOLDER,
                argument("--close", default="", metavar="ALARM", help="as the list names it"),
                argument("--by", default="", metavar="NAME", help="the person who decides"),
                argument("--why", default="", metavar="REASON", help="what was found and done"),
                argument("--on", default=None, metavar="DATE", help="from when it is closed (default: the as-of date)"),
            ),
            _alarms,
        ),
        Command(
            "ratings",
            "the power each part may be published at: a page, a workbook, a table and the customers' sheet",
            (*FOLDER, *TARGETS, _out("ratings"), _jobs()),
            _ratings,
        ),
        Command(
            "advise",
            "what one truck should be built with, and the best use of the money: on the terminal, and on half a page",
            (
                *FOLDER,
                argument(
                    "--power", default="", metavar="POWER", help='such as 720, "about 700", "540 kW" or "650 whp"'
                ),
                argument(
                    "--weight", default="", metavar="WEIGHT", help='of the truck without trailer: 8200, or "3.9 t"'
                ),
                argument("--use", default="", help='one of the shop\'s, or several: "towing and drag"'),
                argument("--measured-at", default="", metavar="WHERE", help="crank or wheels (default: shop.toml)"),
                argument(
                    "--life", default=None, metavar="DISTANCE", help="how long it shall last (default: shop.toml)"
                ),
                argument("--passes", type=float, default=None, help="how long, in passes or pulls"),
                argument("--months", type=float, default=None, help="how long, in months"),
                argument(
                    "--given",
                    action="append",
                    default=[],
                    metavar="NAME=FIGURE",
                    help="a figure of the truck, in the units of shop.toml (rpm, lb, lb ft, in, psi, s and °F where it names none): torque, engine_rpm, stall_ratio, stall_rpm, first_gear, overdrive, axle_ratio, "
                    "tyre_diameter, driven_wheels, driven_share, shift_time, oil_temperature, trailer_weight, line_pressure, converter_pressure",
                ),
                argument("--page", type=Path, default=None, metavar="FILE", help="write half a page to print or send"),
                argument(
                    "--keep",
                    default="",
                    metavar="SERIAL",
                    help="add the parts advised to advised.csv, for the unit of that serial",
                ),
                argument(
                    "--trucks",
                    type=Path,
                    default=None,
                    metavar="SHEET",
                    help="a sheet of trucks, one a row, in place of one",
                ),
                argument(
                    "--out",
                    type=Path,
                    default=None,
                    metavar="FILE",
                    help="with --trucks: the answers (default: advice.csv)",
                ),
            ),
            _advise,
        ),
        Command(
            "load",
            "the load behind the horsepower: torque, margins, ratings on them, suspects",
            (
                *FOLDER,
                argument(
                    "--strength",
                    default="",
                    metavar="WHAT",
                    help="rate on power, torque or margin (default: shop.toml)",
                ),
                *TARGETS,
                _out("load"),
                _jobs(),
            ),
            _load,
        ),
        Command(
            "accept",
            "accept a proposed limit: add it to the shop's limits, with who and why",
            (
                *FOLDER,
                *TARGETS,
                argument("--component", required=True),
                argument("--part", required=True),
                argument(
                    "--weight-up-to",
                    required=True,
                    metavar="WEIGHT",
                    help='as in ratings.csv, or "any" where no weight is on record',
                ),
                argument("--use", default="", help="blank: any use"),
                argument("--power", required=True, metavar="POWER", help="the limit to publish"),
                argument("--by", required=True, metavar="NAME", help="the person who decides"),
                argument("--why", default="", help="a remark for the ledger"),
                argument(
                    "--effective-on", default=None, metavar="DATE", help="from when it holds (default: the as-of date)"
                ),
            ),
            _accept,
        ),
        Command(
            "backtest",
            "replay past quarters: the ratings and forecasts as they would have been, and what came",
            (
                *FOLDER,
                argument("--quarters", type=int, default=8, help="quarters replayed (default 8)"),
                _out("backtest"),
                _jobs(),
            ),
            _backtest,
        ),
        Command(
            "cutoff",
            "where one part should end and the next begin: a brief to defend it, and a page with the whole argument",
            (
                *FOLDER,
                argument("--component", required=True),
                argument("--from", dest="below", required=True, metavar="PART", help="the part below the boundary"),
                argument("--to", dest="above", required=True, metavar="PART", help="the part above it, or the new one"),
                argument(
                    "--margin",
                    type=float,
                    default=0.8,
                    metavar="SHARE",
                    help="least share of the old life that counts as no worse (default 0.8)",
                ),
                argument("--finding", default="", help="look at one way of failing alone"),
                _out("cutoff"),
                _jobs(),
            ),
            _cutoff,
        ),
        Command(
            "coverage",
            "how often the rating rule is right for fleets like the shop's own",
            (
                *FOLDER,
                argument("--replicates", type=int, default=200, help="fleets per part and use (default 200)"),
                _jobs(),
            ),
            _coverage,
        ),
        Command(
            "demo",
            "write the sheets of an invented shop",
            (
                argument("folder", type=Path, help="an empty or new folder"),
                argument(
                    "--load",
                    action="store_true",
                    help="the shop for the load page, of which is known what the lives run on",
                ),
            ),
            _demo,
        ),
    )


def _parser(prog: str, description: str, known: Sequence[Command]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog=prog, description=description)
    named = parser.add_subparsers(dest="command", required=True)
    for command in known:
        own = named.add_parser(command.name, help=command.does, description=command.does)
        own.set_defaults(run=command.run)
        for each in command.arguments:
            each(own)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command, ``argv`` or the program's own. Returns 0, or 2 where the work could not be done (the reason goes to stderr), 130 where it was stopped."""
    return run_command("python -m analytics", terminal.DOES, commands(), argv)


def run_command(prog: str, description: str, known: Sequence[Command], argv: Sequence[str] | None) -> int:
    """Run one of the ``known`` commands; returns as `main` does. prog, description: for the help. argv: None for the program's own."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console or file of few letters: the others come as their numbers
            stream.reconfigure(errors="backslashreplace")
    arguments = _parser(prog, description, known).parse_args(argv)
    os.environ.update({name: os.environ.get(name, told) for name, told in RECKONING.items()})
    if getattr(arguments, "jobs", None) is not None:
        os.environ[JOBS] = str(arguments.jobs)
    try:
        with quietly_ended() as hush:
            _heed(hush)
            arguments.run(arguments)
    except AnalyticsError as err:
        return _say(str(err))
    except BrokenPipeError:
        return 0
    except OSError as err:
        return _say(terminal.disk(err.strerror or str(err), err.filename))
    except MemoryError:
        return _say(terminal.NO_MEMORY)
    except KeyboardInterrupt:
        _say(terminal.STOPPED)
        return 130
    return 0


def _heed(hush: Callable[[], None]) -> None:
    """A request to end is met as the key that stops: what is half-written is taken away first. ``hush``: called before."""

    def stop(*_: object) -> None:
        hush()
        raise KeyboardInterrupt

    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, stop)
        signal.signal(signal.SIGINT, stop)


def _say(error: str) -> int:
    from analytics.words.listing import printable

    print(printable(f"error: {error}"), file=sys.stderr)
    return 2


def progress() -> Callable[[str], None] | None:
    """Say the stages on a terminal; stay quiet elsewhere."""
    return (lambda stage: print(f"  {stage} …", file=sys.stderr)) if sys.stderr.isatty() else None


def _start(arguments: argparse.Namespace) -> None:
    from analytics.report.blank_book import write_blank
    from analytics.report.start import start

    if arguments.template:
        print(printable_text(write_blank(arguments.folder, arguments.metric, _called())))
        return
    person = sys.stdin is not None and sys.stdin.isatty()
    said = start(arguments.folder, _yes if person else None, _called())
    print(printable_text(said))


def _yes(question: str) -> str:
    """A person's answer: yes, no, or all."""
    while True:
        answer = input(f"{printable_text(question)} [yes/no/all] ").strip().casefold()
        if answer in ("y", "yes", "n", "no", "a", "all"):
            return {"y": "yes", "n": "no", "a": "all"}[answer[0]]


def printable_text(text: str) -> str:
    """``text`` as a terminal can show it."""
    from analytics.words.listing import printable

    return printable(text)


def _called() -> str:
    """How the person called the program, for the commands it names."""
    script = Path(sys.argv[0])
    return str(script) if script.stem == "field-returns" else f"{sys.orig_argv[0]} -m analytics"


def _check(arguments: argparse.Namespace) -> None:
    from analytics.api.shop import read

    found = read(arguments.folder, arguments.as_of, progress=progress()).check()
    print(found)
    if arguments.out is not None:
        from analytics.report.files import write_csv

        for name, table in (("set_aside", found.set_aside), ("to_check", found.to_check), ("counts", found.table)):
            write_csv(table, arguments.out / f"{name}.csv")
        print(terminal.whole_lists(arguments.out))


def _page(arguments: argparse.Namespace, notebook: str, name: str, page: str, title: str, **parameters: object) -> Path:
    """Run a notebook on the folder; its page and files go to --out, by default FOLDER/``name``. Returns the page."""
    from analytics.report.run import run_notebook

    out = arguments.out if arguments.out is not None else arguments.folder / name
    places = {"folder": str(arguments.folder.resolve()), "as_of": arguments.as_of or "", "out": str(out.resolve())}
    return run_notebook(notebook, places | parameters, out / page, title)


def _ours(text: str, option: str, shop: Any) -> float:
    """A figure of an ``option``, with its unit or in the ``shop``'s own, in ours: hp, lb or miles."""
    from analytics.records import cells

    kind = {"--power": cells.POWER, "--life": cells.DISTANCE}.get(option, cells.WEIGHT)
    value, *_, problem, remedy = cells.parse_quantity(text, kind, getattr(shop.units, kind.name))
    if problem or math.isnan(value):
        told = remedy or f"give it as {kind.example}"
        raise AnalyticsError(f"{option} {text!r}: {problem or 'says nothing'}. {told[:1].upper()}{told[1:]}.")
    return value


def _review(arguments: argparse.Namespace) -> None:
    from analytics.records.shop import load_shop

    shop = load_shop(arguments.folder)
    page = _page(arguments, "quarterly_review", "review", "review.html", f"{shop.name}: {terminal.REVIEW_TITLE}")
    print(terminal.review(page))
    if arguments.as_of is None and arguments.out is None:  # a trial elsewhere is not said to anyone
        _keep_said(shop, page.with_name("said.csv"))


def _keep_said(shop: Any, path: Path) -> None:
    """What the review says of today, added to what was said before; of an earlier day it would be wisdom after the event."""
    import pandas as pd

    from analytics.review.said import keep_said

    if path.is_file() and keep_said(shop, pd.read_csv(path, keep_default_na=False, na_values={"came": [""]})):
        print(terminal.said(shop.folder / "said.csv"))


def _alarms(arguments: argparse.Namespace) -> None:
    from analytics.records.load import load_records
    from analytics.records.ordering import as_day
    from analytics.review.said import close_alarm, closings, said_alarms
    from analytics.words.review.alarms import alarm_named, alarms_listing

    records = load_records(arguments.folder, arguments.as_of)
    said, on = said_alarms(records.shop), arguments.on or records.as_of.date().isoformat()
    if arguments.close:
        path = close_alarm(
            records.shop, alarm_named(arguments.close, said), arguments.by, arguments.why, as_day(on).date()
        )
        print(terminal.closed(path))
        return
    print(printable_text(alarms_listing(said, closings(records.shop, records.as_of))))


def _targets(arguments: argparse.Namespace, shop: Any) -> dict[str, float | None]:
    told = {name: getattr(arguments, name) for name in ("reliability", "confidence")}
    return {"life": _life(arguments, shop)} | told


def _life(arguments: argparse.Namespace, shop: Any) -> float | None:
    return None if arguments.life is None else _ours(arguments.life, "--life", shop)


def _options(arguments: argparse.Namespace, shop: Any, strength: str | None = None) -> Any:
    """What is asked of a rating; a slip in it is said before the work."""
    from analytics.ratings.options import options_for

    return options_for(shop, _life(arguments, shop), arguments.reliability, arguments.confidence, strength)


def _ratings(arguments: argparse.Namespace) -> None:
    from analytics.records.shop import load_shop

    shop = load_shop(arguments.folder)
    _options(arguments, shop)
    begun = time.perf_counter()
    title, asked = f"{shop.name}: {terminal.RATINGS_TITLE}", _targets(arguments, shop)
    page = _page(arguments, "power_ratings", "ratings", "ratings.html", title, **asked)
    rows = max(len(page.with_name("ratings.csv").read_text(encoding="utf-8").splitlines()) - 1, 0)
    print(terminal.ratings(page, rows, time.perf_counter() - begun))


def _cutoff(arguments: argparse.Namespace) -> None:
    from analytics.cutoffs.cost import costs_of
    from analytics.records.shop import load_shop

    shop = load_shop(arguments.folder)
    costs_of(shop, (arguments.below, arguments.above))  # a missing cost is said before the work
    title = f"{shop.name}: {terminal.cutoff_title(arguments.below, arguments.above)}"
    told = {name: getattr(arguments, name) for name in ("component", "below", "above", "margin", "finding")}
    page = _page(arguments, "tier_cutoff", "cutoff", "argument.html", title, **told)
    print(terminal.cutoff(page))


def _advise(arguments: argparse.Namespace) -> None:
    from analytics.advice.adviser import Adviser
    from analytics.advice.batch import lines_of
    from analytics.advice.truck import wish_of
    from analytics.lifetimes.table import make_lifetimes
    from analytics.ratings.grown import ADVISED
    from analytics.records.load import load_records
    from analytics.records.shop import load_shop
    from analytics.report.advice_page import write_advice
    from analytics.words.advice import spoken
    from analytics.words.units import speak_as

    shop = load_shop(arguments.folder)
    speak_as(shop)
    given = dict(_given(text, shop.units) for text in arguments.given)
    told = {name: getattr(arguments, name) for name in ("power", "weight", "use", "measured_at", "passes", "months")}
    wish = wish_of(**told, life=_life(arguments, shop), own=given)
    records = load_records(shop, arguments.as_of, progress())
    adviser = Adviser(records, make_lifetimes(records), progress=progress())
    if arguments.trucks is not None:
        _advise_all(arguments, adviser)
        return
    advice = adviser.ask(wish)
    print(printable_text("\n".join(spoken(advice))))
    if arguments.page is not None:
        print(terminal.advised(write_advice(advice, arguments.page)))
    if arguments.keep:
        print(terminal.kept(ADVISED.add(records.shop.folder, lines_of(advice, arguments.keep))))


def _advise_all(arguments: argparse.Namespace, adviser: Any) -> None:
    from analytics.advice.batch import ask_all, read_trucks
    from analytics.records.shop import Units
    from analytics.report.files import write_csv
    from analytics.words.advice import batch_table
    from analytics.words.units import speaking

    trucks = read_trucks(arguments.trucks)
    answers = ask_all(adviser, trucks)
    out = arguments.out or arguments.trucks.with_name("advice.csv")
    table = batch_table(trucks, answers)
    with speaking(Units()):  # the columns are the owner's own, whatever they are called
        write_csv(table, out)
    print(terminal.advised_all(out, len(answers), sum(isinstance(a, AnalyticsError) for a in answers)))


def _given(text: str, units: Any) -> tuple[str, float]:
    from analytics.advice.truck import in_ours

    told, _, figure = text.partition("=")
    name = told.strip().replace("-", "_")
    try:
        return name, in_ours(name, float(figure), units)
    except ValueError:
        raise AnalyticsError(f"--given {text!r}: write it as NAME=FIGURE, such as stall_ratio=1.9.") from None


def _load(arguments: argparse.Namespace) -> None:
    from analytics.driveline.assumptions import assumptions_for
    from analytics.records.shop import load_shop

    shop = load_shop(arguments.folder)
    _options(arguments, shop, arguments.strength)
    assumptions_for(shop)
    title, asked = f"{shop.name}: {terminal.LOAD_TITLE}", {"strength": arguments.strength} | _targets(arguments, shop)
    page = _page(arguments, "driveline_load", "load", "load.html", title, **asked)
    print(terminal.load(page))


def _accept(arguments: argparse.Namespace) -> None:
    from analytics.lifetimes.table import make_lifetimes
    from analytics.ratings.ledger import Acceptance, accept
    from analytics.ratings.sheet import make_ratings
    from analytics.records.load import load_records
    from analytics.records.ordering import as_day
    from analytics.words.ratings.ledger import acceptance_words
    from analytics.words.units import speak_as

    records = load_records(arguments.folder, arguments.as_of, progress())
    shop = records.shop
    speak_as(shop)
    options = _options(arguments, shop)
    heaviest = math.inf if arguments.weight_up_to == "any" else _ours(arguments.weight_up_to, "--weight-up-to", shop)
    limit = _ours(arguments.power, "--power", shop)
    ratings = make_ratings(
        records, make_lifetimes(records), options, progress(), only=[(arguments.component, arguments.part)]
    )
    try:
        day = as_day(arguments.effective_on).date() if arguments.effective_on else records.as_of.date()
    except AnalyticsError as err:
        raise AnalyticsError(f"--effective-on: {str(err).removeprefix('as-of date ')}") from err
    wish = Acceptance(
        component=arguments.component,
        part=arguments.part,
        weight_up_to_lb=heaviest,
        use=arguments.use,
        power_hp=limit,
        by=arguments.by,
        effective_on=day,
        why=arguments.why,
    )
    entry = accept(ratings, wish, acceptance_words)
    print(terminal.accepted(entry))


def _backtest(arguments: argparse.Namespace) -> None:
    from analytics.ratings.backtest import backtest
    from analytics.records.shop import load_shop
    from analytics.report.files import write_csv
    from analytics.words.ratings.backtest import backtest_table, backtest_words
    from analytics.words.units import speak_as

    speak_as(load_shop(arguments.folder))
    done = backtest(arguments.folder, arguments.quarters, as_of=arguments.as_of, progress=progress())
    print("\n".join(backtest_words(done)))
    out = arguments.out if arguments.out is not None else arguments.folder / "backtest"
    write_csv(backtest_table(done), out / "backtest.csv")
    print(terminal.backtest(out / "backtest.csv"))


def _coverage(arguments: argparse.Namespace) -> None:
    from analytics.lifetimes.table import make_lifetimes
    from analytics.ratings.options import options_for
    from analytics.ratings.own_fleets import sheet_rows
    from analytics.ratings.sheet import make_ratings
    from analytics.records.load import load_records
    from analytics.words.ratings.own_fleets import row_words
    from analytics.words.units import speak_as

    records = load_records(arguments.folder, arguments.as_of, progress())
    speak_as(records.shop)
    ratings = make_ratings(records, make_lifetimes(records), options_for(records.shop), progress())
    for row in sheet_rows(ratings, arguments.replicates, arguments.jobs):
        print(row_words(row))


def _demo(arguments: argparse.Namespace) -> None:
    from analytics.demo import copy_demo

    copy_demo(arguments.folder, arguments.load)
    print(terminal.demo(arguments.folder))


if __name__ == "__main__":
    sys.exit(main())
