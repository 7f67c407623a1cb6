"""What can be said of a result: a code and the values that go with it. The sentences are made in ``words``, and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum, auto
from typing import Any


class Code(Enum):
    """A thing that can be said. Members of two rooms are never equal, whatever their names; those of one are in order."""

    def __lt__(self, other: object) -> bool:
        return self.value < other.value if type(self) is type(other) else NotImplemented


@dataclass(frozen=True, slots=True)
class Reason:
    """``values``: by name, unrounded, in the units their names say; what the words of ``code`` ask for, no more and no less."""

    code: Code
    values: Mapping[str, Any] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"Reason({type(self.code).__name__}.{self.code.name})"


def reason(code: Code, **values: Any) -> Reason:
    """A code with its values, filled by name."""
    return Reason(code, values)


def reason_if(code: Code, so: object, /, **values: Any) -> list[Reason]:
    """The reason of a ``code`` where it is ``so``, else none: to be added to what is said. Its values are worked out either way."""
    return [Reason(code, values)] if so else []


def brief(result: object, *names: str, **more: object) -> str:
    """A ``result`` in one line, for who works with the code: its fields of these ``names``, and what is worked out of the others (``more``)."""
    told = {name: getattr(result, name) for name in names} | more
    return f"{type(result).__name__}({', '.join(f'{name} {_short(value)}' for name, value in told.items())})"


def _short(value: object) -> str:
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d}"
    return f"{value:,.6g}" if isinstance(value, float) else str(value)


class Question(Code):
    """Questions of the owner that an ``Answer`` answers."""

    ABOVE = auto()
    ADVISED = auto()
    AGAIN = auto()
    ALARMS = auto()
    ASK_FIRST = auto()
    BUILD_YEARS = auto()
    BY_CELL = auto()
    CAME_BACK = auto()
    CAUSES = auto()
    CHANGE = auto()
    CLOCKS = auto()
    COUNTED = auto()
    DRAGS = auto()
    EXPECTED = auto()
    FINDING_SHARES = auto()
    FIRST_OR_FOLLOWED = auto()
    FLEET = auto()
    FORECAST = auto()
    GUARANTEE = auto()
    HOW_SURE = auto()
    JUDGED_ALIKE = auto()
    KEPT = auto()
    LIMITS = auto()
    LOTS = auto()
    MONTHS = auto()
    NEXT_MILES = auto()
    POWER = auto()
    RANDOM_CALLS = auto()
    REBUILT = auto()
    RENEW = auto()
    REVISION = auto()
    STOCK = auto()
    TO_FIX = auto()
    WEAR = auto()


class Above(Code):
    NO_LIMIT = auto()
    NONE_HELD = auto()
    NONE_ABOVE = auto()
    COUNT = auto()
    NOTHING_PROVEN = auto()
    FIRST = auto()
    EXPECTED = auto()
    NO_CHANCE = auto()
    LOOK_AT_THE_LIMIT = auto()
    NO_POWER = auto()
    TELL_THE_OWNER = auto()
    LIMITS = auto()


class Again(Code):
    NONE_BACK = auto()
    BACK_ONCE_AND_MORE = auto()
    LOST_TWICE = auto()
    MORE_OFTEN_WITH_AGE = auto()
    LESS_OFTEN_WITH_AGE = auto()


class Call(Code):
    """Why a truck is to be called."""

    WHY = auto()
    LOT = auto()
    ABOVE = auto()
    LIKELY = auto()
    TELLS_MUCH = auto()


class Do(Code):
    """What to do on Monday."""

    STOP_LOT = auto()
    ASK_BENCH = auto()
    LOOK_AT = auto()
    LOWER = auto()
    LOWER_TOO = auto()
    RAISE = auto()
    CALL = auto()
    RANDOM = auto()
    STOCK = auto()
    NOTHING = auto()


class Who(Code):
    """Whose job it is."""

    OWNER = auto()
    BENCH = auto()
    PARTS = auto()
    PHONE = auto()


class InNumbers(Code):
    """A row of the quarter in numbers."""

    CAME_BACK = auto()
    IN_SERVICE = auto()
    PER_HUNDRED = auto()
    EXPECTED = auto()
    COST = auto()


class Since(Code):
    """What changed since the last review."""

    NO_REVIEW_BEFORE = auto()
    VERDICT = auto()
    RATED_NOW = auto()
    ALARM_NEW = auto()
    ALARM_OVER = auto()
    NOTHING = auto()


class Boundary(Code):
    """Why a piece of the argument about a boundary is missing."""

    NO_MIDDLE_TIER = auto()
    REPLACED = auto()
    SETTLED = auto()
    SPARED_UNKNOWN = auto()


class ByLoad(Code):
    """What limits a rating on torque or margin."""

    AS_SIBLINGS = auto()
    BELOW_ANY_POWER = auto()
    DEMONSTRATED = auto()
    HELD_AT_LIGHTER = auto()
    LIGHTER_HAS_NONE = auto()
    NOTHING_PROVEN = auto()
    JUDGED_ON_POWER = auto()
    NOT_DECIDED = auto()


class Stands(Code):
    """What the parts that ran at a margin or less make of it."""

    NONE = auto()
    CLEARED = auto()
    OPEN = auto()
    BORNE_OUT = auto()


class Advised(Code):
    """Where a part stands for one truck, and what has to be said of the truck or of the build."""

    SUPPORTED = auto()
    NOT_SUPPORTED = auto()
    OVER_PUBLISHED = auto()
    # the records say nothing
    NO_SUCH_USE = auto()
    FEW_SO_HEAVY = auto()
    BEYOND = auto()
    NOTHING_SHOWN = auto()
    NOTHING_RULED_OUT = auto()
    NO_FIT = auto()
    NO_LIVES = auto()
    # of the truck
    USE_NOT_ON_RECORD = auto()
    POWER_ABOVE = auto()
    POWER_BELOW = auto()
    WEIGHT_ABOVE = auto()
    WEIGHT_BELOW = auto()
    FEW_TOGETHER = auto()
    # of the driveline
    CLUTCH_SLIPS = auto()
    SHAFT_YIELDS = auto()
    PRESSURE_TOO_HIGH = auto()
    NEEDS_PRESSURE = auto()
    LETS_THROUGH = auto()
    ON_A_GRADE = auto()
    BREAKS_RULE = auto()
    # of the build
    FITTED_WITH = auto()


class AdviceKept(Code):
    """How what was advised fared."""

    NONE = auto()
    COUNTS = auto()
    EXPECTED = auto()
    OTHERWISE = auto()


class Alarms(Code):
    NO_QUARTER_BEFORE = auto()
    TEST = auto()
    THIS_QUARTER = auto()
    BY_QUARTER = auto()
    AT_QUARTER = auto()
    STANDS_OUT = auto()
    CLOSED = auto()
    QUIET = auto()
    STOP_THE_LOT = auto()
    LOT_FAILS = auto()
    LOT_IN_MONEY = auto()
    LOT_PAYS_BELOW = auto()
    ASK_THE_BENCH = auto()
    NOTHING = auto()
    NOT_STANDING = auto()
    NEXT_IN_LINE = auto()
    TESTS = auto()


class AlarmIs(Code):
    """How an alarm stands."""

    NEW = auto()
    GROWING = auto()
    RUNNING = auto()
    CLOSED = auto()
    QUIET = auto()
    GONE = auto()


class AskFirst(Code):
    NOTHING = auto()
    COUNT = auto()
    FIRST = auto()


class BuildYears(Code):
    NONE_BACK = auto()
    OUT_OF_SIGHT = auto()
    MEANS = auto()
    TOO_YOUNG = auto()
    TOO_FEW_YEARS = auto()
    DIFFER = auto()
    ALIKE = auto()
    TREND_UNTESTED = auto()
    CLOSER_TOGETHER = auto()
    FURTHER_APART = auto()
    OVERALL = auto()


class ByCell(Code):
    NOT_IN_SERVICE = auto()
    NONE_BACK = auto()
    BACK_ON_FIRST_DAY = auto()
    NOT_ON_RECORD = auto()
    WORST = auto()
    NO_WORST = auto()
    CLEANEST = auto()
    INSTALL_ERRORS = auto()
    UNKNOWN = auto()
    BANDS_UNTESTED = auto()
    BANDS_DIFFER = auto()
    BANDS_MAY_DIFFER = auto()
    BANDS_ALIKE = auto()
    UNTESTED = auto()
    TEST = auto()
    CLASS_UNTESTED = auto()
    CLASS_TEST = auto()


class CameBack(Code):
    NOTHING = auto()
    COUNTS = auto()
    COMPONENT = auto()
    FOLLOWED = auto()
    ORDER_UNCLEAR = auto()
    CAUSE_UNSTATED = auto()


class Change(Code):
    NO_QUARTER_BEFORE = auto()
    NONE_BACK = auto()
    RATE = auto()
    TOTAL = auto()
    OUT_OF_SIGHT = auto()
    JUDGED_ELSEWHERE = auto()


class Checked(Code):
    """What in the data or the fit weakens a rating."""

    EARLY_FAILURES = auto()
    NOT_CONVERGED = auto()
    ONE_POWER = auto()
    SLOPE_UNSETTLED = auto()
    SLOPE_NOT_SHOWN = auto()
    ODOMETERS_ALIKE = auto()
    OWN_COLUMN = auto()
    COLLINEAR = auto()
    OTHER_CLASS_FAILED = auto()
    FITS_BETTER = auto()
    WHO_IS_READ = auto()
    DRIVING_CHANGES = auto()
    FLEETS_NOT_FITTED = auto()
    DISTRIBUTION_FAR_BEHIND = auto()
    DISTRIBUTION_RULES_NOTHING_OUT = auto()
    FEW_DRAWS = auto()
    POSTERIOR_FAR_OFF = auto()


class Curve(Code):
    """What limits a survival curve, a share by finding, or an age read off one."""

    NONE_FAILED = auto()
    FELL_TO_ZERO_EARLY = auto()
    NOBODY_AT_RISK = auto()
    ALL_FAILED_BEFORE_OTHERS = auto()


class Default(Code):
    """A default of the rating, with what it takes off the bound."""

    BOTH_LAWS = auto()
    SELECTION = auto()
    DECLINE = auto()
    SHARE = auto()
    EARLY = auto()


class Demonstrated(Code):
    """What miles without a failure, or with few, show."""

    NO_UNIT = auto()
    TOO_LITTLE = auto()
    SHOWN = auto()


class Figure(Code):
    """Headline figures that are read under other assumptions."""

    POWER = auto()
    SHARE_BACK = auto()


class Guarantee(Code):
    NO_COST = auto()
    TOO_FEW_FAILURES = auto()
    COSTS = auto()
    TOO_FEW_BUILT = auto()
    BAND = auto()
    NO_ADVICE = auto()


class Guess(Code):
    """Why a line of a proposed shop.toml is what it is."""

    NAME = auto()
    COMPONENT = auto()
    PAGES = auto()
    KINDS = auto()
    LINES = auto()
    FROM_TEXT = auto()
    HEADING = auto()
    HEADINGS = auto()
    DATES = auto()
    UNIT_OF_HEADING = auto()
    UNIT_OF_CELLS = auto()
    UNIT_BY_SIZE = auto()
    UNIT_LIKE_OTHERS = auto()
    UNIT_USUAL = auto()
    SPELLINGS = auto()
    SLIPS = auto()
    INSTEAD = auto()
    SEPARATE = auto()
    SAME_WORDS = auto()
    RECORDS_START = auto()
    LISTED = auto()
    WHICH = auto()


class HowSure(Code):
    NOTHING = auto()
    SHARE_BACK = auto()
    FIRM = auto()
    TURNED = auto()
    ON_WHAT = auto()


class Lasts(Code):
    """How long a guarantee of a band could last."""

    TOO_FEW_FAILURES = auto()
    MORE_THAN_EXPECTED = auto()
    NO_MONTH = auto()
    MONTHS = auto()


class Limits(Code):
    NONE_ON_FILE = auto()
    SPOKEN_TO = auto()
    NONE_FAILED = auto()
    WHAT_THEY_SAY = auto()
    RUN_ABOVE = auto()
    NO_LIMIT_APPLIED = auto()


class Lives(Code):
    """What was left out of the lives rated, or assumed of them."""

    NO_WEIGHT = auto()
    NO_POWER_OR_WEIGHT = auto()
    OTHER_CAUSES = auto()
    NO_MILES_OR_DAYS = auto()
    FAILED_AT_ZERO = auto()
    CARRIED_ON = auto()
    EXTRA_UNKNOWN = auto()
    EXTRA_PARTLY_UNKNOWN = auto()
    FILLED_FROM_ALIKE = auto()
    FILLED_FROM_FEW = auto()
    MISSING_OF_FAILED = auto()
    MISSING_OF_OTHERS = auto()


class Mileage(Code):
    FROM_RETURNED_TOO = auto()
    FEW_ODOMETERS = auto()


class Heavy(Code):
    """Does power matter more in heavy trucks?"""

    ALIKE = auto()
    FEW_FAILURES = auto()
    LESS = auto()
    MORE = auto()
    NO_WEIGHT = auto()
    UNTOLD = auto()


class Overlap(Code):
    """Why two parts are not compared."""

    FEW_FAILURES = auto()
    FEW_LIVES = auto()
    FEW_SHARE_POWER = auto()
    NO_COMMON_POWER = auto()
    ONE_NEVER_FAILED = auto()
    UNLIKE_TRUCKS = auto()


class Months(Code):
    NONE_BACK = auto()
    EARLY_MORE = auto()
    EARLY_NO_WORSE = auto()
    EARLY_CHANCE = auto()
    AGEING_FROM_NONE = auto()
    AGEING = auto()
    NO_AGEING = auto()
    BAD = auto()
    BAD_INSTALLS = auto()
    NONE_BAD = auto()
    MOST = auto()


class RandomCalls(Code):
    NOBODY_SILENT = auto()
    SILENT = auto()
    WOULD_FIND = auto()
    NO_PROOF = auto()
    ASK_EACH = auto()
    CHANCE = auto()


class ReadAs(Code):
    """Ways to take what the records leave open."""

    IT_STANDS = auto()
    REPORTED = auto()
    UNCLEAR_OUT = auto()
    WHEEL_LOSS = auto()
    FILLED = auto()
    LIKE_THE_READ = auto()


class Rebuilt(Code):
    NEW = auto()
    ONCE = auto()
    TWICE_OR_MORE = auto()
    NONE_YET = auto()
    TOO_LITTLE_EXPECTED = auto()
    MORE = auto()
    LESS = auto()
    NO_DIFFERENCE = auto()
    NOT_ALL_ALIKE = auto()


class Refused(Code):
    """A question that the records cannot carry; ``why`` is the message of the error that said so."""

    BECAUSE = auto()
    PART = auto()


class Assumption(Code):
    """What a test of an assumption found."""

    POWER_LAW_BENDS = auto()
    POWER_LAW_STRAIGHT = auto()
    POWER_LAW_UNTESTED = auto()
    SHAPES_DIFFER = auto()
    SHAPES_ALIKE = auto()
    FEW_EXPECTED = auto()


class Service(Code):
    """A stretch of a unit's service."""

    MONTHS = auto()
    PAST = auto()


