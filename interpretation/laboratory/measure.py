"""The laboratory's chain: one run in, soil values and their quality out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from interpretation.errors import PreparationError, RunError
from interpretation.laboratory.acceptance import QualityReport, examine
from interpretation.laboratory.blanks import blank_extract
from interpretation.laboratory.cups import Cups, cups_of, read_signals
from interpretation.laboratory.curve import Curve, fit_curve
from interpretation.laboratory.drift import correct
from interpretation.laboratory.flags import bit
from interpretation.laboratory.inverse import as_read
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.preparation import Preparation, prepared
from interpretation.laboratory.run import Columns, Run, RunHeader, columns_of
from interpretation.laboratory.sheet import cup_lines, method_note
from interpretation.laboratory.standing import standing
from interpretation.laboratory.summary import curve_summary
from interpretation.laboratory.values import SampleValues, sample_values, value_columns
from interpretation.methods import Method
from interpretation.results import Flag, RunSheet, Verdict

__all__ = ["Measurement", "Preparation", "measure", "run_sheet"]


@dataclass(frozen=True)
class Measurement:
    """One run, measured and judged.

    Attributes
    ----------
    run, preparation, limits
        What it was made from.
    curve
        None for a run of concentrations.
    quality
        Checks, verdict and the flags of each cup in instrument order.
    used
        The cups with their concentrations as they were used.
    values
        What came of each sample.
    """

    run: Run
    preparation: Preparation
    limits: Limits
    curve: Curve | None
    quality: QualityReport
    used: Cups
    values: SampleValues

    @property
    def header(self) -> RunHeader:
        """What the run declares about itself."""
        return self.run.header

    @property
    def method(self) -> Method:
        """The method of the run."""
        return self.preparation.method

    @property
    def verdict(self) -> Verdict:
        """What becomes of the run."""
        return self.quality.verdict

    @cached_property
    def cups(self) -> pd.DataFrame:
        """One row a cup in instrument order.

        The run's readings, with ``solution_mg_per_l`` and ``solution_uncertainty_mg_per_l`` in the cup as
        used (corrected for drift where flagged) and ``flags``.
        """
        readings = self.run.readings.take(self.used.order).reset_index(drop=True)
        return readings.assign(
            solution_mg_per_l=self.used.solution,
            solution_uncertainty_mg_per_l=self.used.uncertainty,
            flags=self.quality.flags,
        )

    @cached_property
    def soil(self) -> pd.DataFrame:
        """One row a sample, in order of its first cup, whether it may be released or not.

        The columns of :data:`interpretation.soil_values.COLUMNS`; ``cup``, the row of :attr:`cups` the
        value stands beside; ``decimals``; ``flags``; ``withheld``, the flag that keeps the value back, or "";
        and ``use_instead``, the method to use where this one is not valid, or "". A row without a number
        has neither ``value`` nor ``below``. ``value`` is rounded to the method's digits, as it is printed.
        """
        values = self.values
        not_valid = (values.flags & bit(Flag.METHOD_NOT_VALID)) != 0
        return pd.DataFrame(
            value_columns(values, slice(None), self.preparation, self._origin)
            | {
                "value": values.value,
                "cup": values.cup,
                "decimals": values.decimals,
                "flags": values.flags,
                "withheld": values.withheld,
                "use_instead": np.where(not_valid, self.method.use_instead, ""),
            }
        )

    @cached_property
    def soil_values(self) -> pd.DataFrame:
        """The values that may leave the laboratory: those of an accepted run that no flag keeps back.

        Returns
        -------
        pandas.DataFrame
            As :func:`interpretation.soil_values.soil_values` types them; no row unless the run is
            accepted. To release a run on hold, a person mends it (reruns it, or excludes cups with a
            reason) and measures again: there is no switch that overrules a check. Values are not rounded.
        """
        released = (self.values.withheld == "") & (self.verdict is Verdict.ACCEPT)
        return pd.DataFrame(value_columns(self.values, released, self.preparation, self._origin))

    @property
    def _origin(self) -> str:
        return f"run {self.header.run_id}"


def measure(run: Run, preparation: Preparation, limits: Limits) -> Measurement:
    """Turn one run into soil values, and say whether they may be used.

    Parameters
    ----------
    run
        Header and cups.
    preparation
        Method and samples.
    limits
        The laboratory's acceptance limits.

    Returns
    -------
    Measurement
        Also of a run that is held or rejected: its values are there to be looked at, none is released.

    Raises
    ------
    CalibrationError
        If no curve can be fitted.
    PreparationError, BasisError
        If the samples' preparation makes no soil value possible, or the method is from memory and the
        laboratory has not confirmed it.
    RunError
        If signals are declared to be multiplied by the dilution, or a dilution is below 1.

    Notes
    -----
    Signals become solution concentrations by the curve (or arrive as such), drift is corrected where the
    header asks for it, every check is made, and extracts become soil:
    ``(C D - b) V / m`` with the moisture basis of the method (:mod:`interpretation.laboratory.soil`).

    A method that reports CEC reads ammonium: its file says analyte ``CEC``, form ``charge`` and a unit in
    cmol, the run's header says ``ammonium`` and the form its mg/L count. That pair alone may differ.
    """
    header = run.header
    readings = columns_of(run.readings)
    _refuse_impossible(run, readings)
    method = preparation.method
    _refuse_unconfirmed(run, preparation)
    curve = None
    if header.signal_kind == "concentration":
        cups = cups_of(as_read(run.readings), None, header, method)
    else:
        curve = fit_curve(readings, header.curve, limits.curve)
        cups = read_signals(readings, curve)
    if header.drift_correction:
        cups = correct(cups)
    samples = standing(cups)
    soil = prepared(cups.cup_id, preparation, header, limits.preparing, cups.is_kind("sample"))
    blank, blank_uncertainty = blank_extract(cups, blank_subtracted=header.blank_subtracted)
    quality = examine(
        cups, samples, soil.as_weighed, blank, curve=curve, limits=limits, header=header, method=method
    )
    cups = replace(cups, flags=quality.flags)
    values = sample_values(cups, samples, blank, blank_uncertainty, soil, method=method, limits=limits)
    return Measurement(run, preparation, limits, curve, quality, cups, values)


def run_sheet(measurement: Measurement) -> RunSheet:
    """Turn a measurement into the record its laboratory page is made from.

    Parameters
    ----------
    measurement
        Of one run.

    Returns
    -------
    RunSheet
        With the soil value of each sample beside the cup that stands for it, also where it is not released.
    """
    header, method, curve = measurement.header, measurement.method, measurement.curve
    corrected = bool((measurement.quality.flags & bit(Flag.DRIFT_CORRECTED)).any())
    return RunSheet(
        run_id=header.run_id,
        laboratory=header.laboratory,
        analyte=header.analyte,
        form=header.form,
        method=method.id,
        method_title=method.title,
        method_note=method_note(method),
        standards_matrix=header.standards_matrix,
        signal_kind=header.signal_kind,
        run_on=header.run_on,
        operator=header.operator,
        instrument=header.instrument,
        basis=method.basis,
        unit=method.unit,
        soil_water_added=method.soil_water_added,
        drift_corrected=corrected,
        curve=curve and curve_summary(curve, measurement.cups, measurement.limits.curve),
        checks=measurement.quality.checks,
        verdict=measurement.verdict,
        cups=cup_lines(measurement.cups, measurement.soil),
        hazards=method.hazards,
        from_memory=method.standing == "memory",
        example=header.example,
    )


def _refuse_unconfirmed(run: Run, preparation: Preparation) -> None:
    """Refuse a method nobody has looked up: a wrong ratio would make every value wrong by one factor."""
    method = preparation.method
    if method.standing == "memory" and not preparation.confirmed:
        raise PreparationError(
            f"the figures of {method.id} are from memory: nobody has looked them up",
            where=f"run {run.header.run_id}",
            expected="a method read in its source, or one that this laboratory has confirmed",
            fix="compare extractant, ratio, shaking and finish in the method's file with your own procedure; "
            f"if they agree, add {method.id} to confirmed_methods in the laboratory card",
        )


def _refuse_impossible(run: Run, readings: Columns) -> None:
    dilution = readings["dilution"]
    wrong = ~(dilution >= 1) | np.isinf(dilution)
    if wrong.any():
        row = int(wrong.argmax())
        raise RunError(
            f"dilution {dilution[row]:g} cannot be",
            where=f"{run.source or run.header.run_id}, row {readings['row'][row]}",
            expected="final volume over aliquot volume, 1 or more",
            fix="write 10 for 1 mL made up to 10 mL",
        )
    if run.header.dilution_applied and run.header.signal_kind != "concentration":
        raise RunError(
            "signals cannot be multiplied by the dilution already",
            where=run.source or run.header.run_id,
            expected="dilution_applied false, or a run of concentrations",
            fix="correct dilution_applied or signal_kind in the run's header",
        )
