"""What a row of lifetimes rests on, and what could not be followed, in words."""

from __future__ import annotations

import pandas as pd

from analytics.lifetimes.schema import CLOCKS
from analytics.lifetimes.table import Lifetimes
from analytics.reasons import Flag, LeftOut
from analytics.records.flags import flags_of
from analytics.words.phrases import plural
from analytics.words.saying import say, says, texts

#: columns of the table that the owner reads
COLUMNS = [
    *"serial component part lot spell segment".split(),
    *(f"{side}_{clock}" for clock in CLOCKS for side in ("entry", "lower", "upper")),
    *"ended cause finding order power_hp torque_lbft weight_lb use power_band weight_class".split(),
    *"builder built_on started_on ended_on unit_days count miles_from miles_days flags".split(),
]
texts(
    {
        Flag.AT_TEARDOWN: "found at teardown",
        Flag.BEFORE_FITTED: "failed before it was fitted, by the dates: taken as the day it was fitted",
        Flag.DAY_OF_RETURN: "day of failure not recorded: taken as the day of return",
        Flag.FITTED_SAYS_OTHER: "the return says {put_in} was put in, fitted says {fitted}",
        Flag.LOAD_AT_THE_END: "changed before the teardown: the load at the end is taken",
        Flag.LOAD_NOT_KNOWN: "power, weight or use changed, to what is not known",
        Flag.LOST: "lost: followed to the last contact",
        Flag.MAYBE_FAILED: "reported not running, no return: a failure may hide here",
        Flag.MILES_SHORT: "miles driven around an odometer change are missing",
        Flag.NAMED_OTHER: "the return names {stated}, the records before it {known}",
        Flag.NOT_LISTED: "the build lists none: taken as fitted then",
        Flag.ODOMETER_ABOUT: "odometer at install approximate",
        Flag.ONE_OF_SEVERAL: "one of several alike",
        Flag.OUT_OF_SIGHT: "out of sight from here: sold, lost or scrapped, as reported",
        Flag.PART_FROM_RETURN: "part known from the return only",
        Flag.POWER_ABOUT: "power approximate",
        Flag.POWER_AT_WHEELS: "wheel power converted to crank",
        Flag.POWER_RANGE: "power a range, its middle taken",
        Flag.PUT_IN_NOT_RECORDED: "the part put in at the return is not recorded",
        Flag.SCRAPPED: "scrapped",
        Flag.SET_ASIDE: "followed to a return that is set aside (row {row})",
        Flag.SEVERAL_THAT_DAY: "one of several failures of the component on one day",
        Flag.SOLD: "sold on: followed to the last contact",
        Flag.WEIGHT_ABOUT: "weight approximate",
        Flag.WEIGHT_OF_PLATE: "rating-plate weight, the most the truck may weigh",
        Flag.WHEN_NOT_RECORDED: "when it was put in is not recorded",
        LeftOut.BEFORE_RECORDS: "{number} part lives ended before the records start ({records_start:%Y-%m-%d}) and are left out: "
        "only failures would be known of them.",
        LeftOut.FITTED_TO_SEVERAL: "{number} parts fitted later to rows of builds that stand for several units are not followed.",
        LeftOut.NO_AGE: "{number} returns came after a set-aside one of the same component: the age of the part is not known.",
        LeftOut.NO_PART: lambda number: (
            f"{plural(number, 'part life', 'part lives')} {'has' if number == 1 else 'have'} no part recorded: counted in the fleet, but for no part."
        ),
    }
)


@says(LeftOut.NOT_IN_SERVICE)
def _(number: int) -> str:
    return f"{number} unit{'s were' if number > 1 else ' was'} not yet in service."


@says(LeftOut.RETURNS_SET_ASIDE)
def _(number: int) -> str:
    return (
        f"{number} set-aside return{'s' if number > 1 else ''} may be of a failure that is not counted: the parts they "
        "speak of are followed up to them only. Survival looks better than it is until they are mended."
    )


@says(LeftOut.FAILED_OUT_OF_SIGHT)
def _(number: int) -> str:
    return (
        f"{number} failure{'s' if number > 1 else ''} came from units that had been reported sold, lost or "
        "scrapped. They are not counted: of such units only those that fail are heard of again."
    )


def lifetimes_table(table: pd.DataFrame) -> pd.DataFrame:
    """The table of lifetimes, or a part of it, with its flags said; columns and rows as they were."""
    said = {text: "; ".join(say(f) for f in flags_of(text)) for text in table["flags"].unique()}
    return table.assign(flags=table["flags"].map(said))


def lifetimes_sheet(lifetimes: Lifetimes) -> pd.DataFrame:
    """The table of lifetimes as the owner reads it."""
    return lifetimes_table(lifetimes.table[COLUMNS])
