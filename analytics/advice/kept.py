"""What takes seconds to work out, kept beside the records: the calibration of each part and use. It holds no record and no name of a customer.

The file is remade when a byte of the records, the settings or the program changes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from importlib.metadata import version
from pathlib import Path

from analytics.advice.chance import Roots
from analytics.errors import AnalyticsError
from analytics.ratings.ledger import fingerprint
from analytics.ratings.options import Options
from analytics.records.load import Records
from analytics.whole import whole_file

NAME = ".advise.json"


def stamp_of(records: Records, options: Options) -> str:
    """What the calibrations under these ``options`` hang on: every byte the ``records`` come from, the day they are looked at, the settings, the version."""
    settings = repr((options.promise, options.settings, records.as_of, version("analytics")))
    return f"{fingerprint(records.shop)}-{hashlib.sha256(settings.encode()).hexdigest()[:12]}"


def load_kept(folder: Path, stamp: str) -> dict[str, Roots]:
    """Calibrations by key in the ``folder``, those kept under this ``stamp``; none where the file is of another, or cannot be read."""
    try:
        told = json.loads((folder / NAME).read_text(encoding="utf-8"))
        if told["stamp"] != stamp:
            return {}
        return {k: {law: (float(m), float(sd)) for law, (m, sd) in roots.items()} for k, roots in told["roots"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def keep(folder: Path, stamp: str, roots: dict[str, Roots]) -> None:
    """Write the calibrations (``roots``) down under a ``stamp``; a ``folder`` that cannot be written to is left as it is."""
    with contextlib.suppress(AnalyticsError, OSError), whole_file(folder / NAME) as part:
        part.write_text(json.dumps({"stamp": stamp, "roots": roots}, indent=1, sort_keys=True), encoding="utf-8")
