"""Mandel's test and the ratio check beyond the published cases."""

from __future__ import annotations

import math

import pytest

from interpretation.errors import CalibrationError
from interpretation.laboratory.linearity import Mandel, mandel, ratio_deviation


def test_mandel_has_nothing_to_say_about_an_exact_curve() -> None:
    for y in ([1 + 2 * x for x in range(1, 7)], [1 + 2 * x + x * x for x in range(1, 7)]):
        found = mandel(range(1, 7), y)
        assert math.isnan(found.statistic)
        assert found.linear  # not judged to be curved


@pytest.mark.parametrize(("statistic", "linear"), [(9.99, True), (10.0, True), (10.01, False)])
def test_mandel_at_its_critical_value(statistic: float, linear: bool) -> None:
    assert Mandel(statistic, 10.0, 1.0, 1.0).linear is linear


def test_mandel_needs_four_standards() -> None:
    assert mandel([1, 2, 3, 4], [1.0, 2.1, 2.9, 4.0]).critical > 0
    with pytest.raises(CalibrationError, match="3 standards are too few for Mandel's test"):
        mandel([1, 2, 3], [1.0, 2.1, 2.9])


def test_mandel_ignores_the_unit_of_the_signal() -> None:
    y = [1.0, 2.1, 2.9, 4.2, 5.0, 5.8]
    assert mandel(range(6), [1000 * v for v in y]).statistic == pytest.approx(mandel(range(6), y).statistic)


def test_ratio_is_taken_after_the_zero_signal() -> None:
    # 3 + 10 x: without the zero signal the low end looks curved, with it every ratio is 10.
    y = [13.0, 23.0, 43.0]
    # 13/1, 23/2, 43/4 = 13, 11.5, 10.75; median 11.5: +13.04 %, 0, -6.52 %
    assert list(ratio_deviation([1, 2, 4], y)) == pytest.approx([13.04, 0, -6.52], abs=0.005)
    assert list(ratio_deviation([1, 2, 4], y, 3.0)) == pytest.approx([0, 0, 0])


def test_ratio_of_no_signal_is_unknown() -> None:
    assert all(math.isnan(value) for value in ratio_deviation([1, 2, 4], [0.0, 0.0, 0.0]))
