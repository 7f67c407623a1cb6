"""Invented shops of some hundred trucks, drawn at random: parts that give way by power, dirt, limits, costs, or none of them."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from random import Random

from tests.small_shop import build, returned, write_shop

_TOML = '[shop]\nname = "Invented"\nas_of = "{as_of}"\n[components]\n"input shaft" = "input_shaft"\n"converter" = "converter"\n'
_DAY = dt.date


def invented_shop(folder: Path, rnd: Random, trucks: int | None = None, back: int | None = None) -> Path:
    """A shop of so many ``trucks``, about so many of which came ``back`` (None: as the dice have it)."""
    trucks = rnd.randint(40, 130) if trucks is None else trucks
    first, last = _DAY(2020, 1, 10), _DAY(2024, 12, 31)
    parts = {"input shaft": ("S-1", "S-2"), "converter": ("C-1", "C-2") if rnd.random() < 0.5 else ("C-1",)}
    builds, returns, readings = [], [], []
    wanted = rnd.randint(0, trucks // 4) if back is None else back
    for k in range(trucks):
        began = first + dt.timedelta(int(1500 * k / trucks) + rnd.randint(0, 20))
        power = rnd.choice((450, 550, 650, 800, 1000, 1300)) + 5 * rnd.randint(0, 9)
        builds.append(
            build(
                f"T-{k:03d}{'ABCDEFGHJK'[k % 10]}", began.isoformat(), power=power if rnd.random() < 0.9 else "", weight=rnd.choice((6500, 7200, 8600, 9800, "")),
                use=rnd.choice(("street", "street", "towing", "")), builder=rnd.choice(("Ann", "Bo")),
                input_shaft=parts["input shaft"][power > 750], converter=rnd.choice(parts["converter"]),
            )
        )  # fmt: skip
    weak = sorted(builds, key=lambda b: -(b["power"] or 500) * rnd.random())[:wanted]
    for one in weak:
        began = _DAY.fromisoformat(one["built_on"])
        day = began + dt.timedelta(max(20, int((last - began).days * rnd.random())))
        component = rnd.choice(("input shaft", "input shaft", "converter"))
        more = {"miles_in_service": 30 * (day - began).days} if rnd.random() < 0.8 else {}
        more |= {"cost": rnd.randint(800, 5000)} if rnd.random() < 0.7 else {}
        cause = rnd.choice(("part", "part", "part", "install", "over limit", ""))
        returns.append(
            returned(one["serial"], day.isoformat(), component, cause, **more)
            | {"finding": rnd.choice(("broken", "twisted"))}
        )
        if rnd.random() < 0.15 and day < last:
            again = day + dt.timedelta(int((last - day).days * rnd.random()))
            returns.append(returned(one["serial"], again.isoformat(), component, "part"))
    for one in builds:
        if rnd.random() < 0.5:
            readings.append({"serial": one["serial"], "read_on": "2024-12-01", "odometer": 30 * (_DAY(2024, 12, 1) - _DAY.fromisoformat(one["built_on"])).days})  # fmt: skip
    limits = [
        {
            "component": component,
            "part": part,
            "power_limit": rnd.choice((600, 800, 1100)),
            "effective_on": "2019-01-01",
        }
        for component, own in parts.items()
        for part in own
        if rnd.random() < 0.7
    ]
    toml = _TOML.format(as_of=rnd.choice(("2024-12-31", "2024-09-30", "2024-11-15")))
    toml += "[ratings]\nreplicates = 20\n"
    if rnd.random() < 0.7:
        toml += f'[costs]\ncomeback = {rnd.choice((2500, 4000))}\ncurrency = "{rnd.choice(("$", "EUR"))}"\n[costs.parts]\n"S-1" = 400\n"S-2" = 780\n'
    return write_shop(
        folder, toml, builds=builds, returns=returns, readings=readings, **({"limits": limits} if limits else {})
    )


def priced(folder: Path) -> Path:
    """The shop in the ``folder``, what a comeback and its shafts cost written down."""
    with (folder / "shop.toml").open("a", encoding="utf-8") as settings:
        settings.write('[costs]\ncomeback = 4000\n[costs.parts]\n"S-1" = 400\n"S-2" = 780\n')
    return folder
