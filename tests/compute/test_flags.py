"""Flags as bits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.laboratory.flags import bit, mask, names
from interpretation.results import Flag


def test_every_flag_has_its_own_bit() -> None:
    assert len({bit(flag) for flag in Flag}) == len(Flag)
    assert mask(*Flag) == 2 ** len(Flag) - 1


def test_bits_work_on_whole_columns() -> None:
    flags = np.zeros(3, dtype=np.int64)
    flags |= np.where([True, False, True], bit(Flag.NEGATIVE), 0)
    flags |= np.where([True, True, False], bit(Flag.OVER_RANGE), 0)
    assert flags.dtype == np.int64
    assert [names(int(one)) for one in flags] == [
        (Flag.OVER_RANGE, Flag.NEGATIVE), (Flag.OVER_RANGE,), (Flag.NEGATIVE,),
    ]  # fmt: skip
    assert list(flags & mask(Flag.NEGATIVE, Flag.BELOW_LOD) != 0) == [True, False, True]


@given(st.sets(st.sampled_from(list(Flag))))
def test_names_undo_mask(flags: set[Flag]) -> None:
    assert set(names(mask(*flags))) == flags


@pytest.mark.parametrize("wrong", [-1, 2 ** len(Flag)])
def test_a_bit_of_no_flag_is_refused(wrong: int) -> None:
    with pytest.raises(ValueError, match="bits that belong to no flag"):
        names(wrong)
