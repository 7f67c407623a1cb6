"""The sheets that can come in and their headings."""

from __future__ import annotations

import re
from dataclasses import dataclass


def heading_key(text: str) -> str:
    """A heading without case, spacing and punctuation: 'Serial  No.' and 'serial_no' are one. text: as typed."""
    return re.sub(r"[\W_]+", " ", text).strip().casefold()


_UNITS = "hp whp rwhp bhp kw ps lbs? kg kgs t mi miles km kms".split()
_UNIT = re.compile(rf"[\s\(\[,/_]*\b({'|'.join(_UNITS)})\b[\s\)\].]*$", re.IGNORECASE)
#: that the figures under a heading are in thousands: 'Odometer (k)', 'Miles x 1,000', 'Thousand km', 'Miles (000)'
_THOUSANDS = re.compile(
    r"\b(?:in\s+)?(?:thousands?(?:\s+of)?|k)\b|(?:[x×*]|\bin)\s*1[,.]?000s?\b|(?<=[(\[])\s*(?:1[,.]?000|000)'?s?\b",
    re.IGNORECASE,
)


def in_thousands(heading: str) -> bool:
    """Whether a heading says that its figures are in thousands."""
    return bool(_THOUSANDS.search(heading))


def _plain(heading: str) -> str:
    """A heading without its thousands."""
    return _THOUSANDS.sub(" ", heading)


def unit_of(heading: str) -> str:
    """The unit at the end of a heading, in small letters: 'kw' of 'Power (kW)', 'km' of 'km (thousands)'; "" where it names none."""
    match = _UNIT.search(re.sub(r"[\s()\[\]]+$", "", _plain(heading)))
    return match[1].casefold() if match else ""


def bare_key(heading: str) -> str:
    """The key of a heading without its unit and thousands; with the unit where nothing else is left."""
    plain = _plain(heading)
    return heading_key(_UNIT.sub("", plain)) or heading_key(plain) or heading_key(heading)


@dataclass(frozen=True, slots=True)
class SheetHeadings:
    """Headings of one sheet. ``one_of`` lists groups of which at least one must be there."""

    known: tuple[str, ...]
    required: tuple[str, ...]
    one_of: tuple[tuple[str, ...], ...] = ()
    dates: tuple[str, ...] = ()
    #: the dates that say when the shop knew of the row, the first one filled counts
    known_on: tuple[str, ...] = ()


def _names(text: str) -> tuple[str, ...]:
    return tuple(text.split())


HEADINGS: dict[str, SheetHeadings] = {
    "builds": SheetHeadings(
        known=_names(
            "serial built_on in_service_on odometer_at_install power power_measured_at rpm weight "
            "weight_kind trailer_weight use builder count torque stall_ratio stall_rpm axle_ratio tyre_diameter driven_weight "
            "driven_wheels first_gear overdrive shift_time oil_temperature launch fuel line_pressure converter_pressure"
        ),
        required=("serial",),
        one_of=(("built_on", "in_service_on"),),
        dates=("built_on", "in_service_on"),
        known_on=("built_on", "in_service_on"),
    ),
    "fitted": SheetHeadings(
        known=("serial", "component", "part", "lot", "fitted_on", "odometer"),
        required=("serial", "component", "part"),
        dates=("fitted_on",),
        known_on=("fitted_on",),
    ),
    "returns": SheetHeadings(
        known=_names(
            "serial failed_on returned_on odometer miles_in_service runs component part finding order "
            "cause replaced_with cost paid_by notes line_pressure converter_pressure confirmed from_row"
        ),
        required=("serial", "component"),
        one_of=(("failed_on", "returned_on"),),
        dates=("failed_on", "returned_on"),
        known_on=("returned_on", "failed_on"),
    ),
    "readings": SheetHeadings(
        known=("serial", "read_on", "odometer", "odometer_replaced", "runs", "still_running", "source"),
        required=("serial", "read_on"),
        dates=("read_on",),
        known_on=("read_on",),
    ),
    "changes": SheetHeadings(
        known=("serial", "changed_on", "power", "weight", "use", "odometer"),
        required=("serial", "changed_on"),
        dates=("changed_on",),
        known_on=("changed_on",),
    ),
    "limits": SheetHeadings(
        known=(
            "component",
            "part",
            "weight_up_to",
            "use",
            "power_limit",
            "effective_on",
            "reason",
            "basis",
            "sure_within",
        ),
        required=("component", "part", "power_limit", "effective_on"),
        dates=("effective_on",),
        known_on=("effective_on",),
    ),
    "judged_again": SheetHeadings(
        known=("serial", "component", "returned_on", "judged_on", "finding", "order", "cause", "judged_by"),
        required=("serial", "component", "judged_on"),
        dates=("returned_on", "judged_on"),
        known_on=("judged_on",),
    ),
    "parts": SheetHeadings(
        known=_names(
            "component part kind material pieces outside_diameter bore length hardness heat_treatment case_depth tensile_yield "
            "stress_concentration fillet_radius hub_diameter hub_wall spline_teeth spline_pitch_diameter spline_root_diameter spline_length "
            "spline_tooth_thickness spline_tooth_depth spline_fit faces piston_area piston_sides "
            "lining_outside_diameter lining_inside_diameter lining lining_friction return_spring apply_pressure "
            "release_area torque_ratio price"
        ),
        required=("component", "part"),
    ),
    "conditions": SheetHeadings(
        known=_names(
            "serial measured_on torque rpm stall_ratio stall_rpm axle_ratio tyre_diameter driven_weight trailer_weight "
            "driven_wheels first_gear overdrive shift_time oil_temperature launch fuel line_pressure converter_pressure"
        ),
        required=("serial", "measured_on"),
        dates=("measured_on",),
        known_on=("measured_on",),
    ),
}
#: sheets whose rows belong to no unit
OF_NO_UNIT = ("limits", "parts")