class Rests(Code):
    """What a rating rests on, or why there is none."""

    NO_ODOMETER = auto()
    DEMONSTRATED = auto()
    AS_SIBLINGS = auto()
    MIX_OF_USES = auto()
    SHARE_TAKEN = auto()
    FEW_UNITS = auto()
    AT_LEAST = auto()
    BELOW_POWERS = auto()
    UNDER_POWERS = auto()
    ALL_REPORTED = auto()
    EARLY_TAKE_ALL = auto()
    NO_FIT_CONVERGED = auto()
    USES_HELD = auto()
    USE_NOT_STATED = auto()
    FEW_FAILURES = auto()
    AVERAGE_COLUMNS = auto()
    NOTHING_RULED_OUT = auto()
    LIGHTER_UNRATED = auto()
    HELD_AT_LIGHTER = auto()
    FOUND_AT_TEARDOWN = auto()
    HIDDEN_COUNTED = auto()
    STOPPED_ALONE = auto()
    MORE_OPENINGS = auto()
    FITTED_LATELY = auto()
    AS_BEFORE = auto()
    LASTS_AT_ANY_POWER = auto()
    LASTS_UP_TO = auto()
    LASTS_IN_WEAKEST = auto()
    UNCLEAR_FAILURES = auto()


class Unchecked(Code):
    """Why the model behind a rating could not be checked."""

    FEW_FAILURES = auto()
    NO_FIT = auto()


