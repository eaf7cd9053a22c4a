"""Lines of the laboratory's page: frames become records once, here."""

from __future__ import annotations

import pandas as pd
from pydantic import TypeAdapter

from interpretation.laboratory.flags import names
from interpretation.laboratory.lines import known
from interpretation.methods import Method
from interpretation.results import CupLine

_CUPS = TypeAdapter(tuple[CupLine, ...])


def cup_lines(cups: pd.DataFrame, soil: pd.DataFrame) -> tuple[CupLine, ...]:
    """One record a cup, with the soil value of a sample beside the cup that stands for it.

    Parameters
    ----------
    cups, soil
        As in :class:`interpretation.laboratory.measure.Measurement`.

    Returns
    -------
    tuple of CupLine
        In instrument order.
    """
    value_of = {row["cup"]: row for row in soil.to_dict("records")}
    lines = []
    for place, cup in enumerate(cups.to_dict("records")):
        value = value_of.get(place)
        line = {
            "position": cup["position"],
            "kind": cup["kind"],
            "cup_id": cup["cup_id"],
            "signal": known(cup["signal"]),
            "dilution": cup["dilution"],
            "solution_mg_per_l": known(cup["solution_mg_per_l"]),
            "solution_uncertainty_mg_per_l": known(cup["solution_uncertainty_mg_per_l"]),
            "flags": names(cup["flags"] | (value["flags"] if value else 0)),
        }
        if value:
            line |= {
                "value": known(value["value"]),
                "below": known(value["below"]),
                "unit": value["unit"],
                "standard_uncertainty": known(value["standard_uncertainty"]),
                "decimals": value["decimals"],
            }
        lines.append(line)
    return _CUPS.validate_python(lines)


def method_note(method: Method) -> str:
    """Ratio, shaking and finish in one line; only what the method's file gives.

    Examples
    --------
    >>> method_note(Method(id="x", title="X", analyte="P", form="P", unit="mg/kg", basis="air-dry",
    ...     soil_g=1, extract_ml=20, shake="30 min", finish="molybdenum blue", wavelength_nm=882))
    '1 g + 20 mL; 30 min; molybdenum blue; 882 nm'
    """
    amount = (
        f"{method.soil_g:g} g" if method.soil_g else f"{method.scoop_cm3:g} cm3" if method.scoop_cm3 else ""
    )
    ratio = f"{amount} + {method.extract_ml:g} mL" if method.extract_ml else ""
    wavelength = f"{method.wavelength_nm:g} nm" if method.wavelength_nm else ""
    return "; ".join(part for part in (ratio, method.shake, method.finish, wavelength) if part)
