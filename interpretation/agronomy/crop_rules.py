"""Rules of a crop: its yields, its target pH and, edition by edition, what its harvest carries away."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from statistics import median

from interpretation.agronomy import scope_rules
from interpretation.agronomy.materials import removal_kg_per_ha, removal_kg_per_t, usable_removal
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.tables import Crop, Removal, TableSet

KIND = "crops"
# Most a hectare or an acre has been seen to yield, fresh (potato and beet in t/ha, maize in bu/ac); a
# yield range beyond it is a unit gone wrong (common practice). 150 t/ha are 67 ton/ac and 134 000 lb/ac.
HIGHEST_YIELD = {"t/ha": 150.0, "bu/ac": 700.0, "ton/ac": 67.0, "lb/ac": 134_000.0, "bale/ac": 10.0}
TARGET_PH = (4.5, 7.5)  # liming targets of farm crops lie inside (common practice)
# A tenth of the harvested mass: soybean, the richest, has 6 % of nitrogen. A bushel weighs at most 80 lb.
MOST = {"kg/t": 100.0, "%": 10.0, "lb/ton": 200.0, "lb/bu": 8.0}
# How far a figure may lie from the other editions of its crop. An element entered for its oxide is 2.29
# times too large or small (P). Sound figures lie within 1.62 of the others' median (FAO's sorghum P), so
# the limit stands between; K2O is only 1.2 times K, and so near none of this can be seen.
APART = 1.7
_COUNTED_TWICE = (("P2O5", "P"), ("K2O", "K"))


def check(crop: Crop, tables: TableSet) -> Iterator[Problem]:
    """Everything one crop must keep."""
    highest = HIGHEST_YIELD[crop.yield_unit]
    if not crop.yield_from < crop.yield_to <= highest:
        yield Problem(
            KIND,
            crop.id,
            ("yield_to",),
            f"yields from {crop.yield_from:g} to {crop.yield_to:g} {crop.yield_unit}",
            f"a rising range up to {highest:g} {crop.yield_unit}",
            "correct the range or its unit",
        )
    if crop.target_ph is not None and not TARGET_PH[0] <= crop.target_ph <= TARGET_PH[1]:
        yield Problem(
            KIND,
            crop.id,
            ("target_ph",),
            f"a target pH of {crop.target_ph:g}",
            f"between {TARGET_PH[0]:g} and {TARGET_PH[1]:g}",
            "correct it",
        )
    for position, removal in enumerate(crop.removal):
        yield from _edition(crop, position, removal, tables)
    yield from _usable(crop)
    yield from _apart(crop)


def _edition(crop: Crop, position: int, removal: Removal, tables: TableSet) -> Iterator[Problem]:
    """One edition: its source, the size of its figures, and no nutrient counted twice."""
    path = ("removal", position)
    for problem in scope_rules.sources(KIND, crop.id, (removal.source,), tables, removal.standing):
        yield replace(problem, path=(*path, "source"))
    for name, amount in removal:
        if isinstance(amount, float) and not 0 <= amount <= MOST[removal.per]:
            yield Problem(
                KIND,
                crop.id,
                (*path, name),
                f"{amount:g} {removal.per} of {name} leave with the harvest",
                f"0 to {MOST[removal.per]:g} {removal.per}",
                "correct the number or its unit",
            )
    for oxide, element in _COUNTED_TWICE:
        if getattr(removal, oxide) is not None and getattr(removal, element) is not None:
            yield Problem(
                KIND,
                crop.id,
                (*path, element),
                f"{oxide} and {element} in one edition",
                "the one that the source prints",
                "remove the other: it is worked out",
            )


def _usable(crop: Crop) -> Iterator[Problem]:
    """One edition can be used, and can be turned into the crop's unit of yield."""
    usable = usable_removal(crop)
    if crop.removal and usable is None:
        yield Problem(
            KIND,
            crop.id,
            ("removal",),
            "no edition of the harvested part can be used",
            "one of part: harvest that is not doubtful",
            "add one, or remove the others",
        )
    # What a bale weighs is no fact of the crop: removal is not known there, and rates that ask are refused.
    elif usable is not None and crop.yield_unit != "bale/ac" and not removal_kg_per_ha(crop, 1.0):
        yield Problem(
            KIND,
            crop.id,
            ("removal", crop.removal.index(usable)),
            f"{usable.per} cannot be turned into what {crop.yield_unit} carry away",
            "bushel_lb, what a bushel weighs in pounds, and at least one of N, P2O5 or P, K2O or K, S",
            "state what is missing, or put an edition first that needs no bushel",
        )


def _apart(crop: Crop) -> Iterator[Problem]:
    """Warn of a figure far from the crop's other editions: an oxide taken for the element, or the like."""
    compared = [
        (position, removal, removal_kg_per_t(removal, crop.bushel_lb))
        for position, removal in enumerate(crop.removal)
        if removal.part == "harvest" and not removal.doubtful
    ]
    for oxide, element in _COUNTED_TWICE:
        figures = [(position, one, kg[oxide]) for position, one, kg in compared if kg.get(oxide)]
        for position, removal, figure in figures:
            # Of two, each is held against the other; of more, against the middle, which one cannot shift.
            others = [other for place, _, other in figures if len(figures) > 2 or place != position]
            if not others or 1 / APART <= figure / median(others) <= APART:
                continue
            yield Problem(
                KIND,
                crop.id,
                ("removal", position, oxide if getattr(removal, oxide) is not None else element),
                f"{figure:.3g} kg {oxide} in a tonne; the middle of the editions is {median(others):.3g}",
                f"figures less than {APART:g} times apart, or a reason under 'doubtful'",
                "look whether an oxide was entered as the element; correct it, or say why it is doubtful",
                severity="warning",
            )
