"""What the second opinions share: how closely two answers agree, and how the random cases are drawn.

The cases are random but the same in every run: Hypothesis derives them from the test itself, keeps no
memory of earlier runs and measures no time.
"""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, settings
from numpy.typing import ArrayLike

EPSILON = float(np.finfo(np.float64).eps)


def steady(examples: int) -> settings:
    """The settings of every random test here."""
    return settings(
        max_examples=examples,
        derandomize=True,
        database=None,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
    )


def apart(found: ArrayLike, expected: ArrayLike, size: ArrayLike | None = None) -> float:
    """Largest difference as a share of ``size``, which is the expected answer itself unless given.

    Nothing where both are NaN, infinite where one is, or where the shapes differ.
    """
    ours, theirs = np.asarray(found, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    if ours.shape != theirs.shape or (np.isnan(ours) != np.isnan(theirs)).any():
        return float("inf")
    unit = np.abs(theirs) if size is None else np.broadcast_to(np.asarray(size, dtype=np.float64), ours.shape)
    differs = (ours != theirs) & ~np.isnan(ours)
    with np.errstate(divide="ignore"):
        return float((np.abs(ours - theirs)[differs] / unit[differs]).max(initial=0.0))


def agree(
    what: str, found: ArrayLike, expected: ArrayLike, tolerance: float, size: ArrayLike | None = None
) -> None:
    """Raise unless two answers differ by no more than ``tolerance``, as :func:`apart` counts."""
    difference = apart(found, expected, size)
    if not difference <= tolerance:
        raise AssertionError(
            f"{what}: {found} and {expected} differ by {difference:.3g}, not {tolerance:.3g}"
        )