class Unfitted(Code):
    """Why a part has no fit."""

    NO_FAILURE = auto()
    FEW_FAILURES = auto()
    NOT_CONVERGED = auto()
    FEW_DRAWS = auto()
    NO_MILES_A_DAY = auto()


class Step(Code):
    """What decides whether a part has a step."""

    BEND_NOT_RULED_OUT = auto()
    BEND_RULED_OUT = auto()
    BEST_CUT_BY_CHANCE = auto()
    BOTH_FIT_BETTER = auto()
    DIFFERENCE_AND_JUMP = auto()
    FEW_COMPARED = auto()
    FEW_FAILURES = auto()
    JUMP_EXPLAINS = auto()
    JUMP_FITS_AS_WELL = auto()
    NOT_CONVERGED = auto()
    NO_SHAPE = auto()
    SLOPE_EXPLAINS = auto()
    SLOPE_HARDLY = auto()
    TREND_BESIDE_JUMP = auto()


class CameSince(Code):
    """What came of an alarm after it was raised."""

    BORNE_OUT = auto()
    NO_LONGER_LOOKED_AT = auto()
    NOT_BORNE_OUT = auto()
    RAISED_NOW = auto()
    RUN_ITS_COURSE = auto()
    TOO_EARLY = auto()


class Causes(Code):
    NONE_BACK = auto()
    OF_ALL = auto()
    CHANGED = auto()
    SAME_MIX = auto()


