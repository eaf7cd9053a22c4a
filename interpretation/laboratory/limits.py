"""The limits a run is judged by: data of each laboratory, every one with its source.

``tables/limits/default.yaml`` holds the defaults; a laboratory copies and edits that file. Nothing in the
code knows a figure of its own.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Literal, Self, get_args

from pydantic import Field, model_validator

from interpretation.laboratory.criteria import CurveCriteria
from interpretation.results import CheckName, Flag, Outcome, Record

ControlRule = Literal["1-2s", "1-3s", "2-2s", "R-4s", "4-1s", "10x"]

# A cup with one of these has no value to release, whatever a laboratory decides.
WITHOUT_VALUE = (Flag.OVER_RANGE, Flag.EXCLUDED, Flag.NO_SIGNAL, Flag.MOISTURE_MISSING, Flag.METHOD_NOT_VALID)


class LimitSource(Record):
    """Where a limit was printed, and whether it was read there."""

    title: str
    locator: str = ""
    url: str = ""
    read: Literal["seen", "memory", "common practice", "computed", "laboratory"]


class Limit(Record):
    """What a figure may be, what happens when it is not, and what when the run has none to judge.

    The figure passes when ``low <= figure <= high``; a bound left out does not limit.
    """

    low: float | None = None
    high: float | None = None
    failed: Outcome = Field(description="outcome when the figure lies outside")
    missing: Outcome = Field(default=Outcome.PASS, description="outcome when the run has no such check")
    source: str = Field(min_length=1, description="key of sources")

    @model_validator(mode="after")
    def _bounds_in_order(self) -> Self:
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(f"low {self.low:g} must be below high {self.high:g}")
        return self


class TrendLimit(Limit):
    """A slope against position fails when it is significant and its change over the run lies outside."""

    significance: float = Field(gt=0, lt=1, description="of a two-sided t-test on the slope")
    points: int = Field(ge=3, description="fewer readings than this are not tested")


class ReferenceSoil(Record):
    """A control soil with its assigned mean and standard deviation by one method, as weighed."""

    name: str = Field(min_length=1, description="cup id in the run file")
    method: str = Field(min_length=1, description="id of a file in tables/methods")
    mean: float = Field(gt=0, description="in the method's unit")
    sd: float = Field(gt=0, description="between runs, in the method's unit")
    recent: tuple[float, ...] = Field(
        default=(), description="values of earlier runs, oldest first, for the rules that look back"
    )
    source: str = Field(min_length=1)


class ControlChart(Record):
    """What the breaking of each control-chart rule leads to."""

    outcomes: dict[ControlRule, Outcome]
    missing: Outcome = Field(description="outcome when the run has no reference soil with an assigned value")
    source: str = Field(min_length=1)


class Preparing(Record):
    """Standard uncertainties of what is measured by hand, for the combined uncertainty."""

    volume_percent: float = Field(ge=0, description="of the extractant's volume")
    mass_g: float = Field(ge=0, description="of one weighing")
    scoop_percent: float = Field(ge=0, description="of the soil volume a scoop takes")
    moisture_percent: float = Field(ge=0, description="of the moisture, in % of dry mass")
    source: str = Field(min_length=1)


class Limits(Record):
    """Everything a run is judged by. Recoveries, differences and shares are in per cent.

    Raises
    ------
    pydantic.ValidationError
        If a limit names a source that is not in ``sources``, or a control-chart rule has no outcome.
    """

    title: str
    curve: CurveCriteria
    curve_failed: Outcome = Field(
        description="outcome when a standard or the whole curve misses its criteria"
    )
    curve_missing: Outcome = Field(description="outcome of concentrations that list no standards")
    matrix: Limit = Field(description="standards' matrix against the method's; no figure")
    calibration_blank: Limit = Field(description="absolute reading, % of the reporting level")
    method_blank: Limit = Field(description="absolute reading, % of the reporting level")
    method_blanks: Limit = Field(description="number of method blanks")
    blanks_and_samples: Limit = Field(description="mean blank, % of the median sample")
    blank_share: Limit = Field(description="blank in one sample cup, % of its reading")
    below_blank: Limit = Field(description="blank-corrected reading, mg/L; lower still gives no value")
    second_source: Limit = Field(description="recovery")
    continuing_check: Limit = Field(description="recovery")
    cups_between_checks: Limit = Field(description="number of cups between two checks")
    drift: Limit = Field(description="change of recovery between neighbouring checks, percentage points")
    carry_over: Limit = Field(description="carried from the cup before, % of the reporting level")
    trend: TrendLimit = Field(description="change over the run along a straight line, %")
    duplicate: Limit = Field(description="relative difference; not applied below the reporting level")
    replicate: Limit = Field(description="relative range of the cups of one sample; likewise")
    spike: Limit = Field(description="recovery of the addition")
    range: Limit = Field(description="a sample read only above the top standard; no figure")
    control_chart: ControlChart
    reference_soils: tuple[ReferenceSoil, ...] = ()
    held_back: tuple[Flag, ...] = Field(
        description="flags that keep a single value back although the run is accepted"
    )
    preparing: Preparing
    sources: dict[str, LimitSource]

    @model_validator(mode="after")
    def _every_source_is_given(self) -> Self:
        named = {f"curve ({source})": source for source in self.curve.sources}
        for name in type(self).model_fields:
            part = getattr(self, name)
            if isinstance(part, Limit | ControlChart | Preparing):
                named[name] = part.source
            if (
                isinstance(part, Limit)
                and name not in _WITHOUT_FIGURE
                and part.low is None
                and part.high is None
            ):
                raise ValueError(f"{name} has neither low nor high, so nothing could fail it")
        named |= {f"reference soil {soil.name}": soil.source for soil in self.reference_soils}
        for name, source in named.items():
            if source not in self.sources:
                raise ValueError(
                    f"{name}: source {source!r} is not among sources ({', '.join(self.sources)})"
                )
        silent = set(get_args(ControlRule)) - set(self.control_chart.outcomes)
        if silent:
            raise ValueError(f"control_chart.outcomes lacks {', '.join(sorted(silent))}")
        return self

    def limit(self, check: CheckName) -> Limit:
        """Return the limit one kind of check is judged by."""
        found: Limit = getattr(self, _FIELD[check])
        return found

    def holding_back(self) -> tuple[Flag, ...]:
        """Return every flag that keeps a single value back."""
        return (*WITHOUT_VALUE, *self.held_back)


_WITHOUT_FIGURE = ("matrix", "range")
_FIELD: MappingProxyType[CheckName, str] = MappingProxyType(
    {
        check: check.value.replace("-", "_")
        for check in CheckName
        if check not in (CheckName.CURVE_RECOVERY, CheckName.CURVE_RSE, CheckName.REFERENCE_SOIL)
    }
)
