"""Combined uncertainty: by hand, its floor and its laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.laboratory.uncertainty import combined_uncertainty

positive = st.floats(0.01, 1e3)
percent = st.floats(0.01, 30)


def test_by_hand() -> None:
    # c = 30 mg/kg from a net 3.0 mg/L (x 10). Reading 0.03 and blank 0.04 mg/L: 0.05 of 3.0 is 1.6667 %;
    # volume 0.5 %, mass 0.5 %, moisture 0.5 %: sqrt(1.6667^2 + 3 x 0.25) = 1.87824 %, of 30 that is 0.563471
    found = combined_uncertainty(
        30.0, 10.0, extract_uncertainty_mg_per_l=0.03, blank_uncertainty_mg_per_l=0.04,
        volume_percent=0.5, amount_percent=0.5, moisture_percent=0.5,
    )  # fmt: skip
    assert found == pytest.approx(0.563471, abs=1e-6)


@pytest.mark.parametrize(
    ("reproducibility", "expected"),
    # reading 0.3 mg/L x 10 = 3 mg/kg of 30, that is 10 %
    [(None, 3.0), (9.9, 3.0), (10.0, 3.0), (10.1, 3.03), (20.0, 6.0)],
)
def test_what_the_whole_test_achieves_is_the_floor(reproducibility: float | None, expected: float) -> None:
    found = combined_uncertainty(
        30.0, 10.0, extract_uncertainty_mg_per_l=0.3, reproducibility_percent=reproducibility
    )
    assert found == pytest.approx(expected)


def test_an_unknown_reading_leaves_the_floor_or_nothing() -> None:
    unknown = {"extract_uncertainty_mg_per_l": np.nan, "volume_percent": 0.5}
    assert np.isnan(combined_uncertainty(30.0, 10.0, **unknown))
    assert combined_uncertainty(30.0, 10.0, **unknown, reproducibility_percent=10) == pytest.approx(3.0)


@given(positive, positive, positive, percent, percent, st.floats(1, 100))
def test_positive_and_scales_with_the_value(
    net: float, factor: float, reading: float, volume: float, test: float, scale: float
) -> None:
    """Ten times the soil per extract gives ten times the value and ten times its uncertainty."""

    def of(times: float) -> float:
        return float(
            combined_uncertainty(
                net * factor * times,
                factor * times,
                extract_uncertainty_mg_per_l=reading,
                volume_percent=volume,
                reproducibility_percent=test,
            )
        )

    assert of(1) > 0
    assert of(scale) == pytest.approx(scale * of(1))


@given(positive, positive, percent, percent)
def test_another_component_never_lowers_it(net: float, reading: float, volume: float, mass: float) -> None:
    less = combined_uncertainty(net, 1.0, extract_uncertainty_mg_per_l=reading, volume_percent=volume)
    more = combined_uncertainty(
        net, 1.0, extract_uncertainty_mg_per_l=reading, volume_percent=volume, amount_percent=mass
    )
    assert more >= less