class Cell(Code):
    """What a power band and weight class shows."""

    NOT_YET = auto()
    NONE_PROVES_NOTHING = auto()
    NONE = auto()
    FEW = auto()
    SOME = auto()


class Clocks(Code):
    DAYS = auto()
    MILES = auto()


class Counted(Code):
    ROWS = auto()
    LATER = auto()
    TO_CHECK = auto()
    UNUSED_COLUMNS = auto()
    FILE_PASSED_OVER = auto()


class Drags(Code):
    NONE = auto()
    TOOK = auto()
    MAY_HAVE = auto()
    ALONE = auto()


class Expected(Code):
    NO_QUARTER_BEFORE = auto()
    WHOLE = auto()
    MORE = auto()
    FEWER = auto()
    ALL_WITHIN = auto()
    NOT_FOLLOWED = auto()
    FOUND_OPENED = auto()
    FILLED = auto()


class Family(Code):
    """Claims that are alike: at what the watch looks, over its whole life, at its install errors, or at the quarter alone; and what else the
    review claims."""

    MONTH_INSTALL = auto()
    MONTH_LIFE = auto()
    BUILDER_INSTALL = auto()
    BUILDER_LIFE = auto()
    COMPONENT_QUARTER = auto()
    LOT_LIFE = auto()
    PART_QUARTER = auto()
    BAND_QUARTER = auto()
    REVISION_LIFE = auto()
    CLASS_QUARTER = auto()
    SHOP_QUARTER = auto()
    CAUSE_MIX = auto()
    REBUILT = auto()


