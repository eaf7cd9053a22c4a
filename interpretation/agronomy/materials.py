"""From an amount of a nutrient, or of lime, to amounts of what can be bought; and what a harvest removes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from interpretation.agronomy.tables import Crop, Material, Nutrient
from interpretation.errors import TableError
from interpretation.quantities import HA_PER_ACRE
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
        supplies_kg_per_ha={
            held: mass_kg_per_ha * content / 100.0 for held, content in material.analysis_percent.items()
        }
        | ({"lime": amount_kg_per_ha} if nutrient == "lime" else {}),
        cautions=material.cautions,
    )


def removal_kg_per_ha(crop: Crop, yield_goal: float) -> dict[str, float]:
    """What a harvest carries away, by the first figures the crop's file lists.

    Parameters
    ----------
    crop
        Its removal figures are kg per unit of yield: per tonne, or per bushel.
    yield_goal
        In the crop's own unit, t/ha or bu/ac.

    Returns
    -------
    dict
        Nutrient to kg/ha, P and K as oxides; empty when the crop has no figures.

    Examples
    --------
    >>> wheat = Crop.model_validate({"id": "wheat", "name": "wheat", "yield_unit": "t/ha", "yield_from": 1,
    ...     "yield_to": 15, "removal": [{"P2O5": 6.5, "K2O": 5.5, "source": "s", "standing": "published"}]})
    >>> removal_kg_per_ha(wheat, 10.0)
    {'P2O5': 65.0, 'K2O': 55.0}
    """
    if not crop.removal:
        return {}
    per_ha = 1.0 if crop.yield_unit == "t/ha" else 1.0 / HA_PER_ACRE
    figures = crop.removal[0].model_dump(include={"N", "P2O5", "K2O", "S"}, exclude_none=True)
    return {nutrient: figure * yield_goal * per_ha for nutrient, figure in figures.items()}
