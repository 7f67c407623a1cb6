"""The demo's own files, damaged: a result whose books balance or a clear error. `make study` does it a thousand times."""

from __future__ import annotations

from tests.hostile.mutilate import Shop, becomes, run


def test_untouched_the_demo_is_read_as_kept(tmp_path):
    shop = Shop()
    shop.write(tmp_path, shop.grids, shop.toml, {})
    assert becomes(tmp_path, None) == "read"


def test_damaged_the_demo_is_read_or_refused():
    found = run(times=16, seed=7)
    assert found["read"] >= 4
    assert found["refused"] >= 3
