"""What a comma or a point in a figure means, settled by the figures of a page together."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

#: figures that can be read one way only: 1.234,5 and 12,5; 1,234.5 and 12.5
_COMMA = re.compile(r"(?<![\d.,])(?:\d{1,3}(?:\.\d{3})+,\d+|\d+,\d{1,2}|\d{4,},\d+)(?![\d.,])")
_POINT = re.compile(r"(?<![\d.,])(?:\d{1,3}(?:,\d{3})+\.\d+|\d+\.\d{1,2}|\d{4,}\.\d+)(?![\d.,])")
#: figures that mean a thousand times more read one way than the other; three places after a comma are hardly a decimal
EITHER = re.compile(r"(?<![\d.,])\d{1,3}[.,]\d{3}(?![\d.,])")
_THOUSAND = re.compile(r"(?<![\d.,])\d{1,3}(?:,\d{3})+(?![\d.,])")
_NUMBER = re.compile(r"\d[\d.,]*\d|\d")
#: a figure without a unit
_BARE = re.compile(r"[+-]?\d[\d.,'’ \u00a0\u202f]*")
#: headings whose cells are figures
FIGURES = frozenset(
    (
        "odometer_at_install power rpm weight count torque stall_ratio axle_ratio tyre_diameter driven_weight line_pressure converter_pressure "
        "odometer miles_in_service runs cost trailer_weight driven_wheels first_gear overdrive stall_rpm case_depth fillet_radius hub_diameter "
        "hub_wall shift_time oil_temperature odometer_replaced weight_up_to power_limit pieces outside_diameter bore length hardness tensile_yield "
        "stress_concentration spline_teeth spline_pitch_diameter spline_root_diameter spline_length spline_tooth_thickness spline_tooth_depth faces "
        "piston_area piston_sides lining_outside_diameter lining_inside_diameter lining_friction return_spring apply_pressure release_area torque_ratio price"
    ).split()
)


@dataclass(frozen=True, slots=True)
class Mark:
    """What the decimal mark of a page is: "comma", "point", or "" where its figures do not tell or contradict each other.

    settled: the first figure that only that mark explains, "" where none tells; doubtful: how many figures it settles.
    """

    mark: str
    settled: str = ""
    doubtful: int = 0


def mark_of(columns: Iterable[Iterable[str]]) -> Mark:
    """The decimal mark of columns of figures."""
    texts = {text for column in columns for text in column}
    comma = sorted(m[0] for text in texts if (m := _COMMA.search(text)))
    point = sorted(m[0] for text in texts if (m := _POINT.search(text) or _THOUSAND.search(text)))
    if bool(comma) == bool(point):
        return Mark("", comma[0] if comma else "")
    doubtful = sum(bool(EITHER.search(text)) for text in texts)
    return Mark("comma", comma[0], doubtful) if comma else Mark("point", point[0], doubtful)


def with_points(text: str) -> str:
    """The ``text`` of a cell of a page whose decimal mark is the comma, its figures as 1234.5; 1.234 there is a thousand and more."""

    def one(match: re.Match[str]) -> str:
        return match[0].replace(".", "").replace(",", ".") if match[0].count(",") <= 1 else match[0]

    return _NUMBER.sub(one, text)


def with_unit(text: str, unit: str) -> str:
    """A ``text`` that is a bare figure, with the ``unit`` of its heading; a cell that says more stays as it is."""
    return f"{text} {unit}" if _BARE.fullmatch(text) else text
