"""Words for causes, orders and the like: ours, what else people write for them, and the shop's own."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analytics.records.cells import by_distinct, is_blank

#: words understood beside the shop's own ([words.*] in shop.toml)
CAUSES = {
    "part": ("part failure", "material", "wear", "fatigue"),
    "install": ("installation", "install error", "assembly", "builder", "our fault"),
    "over limit": ("overlimit", "over-limit", "abuse", "overpower", "over power"),
    "no fault": ("no fault found", "nff", "no problem found", "ok"),
    "unclear": ("not clear", "undetermined", "unsure"),
}
ORDERS = {
    "first": ("primary", "1st", "root"),
    "followed": ("secondary", "follow-on", "2nd", "collateral"),
    "unclear": ("not clear", "either", "unsure"),
}
MEASURED = {
    "crank": ("flywheel", "engine", "crankshaft", "at the crank"),
    "wheels": ("wheel", "at the wheels", "rear wheels", "chassis dyno"),
}
WEIGHT_KINDS = {
    "rating plate": ("plate", "gvwr", "door plate"),
    "curb": ("kerb", "curb weight"),
    "as driven": ("driven", "loaded"),
    "as raced": ("raced", "race weight"),
    "combined": ("with trailer", "gcw", "gcwr"),
    "scale ticket": ("scale", "weigh ticket", "ticket"),
}
RUNNING = {
    "yes": ("y", "true", "running", "ok", "1"),
    "no": ("n", "false", "0", "down"),
    "sold": ("sold on", "resold"),
    "lost": ("lost contact", "no contact"),
    "scrapped": ("scrap", "wrecked", "written off", "totaled", "totalled"),
}
PART_KINDS = {
    "input shaft": ("input", "turbine shaft"),
    "intermediate shaft": ("intermediate", "mainshaft"),
    "output shaft": ("output", "tail shaft"),
    "clutch pack": ("clutch", "clutches"),
    "converter": ("torque converter", "tc"),
}

#: what a launch adds to a steady load, by the handbook's factors for a combustion engine (uniform load, heavy shock)
LAUNCHES = {
    "rolling": (2.0, ("gentle", "easy", "none", "from a roll")),
    "on the brake": (2.8, ("brake", "boosted", "hard", "held on the brake", "launch brake")),
}
#: whether the fuel is gasoline
FUELS = {"diesel": (0.0, ()), "gasoline": (1.0, ("petrol", "gas"))}
TREATMENTS = {
    "through-hardened": ("through", "hardened through"),
    "surface-hardened": ("surface", "induction", "induction-hardened", "nitrided"),
    "case-hardened": ("case", "carburised", "carburized"),
}
#: friction of a wet lining by what it is made of, low and high: paper common practice, no source; the others from memory
LININGS = {
    "paper": (0.10, 0.15, ("organic",)),
    "carbon": (0.10, 0.14, ("carbon fibre", "carbon fiber")),
    "sintered": (0.05, 0.09, ("sintered bronze", "bronze", "metallic")),
}

#: headings whose words are ours alone; [words.*] can only add to them
CLOSED = {
    "cause": CAUSES,
    "order": ORDERS,
    "measured_at": MEASURED,
    "weight_kind": WEIGHT_KINDS,
    "still_running": RUNNING,
    "kind": PART_KINDS,
}


def choose(
    text: pd.Series, words: Mapping[str, tuple[str, ...]], shop_words: dict[str, list[str]], free: bool = False
) -> pd.DataFrame:
    """Map words to ours. Columns ``value`` ("" if blank or not understood) and ``problem``.

    With ``free`` an unknown word stands as it is (uses and findings are the shop's own).
    text: of the cells. words: ours, with what is read as each. shop_words: the shop's own for ours.
    """
    table = {w: ours for ours, known in words.items() for w in (ours, *known)}
    table |= {w: ours for ours, known in shop_words.items() for w in (ours, *known)}

    def one(t: str) -> tuple[str, str]:
        key = "" if is_blank(t) else " ".join(t.split()).casefold()
        if not key or key in table:
            return table.get(key, ""), ""
        return (key, "") if free else ("", f"the word is not one of {', '.join(words)}")

    return by_distinct(text, one, ["value", "problem"])