class Faults(Code):
    NONE = auto()
    FAULT = auto()
    MORE = auto()


class Findings(Code):
    NOTHING_FAILED = auto()
    SHARES = auto()
    AS_IF_ALONE = auto()


class First(Code):
    NONE_DAMAGED = auto()
    COUNTS = auto()
    FOLLOWED = auto()
    NOT_TOLD = auto()
    UNCLEAR_BESIDE = auto()


class Fleet(Code):
    NONE = auto()
    SIZE = auto()
    GONE = auto()
    ODOMETERS = auto()
    NO_ODOMETERS = auto()


class Flag(Code):
    """What a row of builds or a life was read on or assumed, in its column ``flags`` (see records/flags.py)."""

    AT_TEARDOWN = auto()
    BEFORE_FITTED = auto()
    DAY_OF_RETURN = auto()
    FITTED_SAYS_OTHER = auto()
    LOAD_AT_THE_END = auto()
    LOAD_NOT_KNOWN = auto()
    LOST = auto()
    MAYBE_FAILED = auto()
    MILES_SHORT = auto()
    NAMED_OTHER = auto()
    NOT_LISTED = auto()
    ODOMETER_ABOUT = auto()
    ONE_OF_SEVERAL = auto()
    OUT_OF_SIGHT = auto()
    PART_FROM_RETURN = auto()
    POWER_ABOUT = auto()
    POWER_AT_WHEELS = auto()
    POWER_RANGE = auto()
    PUT_IN_NOT_RECORDED = auto()
    SCRAPPED = auto()
    SET_ASIDE = auto()
    SEVERAL_THAT_DAY = auto()
    SOLD = auto()
    WEIGHT_ABOUT = auto()
    WEIGHT_OF_PLATE = auto()
    WHEN_NOT_RECORDED = auto()


