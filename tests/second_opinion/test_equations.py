"""Equations between methods, worked out a second time with first-order propagation by ``uncertainties``."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from interpretation.agronomy.extractants import convert_values
from tests.small_world import conversion, method, samples, scale, values, world

coefficients = st.floats(-20, 20).map(lambda x: round(x, 3))
bends = st.floats(-0.01, 0.01).map(lambda x: round(x, 5))


@given(
    a=coefficients, b=coefficients, c=bends,
    found=st.floats(1, 400).map(lambda x: round(x, 2)),
    relative=st.floats(0.001, 0.3),
)  # fmt: skip
def test_value_and_uncertainty(a: float, b: float, c: float, found: float, relative: float) -> None:
    formula = f"{a:.3f} + {b:.3f} * soil_test + {c:.5f} * soil_test * soil_test"
    equation = conversion(formula=formula, lowest=0, highest=500)
    tables = world(scale(), method(id="m3", title="m3"), method(), equation)
    measured = {"method": "m3", "value": found, "standard_uncertainty": relative * found}
    turned = convert_values(values(measured), samples({}), tables, (equation.id,)).soil.iloc[0]
    x = ufloat(found, relative * found)
    expected = a + b * x + c * x * x
    size = abs(a) + abs(b * found) + abs(c * found * found)
    assert turned["method"] == "bray"
    assert turned["value"] == pytest.approx(expected.nominal_value, abs=1e-12 * max(size, 1.0))
    # The slope is a central difference: exact for a second-order equation but for its rounding, 1e-16 of
    # the terms over a step of 1e-4 of the value.
    slope_error = 1e-11 * max(size, 1.0) / max(found, 1.0)
    assert turned["standard_uncertainty"] == pytest.approx(
        expected.std_dev, rel=1e-9, abs=max(slope_error * relative * found, 1e-15)
    )
    assert np.isnan(turned["below"])
