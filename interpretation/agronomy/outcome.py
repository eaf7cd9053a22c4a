"""What classing finds out about each soil value, filled in step by step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy import classing
from interpretation.agronomy.extractants import NO_ANSWER, OUTSIDE
from interpretation.agronomy.tables import TableSet

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

# Keys of reasons. The first ones are those of classing, so that its codes can be taken over.
REFUSALS = (
    *classing.CLASSING_REFUSALS,
    "no-table",
    "method-not-valid",
    "validity-unknown",
    OUTSIDE,
    NO_ANSWER,
)
NO_TABLE, METHOD_NOT_VALID, VALIDITY_UNKNOWN = (
    REFUSALS.index(key) for key in ("no-table", "method-not-valid", "validity-unknown")
)


@dataclass(slots=True)
class Outcome:
    """Arrays that the steps of classing fill in, one element a soil value."""

    reported: Floats
    decimals: NDArray[np.int8]
    index: NDArray[np.int8]
    borderline: NDArray[np.bool_]
    refusal: NDArray[np.int8]  # position in REFUSALS
    table: NDArray[np.int32]  # position in the scales' ids, -1 for none
    detail: NDArray[np.int16]  # position in `details`
    details: list[str]
    probability: NDArray[np.float32]

    @classmethod
    def blank(cls, soil: pd.DataFrame, tables: TableSet) -> Outcome:
        """Every value as it came: nothing classed, nothing refused."""
        n, widest = len(soil), max((len(scale.classes) for scale in tables.scales.values()), default=0)
        return cls(
            reported=soil["value"].to_numpy(dtype=np.float64).copy(),
            decimals=np.ones(n, dtype=np.int8),
            index=np.full(n, -1, dtype=np.int8),
            borderline=np.zeros(n, dtype=np.bool_),
            refusal=np.zeros(n, dtype=np.int8),
            table=np.full(n, -1, dtype=np.int32),
            detail=np.zeros(n, dtype=np.int16),
            details=[""],
            probability=np.full((n, widest), np.nan, dtype=np.float32),
        )

    def refuse(self, rows: Rows, refusal: int, detail: str) -> None:
        """Say why these values have no class."""
        if detail not in self.details:
            self.details.append(detail)
        self.refusal[rows], self.index[rows] = refusal, -1
        self.detail[rows] = self.details.index(detail)

    def withdraw(self, rows: Rows, refusal: int, detail: str) -> None:
        """Take back what classing said of these values, and say why."""
        self.refuse(rows, refusal, detail)
        self.table[rows], self.borderline[rows] = -1, False
        self.probability[rows] = np.nan
