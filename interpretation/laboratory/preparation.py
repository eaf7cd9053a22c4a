"""What was done to the soil before it reached the instrument, one row a sample."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.conversions import FloatArray, per_mg_per_kg
from interpretation.errors import BasisError, PreparationError
from interpretation.laboratory.cups import BoolArray
from interpretation.laboratory.limits import Preparing
from interpretation.laboratory.run import RunHeader
from interpretation.laboratory.soil import dry_mass_g, extract_volume_ml
from interpretation.methods import Method
from interpretation.quantities import form_factor

SAMPLES: dict[str, str] = {
    "lab_number": "str",  # key: the cup id of the sample
    "soil_g": "float64",  # NaN: the method's
    "extract_ml": "float64",  # NaN: the method's
    "moisture_percent": "float64",  # of the soil as weighed, on oven-dry mass; NaN when not known
    "ph_water": "float64",  # NaN when not known
    "lime_percent": "float64",
    "depth_from_cm": "float64",
    "depth_to_cm": "float64",
    "sampled_on": "datetime64[us]",
}


@dataclass(frozen=True)
class Preparation:
    """The method of a run and the samples it was used on.

    Attributes
    ----------
    method
        How soil became extract.
    samples
        Columns of :data:`SAMPLES`. Without any row every sample is taken as the method says, and its values
        carry neither depth nor day; with rows, every sample of the run must have one.
    confirmed
        Whether the laboratory has compared the method's file with its own procedure and vouches for it. Asked
        only of a method from memory.
    """

    method: Method
    samples: pd.DataFrame
    confirmed: bool = False

    @cached_property
    def columns(self) -> dict[str, NDArray[Any]]:
        """What is known of each sample, and one row more of nothing known: the last, for cups without one."""
        return {
            name: np.append(
                self.samples[name].to_numpy(), np.array("NaT" if name == "sampled_on" else "nan", kind)
            )
            for name, kind in SAMPLES.items()
            if name != "lab_number"
        }

    @cached_property
    def row_of(self) -> dict[str, int]:
        """Row of each lab number; a :class:`PreparationError` when one is listed twice."""
        numbers = self.samples["lab_number"].tolist()
        row_of = {number: row for row, number in enumerate(numbers)}
        if len(row_of) < len(numbers):
            twice = next(number for number in numbers if numbers.count(number) > 1)
            raise PreparationError(
                "the sample is listed more than once",
                where=f"lab number {twice}",
                expected="one row a sample",
                fix="remove the row that is wrong; neither wins by itself",
            )
        return row_of


@dataclass(frozen=True)
class Prepared:
    """One preparation a cup, ready to multiply; arrays of shape (n,).

    Attributes
    ----------
    soil_per_extract
        Soil value, in the method's unit and basis, that one mg/L of undiluted extract makes. NaN where the
        moisture it needs is not known.
    as_weighed
        The same on the soil as weighed, whatever the method's basis: what reference soils are charted in.
    volume_percent, amount_percent, moisture_percent
        Relative standard uncertainties for
        :func:`interpretation.laboratory.uncertainty.combined_uncertainty`.
    moisture_missing, not_valid
        Samples whose moisture is needed and not known; samples the method is not valid for.
    row
        Row in the samples of the preparation, -1 where the sample has none.
    """

    soil_per_extract: FloatArray
    as_weighed: FloatArray
    volume_percent: float
    amount_percent: FloatArray
    moisture_percent: FloatArray
    moisture_missing: BoolArray
    not_valid: BoolArray
    row: NDArray[np.int64]


def no_samples() -> pd.DataFrame:
    """Return a preparation's samples without a row."""
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in SAMPLES.items()})


