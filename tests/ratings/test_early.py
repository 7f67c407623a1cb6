"""The test of early failures: quiet where a part merely fails at any age, loud where installations went wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.ratings.early import early_check
from analytics.ratings.settings import RatingSettings
from studies.coverage import Cell, draw_fleet

SETTINGS = RatingSettings()


def fired(cell: Cell, fleets: int) -> list[bool]:
    return [
        early_check(draw_fleet(cell, np.random.default_rng([11, i])), 50_000.0, SETTINGS)[0].fired
        for i in range(fleets)
    ]


@pytest.mark.parametrize(("shape", "most"), [(0.8, 1), (1.0, 1)])
def test_a_part_that_fails_at_any_age_has_no_early_failures_apart(shape, most):
    """Pure Weibull lives: it fired on 40 to 65 and 17 to 23% of such fleets while wear was fitted with the early failures cut out."""
    assert sum(fired(Cell("pure", failures=20, shape=shape), 20)) <= most


def test_installations_gone_wrong_are_seen():
    assert all(fired(Cell("install", failures=20, early=0.03), 6))


def test_nothing_is_asked_where_it_is_off_or_the_target_is_shorter():
    data = draw_fleet(Cell("install", failures=20, early=0.03), np.random.default_rng(5))
    assert early_check(data, 50_000.0, SETTINGS)[0].fired
    assert not early_check(data, 2_000.0, SETTINGS)[0].fired
    off, same = early_check(data, 50_000.0, replace(SETTINGS, early=False))
    assert (off.fired, off.share) == (False, 0.0)
    assert same is data
