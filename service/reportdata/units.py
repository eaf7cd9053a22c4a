"""Unit codes of UCUM (the Unified Code for Units of Measure) beside the units that people read.

A unit stands beside its number, as ``unit``, ``yield_unit`` or ``factor_unit``; its code is put beside it
and can be taken away again. Numbers whose unit is in their name have it in :data:`OF_COLUMNS`.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Any

from interpretation.quantities import UCUM

CODE_OF = MappingProxyType({"unit": "ucum", "yield_unit": "yield_ucum", "factor_unit": "factor_ucum"})
# What the trade counts and UCUM does not: a bushel of a crop is a weight that its table states.
CODES = MappingProxyType(
    dict(UCUM) | {"bu/ac": "{bushel}/[acr_us]", "bale/ac": "{bale}/[acr_us]"}
)  # fmt: skip
OF_COLUMNS = MappingProxyType(
    {
        "area_ha": "har", "bulk_density_g_per_cm3": "g/cm3", "bulk_g_per_cm3": "g/cm3", "depth_from_cm": "cm",
        "depth_to_cm": "cm", "lime_percent": "%", "litres_per_ha": "L/har", "manure_k2o_kg_per_ha": "kg/har",
        "manure_n_kg_per_ha": "kg/har", "manure_p2o5_kg_per_ha": "kg/har", "supplies_kg_per_ha": "kg/har",
    }
)  # fmt: skip


def with_codes(value: Any) -> Any:
    """Put its code beside each unit of a plain value; a unit without a code stays alone.

    Examples
    --------
    >>> with_codes([{"value": 6.0, "unit": "t/ha"}])
    [{'value': 6.0, 'unit': 't/ha', 'ucum': 't/har'}]
    """
    if isinstance(value, dict):
        made = {name: with_codes(each) for name, each in value.items()}
        for name, code in CODE_OF.items():
            if isinstance(unit := value.get(name), str) and unit in CODES:
                made[code] = CODES[unit]
        return made
    return [with_codes(each) for each in value] if isinstance(value, list | tuple) else value


def without_codes(value: Any) -> Any:
    """Take the codes away again.

    Examples
    --------
    >>> without_codes([{"value": 6.0, "unit": "t/ha", "ucum": "t/har"}])
    [{'value': 6.0, 'unit': 't/ha'}]
    """
    if isinstance(value, dict):
        codes = {code for name, code in CODE_OF.items() if name in value}
        return {name: without_codes(each) for name, each in value.items() if name not in codes}
    return [without_codes(each) for each in value] if isinstance(value, list) else value
