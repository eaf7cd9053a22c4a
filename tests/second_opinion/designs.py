"""Random standards, easy and hard ones, and what their condition leaves of sixteen digits."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import sqrt

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

Array = NDArray[np.float64]

WEIGHTINGS = {"1": 0, "1/x": 1, "1/x2": 2}


@dataclass(frozen=True)
class Points:
    """Concentrations, signals and weights, with the power of x the signals were made with."""

    x: Array
    y: Array
    w: Array
    degree: int


@st.composite
def concentrations(draw: st.DrawFn, kind: str, levels: int) -> Array:
    """Rising levels: spread evenly, over five decades, or close together and far from zero."""
    places = draw(st.lists(st.integers(0, 1000), min_size=levels, max_size=levels, unique=True))
    share = np.sort(places) / 1000
    share = (share - share[0]) / (share[-1] - share[0])
    top = draw(st.floats(0.1, 1000))
    if kind == "even":
        return top * (0.01 + share)
    if kind == "decades":
        return top * 10.0 ** (5 * (share - 1))
    return top * (1 + draw(st.floats(1e-3, 0.1)) * share)


@st.composite
def points(draw: st.DrawFn, *kinds: str) -> Points:
    """A line or a quadratic with scatter, five to twelve levels, some of them read twice."""
    levels = draw(st.integers(5, 12))
    degree = draw(st.sampled_from([1, 2]))
    x = draw(concentrations(draw(st.sampled_from(kinds)), levels))
    x = np.append(x, x[: draw(st.integers(0, 3))])
    slope, bend = draw(st.floats(0.01, 1000)), draw(st.floats(-0.4, 0.4))
    height = slope * x.max()
    y = draw(st.floats(-1, 1)) * height + slope * x + (degree - 1) * bend * height * (x / x.max()) ** 2
    scatter = 10 ** draw(st.floats(-4, -1)) * height
    errors = draw(st.lists(st.floats(-1, 1), min_size=x.size, max_size=x.size))
    power = draw(st.sampled_from(list(WEIGHTINGS.values())))
    # The last digit of the scatter is never all there is: it would measure rounding against rounding.
    y = y + scatter * (np.array(errors) + 0.5 * np.cos(np.arange(x.size) * 2.0))
    return Points(x, y, 1 / x**power, degree)


@dataclass(frozen=True)
class Exact:
    """Least squares in whole fractions: not one rounding before the answer is written as a double."""

    coefficients: Array
    inverse: list[list[Fraction]]
    powers: list[int]
    residual_sum: float
    total_sum: float
    residual_sd: float

    @property
    def unit_covariance(self) -> Array:
        """Covariance of the coefficients for a residual standard deviation of 1."""
        return np.array([[float(value) for value in line] for line in self.inverse])

    def unit_variance_at(self, x: Array) -> Array:
        """Variance of the curve at each x, likewise."""
        size = range(len(self.powers))
        found = []
        for value in x:
            row = [Fraction(float(value)) ** power for power in self.powers]
            found.append(float(sum(row[i] * self.inverse[i][j] * row[j] for i in size for j in size)))
        return np.array(found)


def exact_fit(x: Array, y: Array, w: Array, powers: list[int]) -> Exact:
    """Normal equations of the doubles as they stand, solved by elimination in fractions."""
    xs, ys, ws = ([Fraction(float(v)) for v in column] for column in (x, y, w))
    rows = [[v**power for power in powers] for v in xs]
    size = len(powers)
    normal = [
        [sum(wi * row[i] * row[j] for wi, row in zip(ws, rows, strict=True)) for j in range(size)]
        + [Fraction(int(i == j)) for j in range(size)]
        for i in range(size)
    ]
    for i in range(size):
        pivot = normal[i][i]
        normal[i] = [value / pivot for value in normal[i]]
        for k in range(size):
            if k != i:
                factor = normal[k][i]
                normal[k] = [a - factor * b for a, b in zip(normal[k], normal[i], strict=True)]
    inverse = [line[size:] for line in normal]
    right = [sum(wi * row[i] * yi for wi, row, yi in zip(ws, rows, ys, strict=True)) for i in range(size)]
    beta = [sum(inverse[i][j] * right[j] for j in range(size)) for i in range(size)]
    residual = sum(
        wi * (yi - sum(b * r for b, r in zip(beta, row, strict=True))) ** 2
        for wi, row, yi in zip(ws, rows, ys, strict=True)
    )
    centre = sum(wi * yi for wi, yi in zip(ws, ys, strict=True)) / sum(ws) if 0 in powers else Fraction(0)
    total = sum(wi * (yi - centre) ** 2 for wi, yi in zip(ws, ys, strict=True))
    return Exact(
        coefficients=np.array([float(b) for b in beta]),
        inverse=inverse,
        powers=powers,
        residual_sum=float(residual),
        total_sum=float(total),
        residual_sd=sqrt(residual / (len(xs) - size)),
    )


@dataclass(frozen=True)
class Condition:
    """How much a rounding of the last digit of the data moves the answers of a design.

    Attributes
    ----------
    length
        Of each weighted column: coefficients times it are all in signal units.
    number
        Condition number of the weighted columns, each brought to unit length.
    """

    length: Array
    number: float


def condition(x: Array, w: Array, powers: list[int]) -> Condition:
    """Condition of the weighted design."""
    columns = x[:, None] ** np.array(powers) * np.sqrt(w)[:, None]
    length = np.sqrt((columns**2).sum(axis=0))
    return Condition(length, float(np.linalg.cond(columns / length)))
