"""Flags: codes with their values in one text, and back."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.reasons import Flag, reason
from analytics.records.flags import POWER, add_flag, flag, flags_of, has_flag, join, join_columns, only


@pytest.mark.parametrize("name", ["A", "A; SOLD", "shaft, 300M = good %", "", "Ø\udc80"])
def test_values_come_back_as_they_were_whatever_is_in_them(name):
    text = join(flag(Flag.SOLD), flag(Flag.NAMED_OTHER, stated=name, known="B"))
    assert flags_of(text) == (reason(Flag.SOLD), reason(Flag.NAMED_OTHER, stated=name, known="B"))
    assert flags_of("") == ()


def test_each_flag_once_in_order():
    columns = (["SOLD", ""], ["POWER_ABOUT; SOLD", "LOST"], ["", "LOST"])
    assert join_columns(*(np.array(c, dtype=object) for c in columns)).tolist() == ["SOLD; POWER_ABOUT", "LOST"]


def test_a_flag_is_found_by_its_code_not_by_its_letters():
    flags = pd.Series(["POWER_AT_WHEELS", "NAMED_OTHER stated=POWER_AT_WHEELS known=B", "", "SOLD; POWER_AT_WHEELS"])
    assert has_flag(flags, Flag.POWER_AT_WHEELS).tolist() == [True, False, False, True]
    assert not len(has_flag(flags[:0], Flag.SOLD))
    assert only(flags[3], POWER) == "POWER_AT_WHEELS"
    assert add_flag(flags[2:], [True, False], Flag.LOST).tolist() == ["LOST", "SOLD; POWER_AT_WHEELS"]
