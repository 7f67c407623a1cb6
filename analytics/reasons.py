"""What can be said of a result: a code and the values that go with it. The sentences are made in ``words``, and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto


class Code(Enum):
    """A thing that can be said. Members of two rooms are never equal, whatever their names."""


@dataclass(frozen=True, slots=True)
class Reason:
    """``values``: by name, unrounded, in the units their names say; what the words of ``code`` ask for, no more and no less."""

    code: Code
    values: Mapping[str, object] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"Reason({type(self.code).__name__}.{self.code.name})"


def reason(code: Code, **values: object) -> Reason:
    """A code with its values, filled by name."""
    return Reason(code, values)


class Question(Code):
    """Questions of the owner that an ``Answer`` answers."""

    AGAIN = auto()
    CAME_BACK = auto()


class Again(Code):
    NONE_BACK = auto()
    BACK_ONCE_AND_MORE = auto()
    LOST_TWICE = auto()
    MORE_OFTEN_WITH_AGE = auto()
    LESS_OFTEN_WITH_AGE = auto()


class Boundary(Code):
    """Why a piece of the argument about a boundary is missing."""

    NO_MIDDLE_TIER = auto()
    REPLACED = auto()
    SETTLED = auto()
    SPARED_UNKNOWN = auto()


class ByLoad(Code):
    """What limits a rating on torque or margin."""

    BELOW_ANY_POWER = auto()
    DEMONSTRATED = auto()
    HELD_AT_LIGHTER = auto()
    LIGHTER_HAS_NONE = auto()
    NOTHING_PROVEN = auto()
    TYRES_SLIP = auto()


class CameBack(Code):
    NOTHING = auto()
    COUNTS = auto()
    COMPONENT = auto()
    FOLLOWED = auto()
    ORDER_UNCLEAR = auto()
    CAUSE_UNSTATED = auto()


class Curve(Code):
    """What limits a survival curve, a share by finding, or an age read off one."""

    NONE_FAILED = auto()
    FELL_TO_ZERO_EARLY = auto()
    NOBODY_AT_RISK = auto()
    ALL_FAILED_BEFORE_OTHERS = auto()
    NOT_SO_MANY_FAILED = auto()
    FEW_AT_RISK_THERE = auto()
    NO_UPPER_LIMIT = auto()
    NO_LOWER_LIMIT = auto()


class Demonstrated(Code):
    """What miles without a failure, or with few, show."""

    NO_UNIT = auto()
    TOO_LITTLE = auto()
    SHOWN = auto()


class Fit(Code):
    """What limits a fitted life distribution, or a figure read off one."""

    PAST_LARGEST_AGE = auto()
    NO_LOW_END = auto()
    NO_HIGH_END = auto()
    LIMIT_NOT_FOUND = auto()
    UNITS_HAD_NOT_RUN = auto()
    NONE_FAILED = auto()
    NO_MAXIMUM = auto()


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


class Refused(Code):
    """A question that the records cannot carry; ``why`` is the message of the error that said so."""

    BECAUSE = auto()


class Assumption(Code):
    """What a test of an assumption found."""

    POWER_LAW_BENDS = auto()
    POWER_LAW_STRAIGHT = auto()
    POWER_LAW_UNTESTED = auto()
    SHAPES_DIFFER = auto()
    SHAPES_ALIKE = auto()
    FEW_EXPECTED = auto()
    SMALL_LOT = auto()


class Unfitted(Code):
    """Why a part has no fit, or nothing to rank by."""

    NO_FAILURE = auto()
    NOT_CONVERGED = auto()
    EVERYTHING_KNOWN = auto()


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
