"""Print the catalogue of bad inputs: python -m tests.hostile; with --write, keep it for the test to compare."""

from __future__ import annotations

import sys

from tests.hostile.outcome import CATALOGUE, catalogue


def run() -> None:
    table = catalogue()
    for kind, own in table.groupby("kind", sort=False):
        print(f"\n{kind}")
        for row in own.itertuples():
            print(f"  {row.case}\n    {row.becomes}: {row.message}")
    print(f"\n{len(table)} bad inputs: " + ", ".join(f"{n} {b}" for b, n in table["becomes"].value_counts().items()))
    if "--write" in sys.argv:
        table.to_csv(CATALOGUE, index=False, lineterminator="\n")


run()
