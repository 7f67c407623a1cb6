"""A part is fitted once for all its weights, uses and reliabilities."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings import curve, early, fit_checks, fits
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from tests.small_shop import rateable_shop


def key(model) -> str:
    """What a joint fit hangs on: the lives, the columns, the distribution, what is free, and the priors."""
    data = model.data
    digest = hashlib.sha256()
    for name in data.__dataclass_fields__:
        value = getattr(data, name)
        digest.update(np.ascontiguousarray(value).tobytes() if isinstance(value, np.ndarray) else repr(value).encode())
    digest.update(np.ascontiguousarray(model.x).tobytes())
    digest.update(repr((model.columns, model.distribution, model.layout, model.priors, model.life_miles)).encode())
    return digest.hexdigest()


@pytest.fixture
def made(monkeypatch):
    """The fits that were asked for."""
    found: list[str] = []
    for module in (early, fit_checks, fits):
        plain = module.fit_joint

        def counted(model, *rest, plain=plain):
            found.append(key(model))
            return plain(model, *rest)

        monkeypatch.setattr(module, "fit_joint", counted)
    return found


def test_no_fit_is_made_twice(tmp_path, made):
    records = load_records(rateable_shop(tmp_path))
    options = options_for(records.shop)
    ratings = make_ratings(records, make_lifetimes(records), options, only=[("input shaft", "A")])
    part = ratings.part("input shaft", "A")
    assert len(part.bounds) > 1
    curve.reliability_curve(part, part.bounds[0], options)
    assert len(made) == len(set(made)) > 2
