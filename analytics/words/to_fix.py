"""What in the records to mend, and whether every row was used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analytics.reasons import Code, Counted, Faults, Harm, Issue, Mend, Question, Reason, ToFix
from analytics.words.phrases import capital, percent, plural
from analytics.words.saying import Said, asks, say, says, texts

asks(
    Question.TO_FIX,
    "What in the records should be mended first?",
    "Ranked by how far a fault can bend the numbers, a judgement. Recorded-for-whom: Fisher's exact test, called a bias at a gap over ten points with p under 0.01.",
)
asks(Question.COUNTED, "Was every row used?")
#: kinds of doubt about a cell
_DOUBT: dict[Code, Said] = {
    Issue.DATE_BY_ORDER: "dates settled by the order of events",
    Issue.UNREAD: "figures or words that could not be read",
    Issue.NO_START: "odometers at install not recorded, so later readings say nothing",
    Issue.TOO_FAST: "odometers faster than a truck drives, not used",
    Issue.ODOMETER_REPLACED: "odometers replaced",
    Issue.BACKWARDS: "odometers that run backwards, not used",
    Issue.OFF_SUPERSESSION: "parts fitted before or after the day they were superseded",
    Issue.TWO_NAMES: "parts that two sheets name differently",
    Issue.RANGE: "ranges, whose middle is taken",
    Issue.MAYBE_TWICE: "returns that may be entered twice",
    Issue.LINKED: "serials linked by one slip of the pen, to be confirmed",
    Issue.SHIPPED_AGAIN: "units shipped again after a return",
    Issue.COMBINED_WEIGHT: "weights with the trailer, not used",
    Issue.DECIMAL: "pages whose figures are read with a decimal comma",
    Issue.NO_COLUMN: "pages that lack a column others have",
    Issue.HIDDEN: "pages with hidden rows, which are read",
    Issue.MERGED: "cells that take the value of the merged cell above",
    Issue.DITTO: "columns with marks that repeat the cell above",
    Issue.CROSSED_CELL: "cells crossed out, but read",
    Issue.VOID: "rows that say they are void, but are read",
    Issue.BY_PART: "components named by one of their parts",
    Issue.ZERO: "figures of 0 or 1 that may mean unknown, not used",
    Issue.FAR: "powers and weights unlike all others of their kind",
    Issue.TWO_FIGURES: "returns whose miles and odometer do not agree",
    Issue.NEAR_NAME: "names that may be one, spelt two ways",
    Issue.NO_PART_NAME: "words in place of a part that name none",
    Issue.OTHER_PART: "returns of a part that their unit did not have",
    Issue.SEVERAL_NAMES: "cells that name several components or parts",
    Issue.SETTING: "names in shop.toml that no sheet holds",
    Issue.DATE_BY_COLUMN: "dates settled by the other dates of their column",
    Issue.OFF_ORDER: "days far from those of the rows around them",
    Issue.LATER: "rows after the day looked from, though few others are",
    Issue.ODD_RATE: "odometers by which a truck drives unlike the others of its use",
    Issue.TOO_SLOW: "columns of miles that may be in thousands",
    Issue.LONE_PART: "parts put in long before or after all others of their kind",
}
#: kinds of rows set aside
_ASIDE: dict[Code, Said] = {
    Issue.NO_RECORD: "rows that are no record",
    Issue.REPEATED: "rows entered twice",
    Issue.NO_BUILD: "rows with a serial that was never built",
    Issue.BUILD_SET_ASIDE: "rows whose build is set aside",
    Issue.SEVERAL_FIT: "rows whose serial is one slip away from several",
    Issue.BUILT_ALREADY: "builds whose serial is built already",
    Issue.NO_DAY: "rows without the day they came in",
    Issue.NO_DATE: "rows without a date",
    Issue.TWO_DAYS: "dates that could be two days",
    Issue.OUT_OF_ORDER: "dates out of order",
    Issue.NO_ORDER: "dates that no reading puts in order",
    Issue.LONE_DATE: "dates long after all others",
    Issue.CROSSED_OUT: "rows crossed out",
    Issue.UNCONFIRMED: "rows recognised in a sentence that nobody has confirmed",
    Issue.DENIED: "rows that were said to be no damage",
}
texts(_DOUBT | _ASIDE)
texts(
    {
        Faults.NONE: "Nothing was found to mend.",
        Faults.MORE: "{faults} more, less urgent, are in the table.",
        Harm.RATES_BIASED: "failures look more common than they are at every power and weight: any rate or rating that needs it is biased",
        Harm.LEANS_ON_RETURNS: "what is computed from it leans on the units that came back",
        Harm.SAYS_NOTHING_BY_IT: "they count in the fleet but say nothing by power, weight, use or miles",
        Harm.COMEBACKS_MISSING: "comebacks that are set aside make every part look better than it is",
        Harm.UNITS_MISSING: "units that are set aside are missing from the fleet, and their returns with them",
        Harm.MILES_MISSING: "miles that could be known are not",
        Harm.CHANGE_MISSED: "a change of power or weight is not followed",
        Harm.TAKEN_AS_RUNNING: "they are taken as still running; if some broke and went elsewhere, every part looks better than it is",
        Harm.FAILURE_HIDDEN: "a failure may hide there",
        Harm.WHOSE_FAULT: "nobody can tell the part's fault from the install's",
        Harm.EACH_COUNTS: "each is counted as failed, so each part looks worse than it is",
        Harm.SPEAK_FOR_NO_PART: "they speak for no part",
        Harm.ASSUMED_OR_UNREAD: "read on an assumption, or left unread",
        Mend.ASK_AT_EVERY_BUILD: "ask for {what} at every build; start with a random {some} of the {missing:,} missing",
        Mend.PHONE_FOR_ODOMETERS: "phone owners picked at random for an odometer reading; start with {some}",
        Mend.ASK_FOR: "ask for {what}",
        Mend.SEE_SET_ASIDE: "see set_aside.csv; for example row {row}: {remedy}",
        Mend.PHONE_SOME: "phone {some} of them, picked at random",
        Mend.FIND_OUT_WHAT_BROKE: "find out what broke, and enter it as a return",
        Mend.WRITE_THE_CAUSE: "write the cause at the teardown",
        Mend.WRITE_THE_ORDER: "write first or followed at the teardown",
        Mend.FILL_IN_THE_PART: "fill in the part at the build",
        Mend.SEE_TO_CHECK: "see to_check.csv; for example {sheet} row {row}: {remedy}",
        Counted.ROWS: lambda read, used, set_aside: (
            f"{read:,} rows were read: {f'{used:,} are used and {set_aside:,} set aside, each with its reason' if set_aside else 'all are used'}. The counts add up, sheet by sheet."
        ),
        Counted.FILE_PASSED_OVER: "{told}",
    }
)


# ---- faults ----------------------------------------------------------------------------------------------------------
@says(Faults.FAULT)
def _fault(rank: int, what: Reason, harm: Harm, mend: Reason) -> str:
    told, do = say(what), say(mend)
    return f"{rank}. {capital(told)}: {say(harm)}. {capital(do)}."


texts(
    {
        ToFix.KNOWN_FOR_WHOM: lambda what, of_returned, of_others: (
            f"{what} is known for {percent(of_returned)} of the units that came back but {percent(of_others)} of those that never did"
        ),
        ToFix.NOT_KNOWN: lambda what, units, share: (
            f"{what} is not known for {plural(units, 'unit')} ({percent(share)})"
        ),
        ToFix.ROWS_SET_ASIDE: lambda rows, sheet, why: f"{plural(rows, 'row')} of {sheet} set aside, most often: {why}",
        ToFix.SILENT: lambda units, years: (
            f"{plural(units, 'unit')} not heard of since {'it' if units == 1 else 'they'} went out, more than {years} years ago"
        ),
        ToFix.NOT_RUNNING: lambda units: f"{plural(units, 'unit')} reported not running, with no return on file",
        ToFix.NO_CAUSE: lambda components: f"no cause written down for {plural(components, 'returned component')}",
        ToFix.ORDER_UNCLEAR: lambda components: (
            f"which part broke first is not clear for {plural(components, 'component')}"
        ),
        ToFix.NO_PART: lambda lives: f"{plural(lives, 'part life', 'part lives')} with no part name",
        ToFix.CELLS: lambda cells, kind: f"{plural(cells, 'cell')}: {say(kind)}",
    }
)


# ---- every row -------------------------------------------------------------------------------------------------------
texts(
    {
        Counted.LATER: lambda rows, as_of: (
            f"{plural(rows, 'row')} dated after {as_of:%Y-%m-%d} {'was' if rows == 1 else 'were'} not looked at."
        ),
        Counted.TO_CHECK: lambda cells: (
            f"{plural(cells, 'cell')} in the rows used {'was' if cells == 1 else 'were'} read on an assumption or left unread: they are listed as well (to_check.csv)."
        ),
    }
)


@says(Counted.UNUSED_COLUMNS)
def _unused_columns(columns: Mapping[str, Sequence[str]]) -> str:
    told = [f"{', '.join(own)} (in {name})" for name, own in columns.items()]
    return f"Columns nobody asked for were passed over: {'; '.join(told)}."