class Forecasts(Code):
    NONE_RUNNING = auto()
    QUARTER = auto()
    YEAR = auto()
    COMPONENTS = auto()
    AT_STATED_COST = auto()
    AT_RECORDED_COST = auto()
    NO_COST = auto()
    WHO_PAYS = auto()
    NOT_IN_YET = auto()
    RECORD = auto()
    UNEVEN = auto()
    NOT_COUNTED = auto()
    FOUND_OPENED = auto()
    FILLED = auto()


class Harm(Code):
    """What a fault of the records does to the numbers."""

    RATES_BIASED = auto()
    LEANS_ON_RETURNS = auto()
    SAYS_NOTHING_BY_IT = auto()
    COMEBACKS_MISSING = auto()
    UNITS_MISSING = auto()
    MILES_MISSING = auto()
    CHANGE_MISSED = auto()
    TAKEN_AS_RUNNING = auto()
    FAILURE_HIDDEN = auto()
    WHOSE_FAULT = auto()
    EACH_COUNTS = auto()
    SPEAK_FOR_NO_PART = auto()
    ASSUMED_OR_UNREAD = auto()


class Issue(Code):
    """Kinds of doubts about cells and of rows set aside; their own text says the particulars."""

    DATE_BY_ORDER = auto()
    UNREAD = auto()
    NO_START = auto()
    TOO_FAST = auto()
    ODOMETER_REPLACED = auto()
    BACKWARDS = auto()
    OFF_SUPERSESSION = auto()
    TWO_NAMES = auto()
    RANGE = auto()
    MAYBE_TWICE = auto()
    LINKED = auto()
    SHIPPED_AGAIN = auto()
    COMBINED_WEIGHT = auto()
    DECIMAL = auto()
    NO_COLUMN = auto()
    HIDDEN = auto()
    MERGED = auto()
    CROSSED_CELL = auto()
    DATE_BY_COLUMN = auto()
    ZERO = auto()
    FAR = auto()
    TWO_FIGURES = auto()
    NEAR_NAME = auto()
    NO_PART_NAME = auto()
    OTHER_PART = auto()
    SETTING = auto()
    SEVERAL_NAMES = auto()
    NO_RECORD = auto()
    REPEATED = auto()
    NO_BUILD = auto()
    BUILD_SET_ASIDE = auto()
    SEVERAL_FIT = auto()
    BUILT_ALREADY = auto()
    NO_DAY = auto()
    NO_DATE = auto()
    TWO_DAYS = auto()
    OUT_OF_ORDER = auto()
    NO_ORDER = auto()
    LONE_DATE = auto()
    CROSSED_OUT = auto()
    UNCONFIRMED = auto()
    DENIED = auto()
    OFF_ORDER = auto()
    LATER = auto()
    ODD_RATE = auto()
    LONE_PART = auto()
    TOO_SLOW = auto()
    DITTO = auto()
    VOID = auto()
    BY_PART = auto()


class Judged(Code):
    NEVER_TWICE = auto()
    TOO_FEW = auto()
    AGREED = auto()
    SOFT = auto()


