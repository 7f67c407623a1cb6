"""The empty workbook to fill in: its pages, headings with units, lists to choose from, an example row, and the page that explains."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.records.source import EXAMPLE
from analytics.records.words import CAUSES, MEASURED, ORDERS, RUNNING, WEIGHT_KINDS
from analytics.start.vocabulary import USE_WORDS

#: components of the empty workbook; any can be renamed or struck out, in shop.toml and as a heading (common practice, no source)
COMPONENTS = ("input shaft", "converter", "clutch pack", "valve body", "output shaft")
NAME = "records.xlsx"
_UNITS = {False: ("hp", "lb", "miles"), True: ("kW", "kg", "km")}
_EXAMPLES = {"hp": "650", "kW": "485", "lb": "8200", "kg": "3720"}


@dataclass(frozen=True, slots=True)
class BlankColumn:
    """A column of the empty workbook: heading, what its example row holds, the words to choose from, what the heading's note says."""

    heading: str
    example: str = ""
    choices: tuple[str, ...] = ()
    note: str = ""


def blank_pages(metric: bool = False) -> dict[str, tuple[BlankColumn, ...]]:
    """Page -> its columns, in order. metric: units of the headings are kW, kg and km, else hp, lb and miles."""
    power, weight, distance = _UNITS[metric]
    uses, parts = (*USE_WORDS, "other"), tuple(f"part of {c}" for c in COMPONENTS)
    serial = BlankColumn("serial", EXAMPLE, note="The number stamped on the unit. Needed in every row.")
    odometer = BlankColumn(
        f"odometer ({distance})", "41200", note="The truck's odometer that day; blank if nobody knows, never 0."
    )
    load = (
        BlankColumn(f"power ({power})", _EXAMPLES[power], note="Peak power the truck makes with this tune."),
        BlankColumn(f"weight ({weight})", _EXAMPLES[weight], note="The truck as it is driven, without trailer."),
        BlankColumn("use", "towing", uses, "Another word may stand here; write it the same way each time."),
    )
    return {
        "builds": (
            serial,
            BlankColumn("built_on", "2024-03-15", note="The day it was shipped, as 2024-03-15."),
            BlankColumn("in_service_on", "2024-03-28", note="The day it went on the road; blank if nobody knows."),
            BlankColumn(f"odometer_at_install ({distance})", "38000", note="0 for a new truck. Without it no later odometer says anything."),
            *load,
            BlankColumn("power_measured_at", "crank", tuple(MEASURED), "Where the power was measured."),
            BlankColumn("weight_kind", "as driven", tuple(WEIGHT_KINDS), "Where the weight comes from."),
            BlankColumn("builder", "AB"),
            *(BlankColumn(c, p, note="The part fitted, by its name.") for c, p in zip(COMPONENTS, parts, strict=True)),
        ),
        "returns": (
            serial,
            BlankColumn("failed_on", "2024-09-02", note="The day it broke; teardown if it was found when opened."),
            BlankColumn("returned_on", "2024-09-06", note="The day it came in."),
            odometer,
            BlankColumn("component", COMPONENTS[0], COMPONENTS, "One row for each damaged component."),
            BlankColumn("part", parts[0]),
            BlankColumn("finding", "broken", note="What was found, in your own word for it."),
            BlankColumn("order", "first", tuple(ORDERS), "Did it break first, or did another part break it?"),
            BlankColumn("cause", "part", tuple(CAUSES), "Why: the part, our install, over the limit, no fault, or unclear."),
            BlankColumn("replaced_with", parts[0], note="The part put in; scrapped if the unit ends; not replaced."),
            BlankColumn("cost", "1200", note="What this return cost, all in."),
            BlankColumn("paid_by", "shop"),
            BlankColumn("notes", "came in on a hook"),
        ),
        "readings": (
            serial,
            BlankColumn("read_on", "2025-01-20"),
            odometer,
            BlankColumn("still_running", "yes", tuple(RUNNING)),
            BlankColumn("source", "phone"),
        ),
        "changes": (serial, BlankColumn("changed_on", "2025-02-11", note="From when on the truck ran so."), *load),
        "limits": (
            BlankColumn("component", COMPONENTS[0], COMPONENTS),
            BlankColumn("part", EXAMPLE, note="A limit you publish; blank pages do no harm."),
            BlankColumn(f"weight_up_to ({weight})", _EXAMPLES[weight]),
            BlankColumn("use", "", uses),
            BlankColumn(f"power_limit ({power})", _EXAMPLES[power]),
            BlankColumn("effective_on", "2024-01-01"),
            BlankColumn("reason", ""),
        ),
    }  # fmt: skip


#: the page that explains
READ_ME = (
    "How to fill this in",
    "",
    "builds: one row per unit shipped, those that never came back above all. Without them nothing can be said.",
    "returns: one row per damaged component of a unit that came back. Several broken: several rows.",
    "readings: one row whenever you learn a truck's odometer, by phone or when it is in for something else. Worth more than it looks.",
    "changes: one row when power, weight or use of a truck changes after the build.",
    "limits: what you publish, if you do.",
    "",
    f"The grey rows that say {EXAMPLE} are examples; they are never counted and can be deleted.",
    "A small red corner at a heading explains it. Cells with a list take another word too, where it is your own.",
    "Leave blank what nobody knows. Never write 0 or a guess.",
    "The unit is in the heading; a cell may name its own: 620 kW, 3.9 t, 88k km.",
    "",
    "When some rows are filled in, type in a terminal:",
)


def read_me(command: str) -> tuple[str, ...]:
    """The page that explains, line by line. command: how the program is called."""
    return (*READ_ME, f"{command} start followed by the folder of this file")


def blank_words(path: str, folder: str, command: str) -> str:
    """What is said once the empty workbook is written. path, folder: where it lies; command: how the program is called."""
    return (
        f"An empty workbook to fill in: {path}\nIts first page explains it. Write your parts' names as you call them.\n"
        f"When some rows are filled in, type:\n  {command} start {folder}"
    )


def blank_toml(name: str) -> str:
    """The names that go with the empty workbook; ``name``: the shop's, as it stands between the quotes of a TOML string."""
    components = "\n".join(f'"{c}" = "{c}"' for c in COMPONENTS)
    return (
        "# The names this shop uses. All else stands in records.xlsx.\n"
        f'[shop]\nname = "{name}"\n\n[components]  # component = its heading in builds; strike out what you do not follow\n{components}\n'
    )
