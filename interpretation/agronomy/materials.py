"""From an amount of a nutrient, or of lime, to amounts of what can be bought; and what a harvest removes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from interpretation.agronomy.tables import Crop, Material, Nutrient, Removal
from interpretation.agronomy.yields import yield_kg_per_ha
from interpretation.errors import TableError
from interpretation.quantities import KG_PER_HA_PER_LB_PER_ACRE, form_factor
from interpretation.results import MaterialRate


def material_rates(
    nutrient: Nutrient, amount_kg_per_ha: float, materials: Sequence[Material]
) -> tuple[MaterialRate, ...]:
    """How much of each material, alone, supplies an amount.

    Parameters
    ----------
    nutrient
        What is to be supplied; P and K as oxides. ``"lime"`` is pure calcium carbonate.
    amount_kg_per_ha
        Above zero; nothing is needed at zero and nothing is returned.
    materials
        Each must hold the nutrient; a liming material must state its neutralising value.

    Returns
    -------
    tuple of MaterialRate
        Fertilisers in kg/ha, lime in t/ha; not rounded. ``supplies_kg_per_ha`` names everything else that
        comes along: monoammonium phosphate brings nitrogen.

    Raises
    ------
    TableError
        If a material cannot supply the nutrient.

    Notes
    -----
    Material = amount x 100 / content, mass for mass. For lime the content is the neutralising value (pure
    calcium carbonate = 100), as in Penn State's garden report: 5 of pure carbonate is 7.14 at 70 %.

    Examples
    --------
    >>> tsp = Material(id="tsp", name="triple superphosphate", analysis_percent={"P2O5": 46.0},
    ...     sources=("s",), standing="invented")
    >>> material_rates("P2O5", 46.0, [tsp])[0].rate
    100.0
    """
    if amount_kg_per_ha <= 0:
        return ()
    return tuple(_material_rate(nutrient, amount_kg_per_ha, material) for material in materials)


def _material_rate(nutrient: Nutrient, amount_kg_per_ha: float, material: Material) -> MaterialRate:
    percent = (
        material.neutralising_value_percent if nutrient == "lime" else material.analysis_percent.get(nutrient)
    )
    if not percent:
        raise TableError(
            f"the material has no {'neutralising value' if nutrient == 'lime' else nutrient}",
            where=f"material {material.id}",
            expected=f"a material that supplies {nutrient}",
            fix="correct the material, or take it off the list of the rate table",
        )
    mass_kg_per_ha = amount_kg_per_ha * 100.0 / percent
    unit: Literal["t/ha", "kg/ha"] = "t/ha" if nutrient == "lime" else "kg/ha"
    return MaterialRate(
        material=material.id,
        rate=mass_kg_per_ha / 1000.0 if nutrient == "lime" else mass_kg_per_ha,
        unit=unit,
        litres_per_ha=(
            mass_kg_per_ha / material.density_kg_per_l if material.density_kg_per_l is not None else None
        ),
        bulk_g_per_cm3=material.bulk_densities[0].g_per_cm3 if material.bulk_densities else None,
        supplies_kg_per_ha={
            held: mass_kg_per_ha * content / 100.0 for held, content in material.analysis_percent.items()
        }
        | ({"lime": amount_kg_per_ha} if nutrient == "lime" else {}),
        cautions=material.cautions,
    )


def usable_removal(crop: Crop) -> Removal | None:
    """The figures that count: the first edition of the harvested part that nothing speaks against."""
    return next((one for one in crop.removal if one.part == "harvest" and not one.doubtful), None)


def removal_kg_per_t(removal: Removal, bushel_lb: float | None) -> dict[str, float]:
    """One edition's figures as kilograms in a tonne of what is carried away.

    Parameters
    ----------
    removal
        Per tonne, per bushel, per short ton or in percent; P and K as oxides or as elements.
    bushel_lb
        What a bushel of the crop weighs, in pounds.

    Returns
    -------
    dict
        Nutrient (N, P2O5, K2O, S) to kg/t. Empty for figures per bushel of a bushel that was not weighed.

    Notes
    -----
    1 lb in a short ton is 1/2000, 1 lb in a bushel 1/``bushel_lb`` of the mass. Elements become oxides by
    the atomic weights of :data:`interpretation.quantities.ATOMIC_WEIGHT`.

    Examples
    --------
    >>> printed = Removal(per="%", P=0.28, source="s", standing="published")
    >>> {name: round(kg, 2) for name, kg in removal_kg_per_t(printed, None).items()}
    {'P2O5': 6.42}
    """
    per_t = {"kg/t": 1.0, "lb/ton": 0.5, "%": 10.0, "lb/bu": 1000.0 / bushel_lb if bushel_lb else None}
    factor = per_t[removal.per]
    if factor is None:
        return {}
    return {nutrient: factor * figure for nutrient, figure in _as_oxides(removal).items()}


def _as_oxides(removal: Removal) -> dict[str, float]:
    """The figures as printed, P and K counted as oxides."""
    printed = {
        "N": removal.N,
        "P2O5": removal.P2O5 if removal.P is None else removal.P * form_factor("P", "P", "P2O5"),
        "K2O": removal.K2O if removal.K is None else removal.K * form_factor("K", "K", "K2O"),
        "S": removal.S,
    }
    return {nutrient: figure for nutrient, figure in printed.items() if figure is not None}


def removal_kg_per_ha(crop: Crop, yield_goal: float) -> dict[str, float]:
    """What a harvest carries away, by the first edition in the crop's file that nothing speaks against.

    Parameters
    ----------
    crop
        Its removal figures are per tonne, per bushel, per short ton or in percent of the harvested mass.
    yield_goal
        In the crop's own unit.

    Returns
    -------
    dict
        Nutrient to kg/ha, P and K as oxides; empty when the crop has no figures, or when what one unit of
        its yield weighs is not known.

    Examples
    --------
    >>> wheat = Crop.model_validate({"id": "wheat", "name": "wheat", "yield_unit": "t/ha", "yield_from": 1,
    ...     "yield_to": 15, "removal": [{"P2O5": 6.5, "K2O": 5.5, "source": "s", "standing": "published"}]})
    >>> removal_kg_per_ha(wheat, 10.0)
    {'P2O5': 65.0, 'K2O': 55.0}
    """
    removal = usable_removal(crop)
    if removal is None:
        return {}
    if removal.per == "lb/bu" and crop.yield_unit == "bu/ac":  # no weight is needed: lb/bu x bu/ac = lb/ac
        figures, per_ha = _as_oxides(removal), KG_PER_HA_PER_LB_PER_ACRE
    else:
        figures = removal_kg_per_t(removal, crop.bushel_lb)
        per_ha = yield_kg_per_ha(crop, crop.yield_unit) / 1000.0
    if math.isnan(per_ha):
        return {}
    return {nutrient: figure * yield_goal * per_ha for nutrient, figure in figures.items()}
