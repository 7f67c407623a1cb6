"""What shops call sheets, columns, components, uses and findings. Common practice, no source: each is a guess until the owner agrees."""

from __future__ import annotations

#: words in the name of a file or page that say which sheet it is
SHEET_WORDS: dict[str, tuple[str, ...]] = {
    "builds": ("builds", "build list", "built", "orders", "work orders", "jobs", "shipped", "shipments", "sales", "units", "build book"),
    "returns": ("reklamationen", "rückläufer", "schäden", "garantie", "garanties", "retours", "pannes", "returns", "return", "comebacks", "comeback", "came back", "warranty", "failures", "teardowns", "repairs", "claims"),
    "readings": ("readings", "odometers", "odometer", "calls", "phone", "phone calls", "check ins", "follow up", "mileage", "contacts"),
    "changes": ("changes", "tunes", "retunes", "upgrades"),
    "fitted": ("fitted", "parts fitted", "lots", "serials of parts"),
    "limits": ("limits", "published", "published limits", "ratings sheet"),
    "parts": ("parts", "price list", "prices", "catalogue", "part list"),
    "conditions": ("conditions", "measurements", "dyno sheets"),
    "judged_again": ("judged again", "second look", "second opinion"),
}  # fmt: skip

_ODOMETER = (
    "odometer",
    "odo",
    "mileage",
    "odometer reading",
    "miles",
    "km",
    "kms",
    "kilometers",
    "kilometres",
    "miles on clock",
)
_DATE = ("date", "day", "when")
_SERIAL = (
    "serial", "serial no", "serial number", "s n", "sn", "tag", "tag no", "tag number", "unit", "unit no", "unit number", "unit id",
    "trans no", "transmission no", "transmission", "build no", "build number", "job", "job no", "work order", "wo", "order no", "id", "vin", "invoice no", "invoice number",
    "build id", "order id", "stamp no", "stamp", "case no", "core no", "po no", "original order no", "orig order no", "orig build no", "invoice", "orig invoice", "original invoice", "trans", "trans number", "wo no", "wo number", "work order no", "work order number", "ro", "ro no",
    "ro number", "repair order", "repair order no", "ticket", "ticket no", "no", "number",
)  # fmt: skip
_COMPONENT = ("component", "what broke", "failed component", "what failed", "what let go", "what went", "failed item", "broken part", "part that failed", "part that broke", "area",
              "section", "assembly", "position", "where")  # fmt: skip
_PART = ("part", "part no", "part number", "p n", "pn", "part name", "failed part", "which part", "item", "sku")
_USE = (
    "use",
    "usage",
    "intended use",
    "main use",
    "truck use",
    "used for",
    "application",
    "what for",
    "duty",
    "purpose",
    "type of use",
    "service",
)
_POWER = ("power", "hp", "bhp", "kw", "horsepower", "engine power", "peak power", "engine hp", "truck hp", "crank hp", "crank horsepower", "flywheel hp",
          "flywheel horsepower", "hp at crank", "output", "whp", "rwhp", "wheel hp", "wheel horsepower", "hp at wheels", "dyno hp")  # fmt: skip
_WEIGHT = (
    "weight",
    "truck weight",
    "truck wt",
    "vehicle weight",
    "wt",
    "mass",
    "vehicle mass",
    "curb weight",
    "curb wt",
    "gvw",
    "gvwr",
    "kg",
    "lb",
    "lbs",
)

