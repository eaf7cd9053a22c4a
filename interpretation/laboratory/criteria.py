"""What a calibration must satisfy, as data with its sources."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, model_validator


class CurveCriteria(BaseModel):
    """Acceptance numbers of a calibration curve; a laboratory may set its own.

    Notes
    -----
    Source ids and how the default was come by:

    ``sm-4020``
        APHA/AWWA/WEF, *Standard Methods for the Examination of Water and Wastewater*, 4020 quality
        control: every standard back-calculated within 10 %, wider at the bottom as the laboratory's own
        plan sets it (read in an excerpt). The width at the bottom, twice that of the others, is this
        project's choice; printed plans range up to 50 %.
    ``sm-6020``
        The same book, 6020: at least 5 non-zero standards, 6 for a quadratic (read in an excerpt).
    ``sw846-8000d``
        EPA SW-846 method 8000D rev. 4 (2014): relative standard error at most 20 % (from memory).
    ``common-practice``
        No printed source: replicate standards this far apart are a mix-up, not scatter.

    The correlation coefficient is not among the criteria: alone it lets through curves that give back
    their lowest standards at more than twice their value (TNI standard, calibration section; seen).

    Examples
    --------
    >>> CurveCriteria(rse_percent=15).rse_percent
    15.0
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    recovery_low_percent: float = Field(default=90, gt=0, le=100)
    recovery_high_percent: float = Field(default=110, ge=100)
    recovery_source: str = "sm-4020"
    lowest_recovery_low_percent: float = Field(default=80, gt=0, le=100)
    lowest_recovery_high_percent: float = Field(default=120, ge=100)
    lowest_recovery_source: str = "sm-4020"
    rse_percent: float = Field(default=20, gt=0)
    rse_source: str = "sw846-8000d"
    linear_levels: int = Field(default=5, ge=3, description="distinct non-zero standards of a line")
    quadratic_levels: int = Field(default=6, ge=4, description="distinct non-zero standards of a quadratic")
    levels_source: str = "sm-6020"
    slope_confidence: float = Field(
        default=0.99,
        ge=0.95,
        lt=1,
        description="confidence at which the response must differ from none; never below that of the "
        "printed intervals, or those would have no end",
    )
    slope_source: str = "common-practice"
    replicate_spread_percent: float = Field(
        default=50, gt=0, description="range of replicate standards, of their signal above the intercept"
    )
    replicate_spread_sd: float = Field(
        default=6, gt=0, description="the same range, in residual standard deviations of the other levels"
    )
    replicate_source: str = "common-practice"

    @model_validator(mode="after")
    def _lowest_is_not_the_stricter(self) -> CurveCriteria:
        if (
            self.lowest_recovery_low_percent > self.recovery_low_percent
            or self.lowest_recovery_high_percent < self.recovery_high_percent
        ):
            raise ValueError("the window of the lowest standard must hold that of the others")
        return self

    @property
    def sources(self) -> tuple[str, ...]:
        """Ids of every source these numbers cite, each once."""
        cited = (
            self.recovery_source, self.lowest_recovery_source, self.rse_source,
            self.levels_source, self.slope_source, self.replicate_source,
        )  # fmt: skip
        return tuple(dict.fromkeys(cited))

    def recovered(
        self,
        nominal_mg_per_l: NDArray[np.float64],
        recovery_percent: NDArray[np.float64],
        lowest_mg_per_l: float,
    ) -> NDArray[np.bool_]:
        """Which standards come back within their window, both limits included.

        Parameters
        ----------
        nominal_mg_per_l, recovery_percent
            Shape ``(n,)``; non-zero standards.
        lowest_mg_per_l
            Lowest retained non-zero standard: it has the wider window.

        Returns
        -------
        numpy.ndarray of bool, shape (n,)
            Judged on the recovery as printed, to one decimal. NaN is never within.
        """
        printed = np.round(recovery_percent, 1)
        at_bottom = nominal_mg_per_l == lowest_mg_per_l
        low = np.where(at_bottom, self.lowest_recovery_low_percent, self.recovery_low_percent)
        high = np.where(at_bottom, self.lowest_recovery_high_percent, self.recovery_high_percent)
        return np.asarray((low <= printed) & (printed <= high))

    def precise(self, rse_percent: float) -> bool:
        """Whether the relative standard error, as printed to one decimal, is within its limit."""
        return round(rse_percent, 1) <= self.rse_percent


DEFAULT_CRITERIA = CurveCriteria()
