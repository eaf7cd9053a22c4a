"""Amounts for a garden or lawn: weights of a kitchen or bathroom scale, cups and spoons, the whole garden."""

from __future__ import annotations

from interpretation.quantities import KG_PER_HA, KG_PER_LB, RateUnit
from interpretation.results import FieldAdvice, MaterialRate
from reports.format import M2_PER_FT2, ML_PER_US_OUNCE, Format, coarse, half_up, printed
from reports.wording import Wording

# Cup, tablespoon and teaspoon in millilitres: of 8, 1/2 and 1/6 US fluid ounces, and the metric ones.
US_MEASURES = (8 * ML_PER_US_OUNCE, ML_PER_US_OUNCE / 2, ML_PER_US_OUNCE / 6)
METRIC_MEASURES = (250.0, 15.0, 5.0)
MOST_CUPS = 40  # nobody counts more; the weight stands alone
QUARTERS = {0.0: "", 0.25: "¼", 0.5: "½", 0.75: "¾"}
# Materials whose cautions ask for training and gear that no gardener has.
NOT_FOR_GARDENS = frozenset({"anhydrous-ammonia", "ammonia-fumes"})


def area(wording: Wording) -> tuple[float, str]:
    """The piece of a garden that amounts are told for: hectares, and its name."""
    write = wording.format
    if write.in_inches:
        return 1000 * M2_PER_FT2 / 10_000, f"{write.number(1000, 0)} {printed('ft2')}"
    return 0.01, f"{write.number(100, 0)} {printed('m2')}"


def whole_area(advice: FieldAdvice, wording: Wording) -> float | None:
    """Hectares of the garden where one total holds for it: its area is known and it has one sample."""
    alone = wording.format.for_garden and len(advice.samples) == 1
    return advice.area_ha if alone else None


def weight(kg: float, write: Format) -> str:
    """Write a weight as scales at home show it: ounces and pounds, or grams and kilograms."""
    if not write.in_inches:
        if kg < 1:
            return f"{write.plain(coarse(1000 * kg))} g"
        return f"{write.plain(half_up(kg, 2 if kg < 10 else 1 if kg < 100 else 0))} kg"
    ounces = 16 * kg / KG_PER_LB
    if ounces < 4:
        return f"{write.plain(half_up(ounces, 1 if ounces >= 1 else 2))} oz"
    if ounces >= 160:
        return f"{write.number(ounces / 16, 0)} lb"
    pounds, rest = divmod(round(ounces), 16)
    parts = [f"{write.number(number, 0)} {unit}" for number, unit in ((pounds, "lb"), (rest, "oz")) if number]
    return " ".join(parts)


def measure(millilitres: float, wording: Wording) -> str:
    """Write a volume in level cups or spoons; nothing where it is too much or too little for them."""
    cup, tablespoon, teaspoon = US_MEASURES if wording.format.in_inches else METRIC_MEASURES
    if millilitres > MOST_CUPS * cup:
        return ""
    if millilitres >= cup / 4:
        size = millilitres / cup
        return _spoons("cup", size, 4 if size < 4 else 2 if size < 10 else 1, wording)
    if millilitres >= tablespoon:
        return _spoons("tablespoon", millilitres / tablespoon, 2, wording)
    if millilitres >= teaspoon / 8:
        return _spoons("teaspoon", millilitres / teaspoon, 4, wording)
    return ""


def _spoons(name: str, number: float, parts: int, wording: Wording) -> str:
    """Round to halves or quarters and write the number with the name: 2½ cups."""
    rounded = max(round(number * parts), 1) / parts
    whole = int(rounded)
    text = (wording.format.number(whole, 0) if whole else "") + QUARTERS[rounded - whole]
    return wording.page(f"measure-{name}" if rounded <= 1 else f"measure-{name}s", number=text)


def material(rate: MaterialRate, whole_ha: float | None, wording: Wording) -> str:
    """How much of a material goes on a piece of the garden, and on the whole of it where that is known."""
    piece_ha, piece = area(wording)
    text = wording.page("garden-piece", amount=_amount(rate, piece_ha, wording), area=piece)
    if whole_ha is None:
        return text
    whole = wording.format.quantity(whole_ha, "ha")
    total = wording.page("garden-whole", amount=_amount(rate, whole_ha, wording), area=whole)
    return f"{text}; {total}"


def _amount(rate: MaterialRate, area_ha: float, wording: Wording) -> str:
    kg = rate.rate * KG_PER_HA[rate.unit] * area_ha
    text = weight(kg, wording.format)
    spooned = measure(volume, wording) if (volume := _millilitres(rate, kg, area_ha)) is not None else ""
    return wording.page("garden-measure", weight=text, measure=spooned) if spooned else text


def _millilitres(rate: MaterialRate, kg: float, area_ha: float) -> float | None:
    """Volume of a material: as poured dry, or as a liquid; none where no source states its density."""
    if rate.litres_per_ha is not None:
        return 1000 * rate.litres_per_ha * area_ha
    return 1000 * kg / rate.bulk_g_per_cm3 if rate.bulk_g_per_cm3 is not None else None


def total(rate: float, unit: RateUnit, whole_ha: float, wording: Wording) -> str:
    """Weight of a nutrient that the whole garden gets."""
    return weight(rate * KG_PER_HA[unit] * whole_ha, wording.format)


def labels(advice: FieldAdvice, wording: Wording) -> dict[str, str]:
    """What a report for a garden says in other words than one for a field: what a cup and a spoon hold."""
    offered = [material for amount in advice.amounts if amount.rate for material in amount.materials]
    measured = any(one.litres_per_ha is not None or one.bulk_g_per_cm3 is not None for one in offered)
    if not wording.format.for_garden or not measured:
        return {}
    sizes = US_MEASURES if wording.format.in_inches else METRIC_MEASURES
    told = dict(
        zip(("cup", "tablespoon", "teaspoon"), (wording.format.number(ml, 0) for ml in sizes), strict=True)
    )
    return {"materials-help": f"{wording.page('materials-help')} {wording.page('garden-help', **told)}"}