#: sheet -> our heading -> what shops call it, the likeliest first
HEADING_WORDS: dict[str, dict[str, tuple[str, ...]]] = {
    "builds": {
        "serial": _SERIAL,
        "built_on": ("built on", "built", "build date", "date built", "ship date", "shipped", "shipped on", "date shipped", "out", "date out", "out the door",
                     "completed", "date completed", "finished", "invoice date", "order date", "sold", "sold on", *_DATE),
        "in_service_on": ("in service", "in service on", "in service date", "on the road", "installed", "installed on", "install date", "date installed", "delivered"),
        "odometer_at_install": ("odometer at install", "odo at install", "install odometer", "miles at install", "mileage at install", "km at install",
                                "odo in", "odometer in", "miles in", "mileage in", "km in", "odo out", "odometer out", "miles out", "mileage out", "km out",
                                "start miles", "start odometer", "starting miles", "truck miles", *_ODOMETER),
        "power": _POWER,
        "power_measured_at": ("power measured at", "measured at", "dyno", "power at", "crank or wheels"),
        "weight": _WEIGHT,
        "weight_kind": ("weight kind", "weight from", "wt from", "weight type", "kind of weight"),
        "use": _USE,
        "builder": ("builder", "built by", "tech", "technician", "assembled by", "mechanic", "bench"),
        "count": ("count", "qty", "quantity", "number of units", "pcs"),
        "axle_ratio": ("axle ratio", "rear gear", "final drive", "gears", "rear end"),
        "tyre_diameter": ("tyre diameter", "tire diameter", "tire size", "tyre size", "tire", "tyre"),
    },
    "returns": {
        "serial": _SERIAL,
        "failed_on": ("failed on", "failed", "broke", "broke on", "date broke", "date broken", "date it broke", "failure date", "date failed", "date of failure", "breakdown date", "breakdown"),
        "returned_on": ("returned on", "returned", "back in", "came back", "came in", "back", "return date", "date returned", "date in", "received", "date received",
                        "in", "claim date", *_DATE),
        "odometer": (*_ODOMETER, "miles when came back", "miles at failure", "km at failure", "miles at return", "miles when returned", "mileage when returned", "mileage when failed",
                     "mileage at failure", "mileage at return", "truck miles", "miles in", "mileage in", "odometer in", "odo in", "km in"),
        "miles_in_service": ("miles in service", "miles since build", "miles on unit", "miles on it", "miles on build", "miles on trans", "miles on transmission", "miles on rebuild", "miles on part",
                             "mileage on unit", "mileage on build", "km on unit", "km on build", "miles lasted", "miles it lasted", "lasted", "service miles", "km since build", "km in service", "miles run"),
        "runs": ("runs", "passes", "pulls", "hooks"),
        "component": _COMPONENT,
        "part": _PART,
        "finding": ("finding", "what we found", "found", "how did it fail", "how it failed", "how it broke", "diagnosis", "failure mode", "condition", "damage", "failure", "reason"),
        "order": ("order", "first or followed", "primary or secondary", "sequence"),
        "cause": ("cause", "root cause", "reason", "why", "fault", "blame"),
        "replaced_with": ("replaced with", "fitted instead", "new part", "put in", "replacement", "replaced by", "went in", "fixed with", "upgraded to", "parts used"),
        "cost": ("cost", "repair cost", "price", "amount", "total", "cost to us", "charge"),
        "paid_by": ("paid by", "who paid", "payer", "warranty", "bill to"),
        "notes": ("notes", "note", "comment", "comments", "remarks", "description", "complaint", "details", "story", "what happened"),
    },
    "readings": {
        "serial": _SERIAL,
        "read_on": ("read on", "date read", "call date", "called", "called on", "checked on", *_DATE),
        "odometer": _ODOMETER,
        "odometer_replaced": ("odometer replaced", "odo replaced", "new odometer", "new cluster"),
        "runs": ("runs", "passes", "pulls", "hooks"),
        "still_running": ("still running", "running", "status", "still going", "in use"),
        "source": ("source", "how", "from", "by"),
    },
    "changes": {
        "serial": _SERIAL,
        "changed_on": ("changed on", "changed", "change date", "retuned", "tuned on", "tune date", *_DATE),
        "power": ("new power", "new hp", *_POWER),
        "weight": ("new weight", *_WEIGHT),
        "use": ("new use", *_USE),
        "odometer": _ODOMETER,
    },
    "fitted": {
        "serial": _SERIAL,
        "component": _COMPONENT,
        "part": _PART,
        "lot": ("lot", "batch", "lot no", "batch no", "heat no"),
        "fitted_on": ("fitted on", "fitted", "fit date", *_DATE),
        "odometer": _ODOMETER,
    },
    "limits": {
        "component": _COMPONENT,
        "part": _PART,
        "weight_up_to": ("weight up to", "up to weight", "max weight", "weight class", *_WEIGHT),
        "use": _USE,
        "power_limit": ("power limit", "limit", "max power", "max hp", "rated to", "good to", *_POWER),
        "effective_on": ("effective on", "effective", "valid from", "from", "since", "published on", *_DATE),
        "reason": ("reason", "why", "notes", "remarks"),
    },
}  # fmt: skip

#: components by the words shops use for them; the first is the name proposed where nothing better is on record
COMPONENT_WORDS: dict[str, tuple[str, ...]] = {
    "input shaft": ("input shaft", "input", "in shaft", "i shaft", "turbine shaft"),
    "intermediate shaft": (
        "intermediate shaft",
        "intermediate",
        "inter",
        "inter shaft",
        "int shaft",
        "mainshaft",
        "main shaft",
    ),
    "output shaft": ("output shaft", "output", "out shaft", "tail shaft", "tailshaft"),
    "converter": (
        "converter",
        "torque converter",
        "convertor",
        "torque convertor",
        "conv",
        "t c",
        "tc",
        "lockup clutch",
        "lock up clutch",
    ),
    "clutch pack": ("clutch pack", "clutch packs", "clutches", "clutch", "frictions"),
    "valve body": ("valve body", "valvebody", "valve bodies", "vb", "v b"),
    "planetary": ("planetary", "planetaries", "planet gears", "planets", "planet", "carrier"),
    "drum": ("drum", "drums", "basket"),
    "pump": ("pump", "oil pump", "front pump"),
    "band": ("band", "bands"),
    "flexplate": ("flexplate", "flex plate"),
    "case": ("case", "housing"),
    "servo": ("servo",),
    "gear set": ("gear set", "gearset", "sun gear", "ring gear"),
}

#: words that name a component in a sentence alone: 'burnt 3-4'
IN_SENTENCES = {"clutch pack": ("3 4 pack", "burnt 3 4", "burned 3 4", "3 4 burnt", "3 4 burned")}