class Kept(Code):
    SAID = auto()
    SAID_MISSED = auto()
    NOTHING_SAID = auto()
    NO_QUARTER_BEFORE = auto()
    QUARTERS = auto()
    YEARS = auto()
    COMPONENTS = auto()
    MISSED = auto()
    ALARMS = auto()
    NO_ALARM_YET = auto()


class LeftOut(Code):
    """What lifetimes could not follow, or count."""

    NOT_IN_SERVICE = auto()
    NO_PART = auto()
    RETURNS_SET_ASIDE = auto()
    FITTED_TO_SEVERAL = auto()
    NO_AGE = auto()
    FAILED_OUT_OF_SIGHT = auto()
    BEFORE_RECORDS = auto()


class LotChoice(Code):
    """What may be done about a bad lot."""

    WAIT = auto()
    CALL = auto()
    OPEN = auto()


class Lots(Code):
    NONE_ON_RECORD = auto()
    NONE_FAILED = auto()
    WORSE = auto()
    NONE_WORSE = auto()
    ALIKE = auto()


class Mend(Code):
    """What to do about a fault of the records."""

    ASK_AT_EVERY_BUILD = auto()
    PHONE_FOR_ODOMETERS = auto()
    ASK_FOR = auto()
    SEE_SET_ASIDE = auto()
    PHONE_SOME = auto()
    FIND_OUT_WHAT_BROKE = auto()
    WRITE_THE_CAUSE = auto()
    WRITE_THE_ORDER = auto()
    FILL_IN_THE_PART = auto()
    SEE_TO_CHECK = auto()


class NextMiles(Code):
    NO_FIT = auto()
    LIKELIEST = auto()
    ONE_IN_TEN = auto()
    NO_CHANCE = auto()
    LIVES_LEFT_OUT = auto()


class Power(Code):
    NO_FIT = auto()
    BY_YEARS = auto()
    BY_ONE_YEAR = auto()
    IN_A_QUARTER = auto()
    PARTS_IN_A_QUARTER = auto()


class Renew(Code):
    NO_PRICES = auto()
    NONE = auto()
    PART = auto()
    OTHERWISE = auto()
    TOO_FEW = auto()
    FROM_MILES = auto()
    LEAVE_IN = auto()
    MILES_UNKNOWN = auto()


class Revision(Code):
    NONE_OUT = auto()
    BETTER = auto()
    WORSE = auto()
    LOOKS_BETTER = auto()
    NO_BETTER_SO_FAR = auto()
    KNOWN_BY = auto()
    NOT_KNOWN_BY = auto()


class RevisionIs(Code):
    """What is known of a revision against the part it followed."""

    BETTER = auto()
    WORSE = auto()
    NOT_KNOWN = auto()


class Stock(Code):
    NOTHING = auto()
    KEEP = auto()
    TIES_UP = auto()
    FOUND_OPENED = auto()


class ToFix(Code):
    """Faults of the records."""

    KNOWN_FOR_WHOM = auto()
    NOT_KNOWN = auto()
    ROWS_SET_ASIDE = auto()
    SILENT = auto()
    NOT_RUNNING = auto()
    NO_CAUSE = auto()
    ORDER_UNCLEAR = auto()
    NO_PART = auto()
    CELLS = auto()


class Wear(Code):
    NONE_BACK = auto()
    TOO_FEW = auto()
    NO_FIT = auto()
    LATE = auto()
    EARLY = auto()
    NOT_TOLD = auto()
    PART = auto()
    REST = auto()
    NO_PART = auto()


class Verdict(Code):
    """Why a published limit is raised, kept or lowered, or that the records show neither."""

    ANY_POWER = auto()
    BETWEEN = auto()
    HELD_BY_MARGIN = auto()
    KEEP = auto()
    LEANS_LOW = auto()
    LIGHTER_LOWERED = auto()
    LOWER = auto()
    NOTHING_CONTRADICTS = auto()
    NOTHING_SUPPORTED = auto()
    ONE_FAILURE = auto()
    RAISE = auto()
    RAISE_FIRST = auto()
    RAISE_KNOWN = auto()
    HIDDEN_DAMAGE = auto()
    FEW_KNOWN = auto()
