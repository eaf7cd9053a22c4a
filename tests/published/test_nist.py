"""The least-squares core against the certified values of the NIST Statistical Reference Datasets.

Data, certified values and their address are in ``tests/cases/nist``. Tolerances are relative and follow the
digits that double precision can keep on each set: Filip and the noisy Wampler sets are made to lose them.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from interpretation.laboratory.polynomial import weighted_polynomial
from tests.published import printed

CASES = Path(__file__).parents[1] / "cases" / "nist"

# set: relative tolerance of the coefficients, of their standard deviations
TOLERANCES = {
    "norris": (1e-10, 1e-10),
    "noint1": (1e-10, 1e-10),
    "wampler1": (1e-8, 1e-8),
    "wampler2": (1e-10, 1e-10),
    "wampler4": (1e-6, 1e-10),
    "wampler5": (1e-5, 1e-10),
    "filip": (1e-6, 1e-6),
}


def test_every_set_in_the_folder_is_tried() -> None:
    assert {path.stem for path in CASES.glob("*.json")} == set(TOLERANCES)


@pytest.mark.parametrize("name", TOLERANCES)
def test_certified_values(name: str, ledger: printed.Enter) -> None:
    case = json.loads((CASES / f"{name}.json").read_text(encoding="utf-8"))
    data = pd.read_csv(CASES / f"{name}.csv")
    assert len(data) == case["n"]
    fit = weighted_polynomial(
        data["x"], data["y"], np.ones(len(data)), case["degree"], intercept=case["intercept"]
    )
    certified = case["certified"]
    of_coefficients, of_deviations = TOLERANCES[name]
    texts = [*certified["estimate"], *certified["standard_deviation_of_estimate"]]
    texts += [certified["residual_standard_deviation"], certified["r_squared"]]
    ledger(
        {
            "answer": "printed", "printed": texts, "source": "nist-strd", "locator": name,
            "standing": "transcribed", "tolerance": of_coefficients,
            "because": "15 digits are certified; double precision keeps the share that TOLERANCES states",
        }
    )  # fmt: skip

    assert fit.coefficients == pytest.approx(np.array(certified["estimate"], float), rel=of_coefficients)
    # Wampler 1 and 2 are exact: their certified deviations are zero, hence an absolute tolerance too.
    assert fit.standard_errors == pytest.approx(
        np.array(certified["standard_deviation_of_estimate"], float), rel=of_deviations, abs=of_deviations
    )
    assert fit.residual_sd == pytest.approx(
        float(certified["residual_standard_deviation"]), rel=of_deviations, abs=of_deviations
    )
    assert fit.r_squared == pytest.approx(float(certified["r_squared"]), abs=1e-9)
    assert fit.degrees_of_freedom == certified["residual_df"]


def test_weights_count_as_repeated_points() -> None:
    data = pd.read_csv(CASES / "norris.csv")
    twice = pd.concat([data, data])
    weighted = weighted_polynomial(data["x"], data["y"], np.full(len(data), 2.0), 1)
    repeated = weighted_polynomial(twice["x"], twice["y"], np.ones(len(twice)), 1)
    assert weighted.coefficients == pytest.approx(repeated.coefficients, rel=1e-12)
    assert weighted.residual_sum == pytest.approx(repeated.residual_sum, rel=1e-12)