USE_WORDS: dict[str, tuple[str, ...]] = {
    "towing": (
        "towing",
        "tow",
        "tows",
        "hauling",
        "haul",
        "trailer",
        "hotshot",
        "work",
        "work truck",
        "camper",
        "5th wheel",
        "anhänger",
        "anhängerbetrieb",
        "zugbetrieb",
        "remorquage",
        "remorque",
    ),
    "street": (
        "street",
        "daily",
        "daily driver",
        "road",
        "commute",
        "driver",
        "dd",
        "str",
        "strasse",
        "strassenbetrieb",
        "alltag",
        "route",
    ),
    "drag": (
        "drag",
        "strip",
        "drag strip",
        "track",
        "race",
        "racing",
        "drag race",
        "drg",
        "rennen",
        "beschleunigungsrennen",
        "course",
    ),
    "sled": (
        "sled",
        "sled pull",
        "sled pulling",
        "sleds",
        "pulling",
        "pull",
        "puller",
        "schlittenziehen",
        "schlitten",
        "traîneau",
    ),
}

FINDING_WORDS: dict[str, tuple[str, ...]] = {
    "broken": (
        "broken",
        "broke",
        "snapped",
        "sheared",
        "let go",
        "in two",
        "in half",
        "in 2",
        "split",
        "shattered",
        "failed",
    ),
    "twisted": ("twisted", "twist"),
    "cracked": ("cracked", "crack", "hairline"),
    "stripped": ("stripped", "splines gone", "spline wear", "stripped splines"),
    "burnt": ("burnt", "burned", "burn", "cooked", "smoked", "fried", "toast", "glazed"),
    "worn": ("worn", "wore", "wear", "wore out", "worn out", "scored", "galled", "pitted"),
    "leaking": ("leaking", "leak", "leaks", "leaked"),
    "slipping": ("slipping", "slips", "slipped", "slip"),
    "stuck": ("stuck", "sticking", "sticks", "hung", "jammed"),
    "noisy": ("noise", "noisy", "whine", "whining", "rattle"),
}

#: words in a column of kinds of rows that mark a build, and a return
BUILD_KINDS = frozenset(
    {"build", "builds", "new", "sale", "order", "shipped", "new build", "invoice", "delivery", "sold"}
)
RETURN_KINDS = frozenset(
    {
        "return",
        "returns",
        "comeback",
        "came back",
        "warranty",
        "repair",
        "claim",
        "credit",
        "back",
        "rework",
        "teardown",
    }
)
KIND_HEADINGS = frozenset(
    {"type", "kind", "what", "record", "record type", "category", "entry", "document", "doc type", "class"}
)

#: words beside a component in the heading of its column that say nothing
BESIDE_A_COMPONENT = frozenset(
    {
        "p",
        "n",
        "pn",
        "part",
        "number",
        "no",
        "type",
        "model",
        "used",
        "installed",
        "fitted",
        "which",
        "what",
        "the",
        "spec",
    }
)

#: words in the heading of a power that say where it is measured
MEASURED_AT = {"crank": ("crank", "flywheel", "bhp"), "wheels": ("wheel", "wheels", "whp", "rwhp")}

#: units that no other figure of a truck is given in: a heading with one among few words is of power
POWER_UNITS = frozenset({"hp", "bhp", "whp", "rwhp", "kw"})

#: headings of who and what a unit was built for: never a component, whatever the returns tell in words like them
NO_COMPONENT = frozenset(
    {
        "customer", "cust", "client", "owner", "name", "driver", "truck", "vehicle", "make", "model", "phone", "address", "city", "state", "notes", "note", "comments",
        "engine", "paid", "status",
    }
)  # fmt: skip

#: words that headings cut short
ABBREVIATED = {
    "appl": "application", "clu": "clutch", "comp": "component", "cvtr": "converter", "dt": "date", "inv": "invoice", "nr": "no", "num": "no",
    "pwr": "power", "rsn": "reason", "ser": "serial", "shft": "shaft", "shpd": "shipped",
}  # fmt: skip

#: words a letter away from one that is meant as itself
NO_SLIPS = frozenset({"shift", "value", "carried"})

#: words that join two statements, that say a thing is whole, and that say it was put in
JOINING = ("and", "but", "also", "then", "while")
WHOLE = (
    "ok", "okay", "fine", "good", "no damage", "not damaged", "undamaged", "perfect", "looked at", "checked", "reused", "still good",
)  # fmt: skip
PUT_IN = (
    "put in", "fitted", "installed", "replaced with", "replaced by", "replaced it with", "went in", "upgraded to", "new", "swapped in",
    "now has",
)  # fmt: skip
#: around a distance in a sentence: that it is a guess, that it counts from the build (before it, behind it), that it may; and what a figure is of that is none
ABOUT = ("about", "around", "approx")
LASTED = ("after", "lasted")
ON_IT = (
    "on it", "on them", "on unit", "on the unit", "on build", "on the build", "on this build", "on trans", "on the trans", "on rebuild", "on the rebuild", "later", "since", "in service",
)  # fmt: skip
ONLY = ("only", "just", "another")
NO_DISTANCE = ("rpm", "psi", "lb", "lbs", "stall", "dollars", "bucks", "hp")
