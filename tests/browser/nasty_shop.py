"""A rateable shop in which every text a shop can type wants to be code."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from tests.small_shop import rateable_shop

SCRIPT = "<script>document.title='ran'</script>"
IMAGE = '<img src="http://example.org/x.png" onerror="document.title=\'ran\'">'
LEAVE = "</table></div></body><svg onload=alert(1)>"
STYLE = "<style>@import url(http://example.org/x.css);body{display:none}</style>"
FORMULA = '=HYPERLINK("http://example.org","x")'
TEXTS = (SCRIPT, IMAGE, LEAVE, STYLE, FORMULA)
#: a file may be called so
FILE = "<img src=x onerror=alert(1)>.csv"


def nasty_shop(folder: Path) -> Path:
    """60 trucks as in `rateable_shop`; parts, uses, builders, findings, notes, component, shop and a file named in markup."""
    rateable_shop(folder)
    builds, returns = (pd.read_csv(folder / f"{name}.csv") for name in ("builds", "returns"))
    builds["input_shaft"], builds["converter"] = SCRIPT, FORMULA
    builds["use"] = [LEAVE if k % 2 else "street" for k in range(len(builds))]
    builds["builder"] = STYLE
    returns["component"] = "input <b>shaft</b>"
    returns["finding"], returns["notes"], returns["part"] = IMAGE, SCRIPT, SCRIPT
    returns.loc[3, "serial"] = IMAGE
    returns.loc[4, "cause"] = STYLE
    builds.to_csv(folder / "builds.csv", index=False)
    returns.to_csv(folder / FILE, index=False)
    (folder / "returns.csv").unlink()
    (folder / "reading<script>.csv").write_text("a,b\n1,2\n")
    limit = {"component": "input <b>shaft</b>", "part": SCRIPT, "power_limit": 700, "effective_on": "2020-01-01"}
    pd.DataFrame([{**limit, "reason": IMAGE}]).to_csv(folder / "limits.csv", index=False)
    (folder / "shop.toml").write_text(
        f'[shop]\nname = """{SCRIPT}"""\nas_of = "2024-03-31"\n[components]\n"input <b>shaft</b>" = "input_shaft"\n'
        f'"converter" = "converter"\n[sheets.returns]\nfile = "{FILE}"\n'
        "[ratings]\nreplicates = 0\nreporting_share = 1.0\n",
        encoding="utf-8",
    )
    return folder