def prepared(
    cup_ids: NDArray[np.object_],
    preparation: Preparation,
    header: RunHeader,
    preparing: Preparing,
    to_be_listed: BoolArray,
) -> Prepared:
    """Look up how each cup's soil was prepared.

    Parameters
    ----------
    cup_ids
        Lab numbers of the cups, shape (n,).
    preparation
        Method and samples.
    header
        Of the run: analyte and form of its concentrations.
    preparing
        Standard uncertainties of volume, mass, scoop and moisture.
    to_be_listed
        Cups for which having no row is an error. Reference soils need none: they are weighed as the method
        says.

    Returns
    -------
    Prepared

    Raises
    ------
    PreparationError
        For a sample that is not listed or listed twice, or a mass, volume or moisture that cannot be.
    BasisError
        If run and method do not speak of the same analyte, or unit and basis do not go together.
    """
    method = preparation.method
    per_extract = _per_mg_per_kg(header, method)
    row = _rows(cup_ids, preparation.row_of, to_be_listed)

    def given(name: str, otherwise: float | None) -> FloatArray:
        unknown = np.nan if otherwise is None else otherwise
        values = preparation.columns[name][row]
        return np.where(np.isnan(values), unknown, values)

    moisture, extract_ml = given("moisture_percent", None), given("extract_ml", method.extract_ml)
    amount = np.full(len(row), method.scoop_cm3) if method.scoop_cm3 else given("soil_g", method.soil_g)
    for name, values, least in (
        ("soil_g", amount, 1e-6),
        ("extract_ml", extract_ml, 1e-6),
        ("moisture_percent", moisture, 0.0),
    ):
        _refuse_impossible(name, values, least, cup_ids)

    to_oven_dry = method.basis == "oven-dry" and method.weighed_basis != "oven-dry"
    needed = to_oven_dry or method.soil_water_added
    mass = dry_mass_g(amount, moisture) if to_oven_dry else amount
    volume = extract_volume_ml(extract_ml, amount, moisture) if method.soil_water_added else extract_ml
    of_amount = preparing.scoop_percent if method.scoop_cm3 else 100 * preparing.mass_g / amount
    of_moisture = 100 * preparing.moisture_percent / (100 + moisture) if to_oven_dry else np.zeros(len(row))
    not_valid = np.zeros(len(row), bool)
    # Organic matter is another bench's result: its limit is held where all results of a sample meet.
    for name, limit in (("ph_water", method.valid_ph_max), ("lime_percent", method.valid_lime_percent_max)):
        if limit is not None:
            not_valid |= given(name, None) > limit
    if method.valid_ph_min is not None:
        not_valid |= given("ph_water", None) < method.valid_ph_min
    return Prepared(
        soil_per_extract=volume / mass * per_extract,
        as_weighed=extract_ml / amount * per_extract,
        volume_percent=preparing.volume_percent,
        amount_percent=np.broadcast_to(np.asarray(of_amount, float), row.shape),
        moisture_percent=of_moisture,
        moisture_missing=np.isnan(moisture) & needed,
        not_valid=not_valid,
        row=row,
    )


def _per_mg_per_kg(header: RunHeader, method: Method) -> float:
    """What one mg/kg, in the run's own form, makes in the method's form and unit."""
    _refuse_wrong_method(header, method)
    if (header.analyte, method.analyte) == ("ammonium", "CEC") and method.unit.startswith("cmol"):
        return per_mg_per_kg("ammonium", header.form, method.unit)  # displaced ammonium counts charge
    if header.analyte != method.analyte:
        raise BasisError(
            f"the run reads {header.analyte}, the method reports {method.analyte} in {method.unit}",
            where=f"run {header.run_id}, method {method.id}",
            expected="the same analyte, or ammonium for a CEC in cmol/kg",
            fix="correct the analyte or the method in the run's header",
        )
    in_form = form_factor(method.analyte, header.form, method.form)
    return in_form * per_mg_per_kg(method.analyte, method.form, method.unit)


def _refuse_wrong_method(header: RunHeader, method: Method) -> None:
    if header.method != method.id:
        raise PreparationError(
            f"the run was made by {header.method}, the preparation is of {method.id}",
            where=f"run {header.run_id}",
            expected="one method",
            fix="correct the method in the run's header, or choose the right preparation",
        )
    if method.extract_ml is None:
        raise PreparationError(
            f"{method.id} has no soil-to-extractant ratio",
            where=f"run {header.run_id}",
            expected="a method with extract_ml and soil_g or scoop_cm3",
            fix="complete the method's file, or enter the results as soil values",
        )
    scooped = method.scoop_cm3 is not None
    for wrong, what, expected in (
        (
            scooped != method.unit.endswith("dm3"),
            f"unit {method.unit} does not go with {'scooped' if scooped else 'weighed'} soil",
            "mg/dm3 or cmol/dm3 for scooped soil, a unit per mass for weighed soil",
        ),
        (
            scooped and method.soil_water_added,
            "soil water cannot be added to the extract of a scooped soil",
            "soil_water_added only where soil is weighed",
        ),
        (
            not scooped and method.basis not in (method.weighed_basis, "oven-dry"),
            f"soil weighed {method.weighed_basis} cannot be reported {method.basis}",
            "the basis it was weighed in, or oven-dry",
        ),
    ):
        if wrong:
            raise BasisError(what, where=method.id, expected=expected, fix="correct the method's file")


def _rows(cup_ids: NDArray[np.object_], row_of: dict[str, int], to_be_listed: BoolArray) -> NDArray[np.int64]:
    if row_of:
        missing = [cup for cup in dict.fromkeys(cup_ids[to_be_listed].tolist()) if cup not in row_of]
        if missing:
            raise PreparationError(
                f"{len(missing)} sample(s) of the run are not in the list of samples",
                where=f"lab number {', '.join(missing[:5])}{', ...' if len(missing) > 5 else ''}",
                expected="a row for every sample: its depth and day decide which table holds",
                fix="add them to the list, or correct the id in the run",
            )
    return np.array([row_of.get(cup, -1) for cup in cup_ids.tolist()], np.int64)


def _refuse_impossible(name: str, values: FloatArray, least: float, cup_ids: NDArray[np.object_]) -> None:
    wrong = (values < least) | np.isinf(values)
    if wrong.any():
        cup = int(wrong.argmax())
        raise PreparationError(
            f"{name} {values[cup]:g} cannot be",
            where=f"lab number {cup_ids[cup]}",
            expected="a number above 0" if least else "0 or more, on oven-dry mass (above 100 is legal)",
            fix=f"correct {name}, or leave it empty",
        )
