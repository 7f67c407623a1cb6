"""Fleets with a known truth: the demo shop, and the studies that compare an estimate with what is true.

Imports of the package only its errors and what writes the files: what it writes is read back like any shop's own sheets.
"""

from studies.simulate.demo import demo_truth, write_demo
from studies.simulate.fleet import (
    ChangesTruth,
    ComebacksTruth,
    ComponentTruth,
    FindingTruth,
    Fleet,
    FleetTruth,
    HiddenTruth,
    LimitTruth,
    PartTruth,
    ReadingsTruth,
    UseTruth,
    draw_fleet,
    serial_numbers,
)

__all__ = [
    "ChangesTruth",
    "ComebacksTruth",
    "ComponentTruth",
    "FindingTruth",
    "Fleet",
    "FleetTruth",
    "HiddenTruth",
    "LimitTruth",
    "PartTruth",
    "ReadingsTruth",
    "UseTruth",
    "demo_truth",
    "draw_fleet",
    "serial_numbers",
    "write_demo",
]
