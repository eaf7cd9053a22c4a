"""The standard uncertainty of a soil value against ``uncertainties``, from the run's signals to mg/kg.

The project adds relative parts in quadrature; here the soil value is written down as it is worked out,
``(C D - b) (V / m) (1 + M)``, and every figure in it carries its own uncertainty. A concentration read off
the curve carries those of its signal and of the coefficients, which are correlated.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from interpretation.laboratory.inverse import inverse
from interpretation.laboratory.run import CurveChoice
from interpretation.laboratory.soil import soil_content
from interpretation.laboratory.uncertainty import combined_uncertainty
from tests.compute.laboratory_runs import LIMITS, NITRATE, STANDARDS, cup, measured
from tests.second_opinion.agreement import agree, steady
from tests.second_opinion.curves import Fitted, fitted, second_fit
from tests.second_opinion.designs import WEIGHTINGS

PERCENT = st.floats(0, 5)


@st.composite
def preparations(draw: st.DrawFn) -> dict[str, float]:
    """How a soil was extracted, each figure with its relative uncertainty in per cent."""
    return {
        "dilution": draw(st.sampled_from([1.0, 5.0, 10.0])),
        "extract_ml": draw(st.floats(10, 100)),
        "soil_g": draw(st.floats(1, 20)),
        "moisture": draw(st.floats(0, 0.4)),
        "volume_percent": draw(PERCENT),
        "amount_percent": draw(PERCENT),
        "moisture_percent": draw(PERCENT),
    }


def known(value: float, uncertainty: float):
    """A figure with its standard uncertainty; an exact one is a plain number."""
    return uncertainties.ufloat(value, uncertainty) if uncertainty else value


def written_out(read, blank, soil: dict[str, float]):
    """The soil value as a person writes it down, with whatever carries an uncertainty."""

    volume = known(soil["extract_ml"], soil["extract_ml"] * soil["volume_percent"] / 100)
    mass = known(soil["soil_g"], soil["soil_g"] * soil["amount_percent"] / 100)
    dry = known(1 + soil["moisture"], (1 + soil["moisture"]) * soil["moisture_percent"] / 100)
    return (read * soil["dilution"] - blank) * volume / mass * dry


def ours(
    read: float, u_read: float, blank: float, u_blank: float, soil: dict[str, float]
) -> tuple[float, float]:
    """Value and uncertainty as the project works them out."""
    dry = 1 + soil["moisture"]
    value = soil_content(
        read,
        extract_ml=soil["extract_ml"],
        soil_g=soil["soil_g"],
        dilution=soil["dilution"],
        blank_mg_per_l=blank,
    )
    uncertainty = combined_uncertainty(
        value * dry,
        soil["extract_ml"] / soil["soil_g"] * dry,
        extract_uncertainty_mg_per_l=u_read * soil["dilution"],
        blank_uncertainty_mg_per_l=u_blank,
        volume_percent=soil["volume_percent"],
        amount_percent=soil["amount_percent"],
        moisture_percent=soil["moisture_percent"],
    )
    return float(value * dry), float(uncertainty)


@steady(100)
@given(st.floats(0, 20), st.floats(0, 1), st.floats(0, 3), st.floats(0, 0.5), preparations())
def test_parts_that_know_nothing_of_each_other(
    read: float, u_read: float, blank: float, u_blank: float, soil: dict[str, float]
) -> None:
    """Also where the blank takes everything, and more than everything, away."""
    value, uncertainty = ours(read, u_read, blank, u_blank, soil)
    full = written_out(known(read, u_read), known(blank, u_blank), soil)
    expected, deviation = uncertainties.nominal_value(full), uncertainties.std_dev(full)
    agree("value", value, expected, 1e-12, max(abs(expected), 1.0))
    agree("uncertainty", uncertainty, deviation, 1e-12, max(deviation, 1e-9))


def reading_of(f: Fitted, coefficients: tuple, x: float):
    """A concentration that carries the uncertainties of its signal and of the line."""
    a, b = coefficients
    signal = uncertainties.ufloat(f.signal_at(x), math.sqrt(f.reading_variance_at(x)))
    return (signal - a) / b


@steady(100)
@given(fitted(models=("linear",)), st.floats(0.05, 1), st.floats(0, 0.3), preparations())
def test_from_signals_to_soil(f: Fitted, share: float, u_blank: float, soil: dict[str, float]) -> None:
    """A mean of blanks has its own scatter; everything else follows from the run."""
    x = share * float(f.x.max())
    blank, u_blank = 0.1 * x, u_blank * x
    found = inverse(f.curve, f.signal_at(x))
    _, uncertainty = ours(float(found.x), float(found.uncertainty), blank, u_blank, soil)
    read = reading_of(f, uncertainties.correlated_values(f.parameters, f.covariance), x)
    full = written_out(read, known(blank, u_blank), soil)
    agree("uncertainty", uncertainty, full.std_dev, f.rounding + 1e-9)


@st.composite
def runs(draw: st.DrawFn) -> dict[str, Any]:
    """Six standards that scatter, one to six method blanks, one sample within the standards."""
    errors = np.array(draw(st.lists(st.floats(-1, 1), min_size=6, max_size=6)))
    x, weighting = np.array(STANDARDS), draw(st.sampled_from(list(WEIGHTINGS)))
    # At most 2 % of the signal of 10 mg/L, in the pattern that the weights stand for.
    scatter = draw(st.floats(0.02, 0.2)) * 100 * (x / 10) ** (WEIGHTINGS[weighting] / 2)
    return {
        "weighting": weighting,
        "signals": 2 + 100 * x + scatter * (errors + 0.3 * np.cos(2.0 * np.arange(6))),
        "blanks": draw(st.lists(st.floats(0.0, 0.1), min_size=1, max_size=6)),
        "sample": draw(st.floats(3, 19)),
        "moisture": draw(st.floats(0, 40)),
    }


@steady(100)
@given(runs())
def test_a_whole_run(run: dict[str, Any]) -> None:
    """Signals in, soil value out, against the same run worked out with ``uncertainties``.

    The project takes the blank for a stranger to the curve: of one blank the whole uncertainty, of several
    the scatter of their mean. So does the first propagation here, and both agree to the last digits. The
    second lets sample and blanks share the curve's coefficients, as they do: the project's figure is an
    approximation of that.
    """
    cups = [
        cup("standard", f"S{x:g}", x, nominal_mg_per_l=x, signal=signal)
        for x, signal in zip(STANDARDS, run["signals"], strict=True)
    ]
    cups += [cup("method blank", f"MB{n}", x) for n, x in enumerate(run["blanks"])]
    cups += [cup("sample", "001", run["sample"])]
    choice = CurveChoice(weighting=run["weighting"])
    listed = [{"lab_number": "001", "moisture_percent": run["moisture"]}]
    done = measured(cups, NITRATE, listed, curve=choice)
    power = WEIGHTINGS[run["weighting"]]
    f = second_fit(done.curve, np.array(STANDARDS), run["signals"], STANDARDS[0], power)
    uncertainty = float(done.soil["standard_uncertainty"].iloc[0])
    agree("uncertainty", uncertainty, propagated(f, run, shared=False), f.rounding + 1e-9)
    share = uncertainty / propagated(f, run, shared=True)
    assert 0.85 < share < 1.2  # of 6000 other random runs: 0.906 to 1.114, both on unweighted curves


def propagated(f: Fitted, run: dict[str, Any], *, shared: bool) -> float:
    """Standard uncertainty of the soil value, in mg/kg of oven-dry soil."""
    a, b = uncertainties.correlated_values(f.parameters, f.covariance)

    def read(signal: float, deviation: float):
        return (known(signal, deviation) - a) / b

    def deviation(signal: float) -> float:
        x = (signal - f.parameters[0]) / f.parameters[1]
        return math.sqrt(f.reading_variance_at(x))

    sample = 2 + 100 * run["sample"]
    blanks = [2 + 100 * x for x in run["blanks"]]
    mean, count = math.fsum(blanks) / len(blanks), len(blanks)
    spread = deviation(mean)
    if count > 1:
        spread = math.sqrt(math.fsum((y - mean) ** 2 for y in blanks) / (count - 1) / count)
    blank = read(mean, spread)
    if not shared:
        # A stranger: the same figure and uncertainty, without the curve's if it is a mean of several.
        own = blank.std_dev if count == 1 else spread / abs(b.nominal_value)
        blank = known(blank.nominal_value, own)
    preparing = LIMITS.preparing
    volume = uncertainties.ufloat(NITRATE.extract_ml, NITRATE.extract_ml * preparing.volume_percent / 100)
    mass = uncertainties.ufloat(NITRATE.soil_g, preparing.mass_g)
    dry = uncertainties.ufloat(1 + run["moisture"] / 100, preparing.moisture_percent / 100)
    return ((read(sample, deviation(sample)) - blank) * volume / mass * dry).std_dev
