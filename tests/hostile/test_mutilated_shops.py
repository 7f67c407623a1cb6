"""Files of shops of every shape, damaged: a result whose books balance or a clear error. `make study` does it a thousand times."""

from __future__ import annotations

import pytest

from tests.hostile.mutilate import SHAPES, becomes, run, shop_of


@pytest.mark.parametrize("shape", SHAPES)
def test_untouched_a_shop_is_read_as_kept(tmp_path, shape):
    shop = shop_of(shape)
    shop.write(tmp_path, shop.grids, shop.toml, {})
    assert becomes(tmp_path, None) == "read"


def test_damaged_they_are_read_or_refused():
    found = run(times=4 * len(SHAPES), seed=7)
    assert found["read"] >= 6
    assert found["refused"] >= 5
