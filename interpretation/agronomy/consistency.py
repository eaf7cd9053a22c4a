"""Rules between the records of all table files: whether the tables as a whole can be used.

What one record must look like is said by its model in ``tables``; here is what records must say of each
other. Nothing is read and nothing is raised: every broken rule becomes a :class:`Problem`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from interpretation.agronomy import conversion_rules, formula_rules, rate_rules, scale_rules, scope_rules
from interpretation.agronomy.formula import RATE_NAMES
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.tables import Crop, Material, NoteRule, TableSet
from interpretation.methods import Method
from interpretation.quantities import form_factor

# Most a hectare or an acre has been seen to yield, fresh (potato and beet in t/ha, maize in bu/ac); a
# yield range beyond it is a unit gone wrong (common practice).
HIGHEST_YIELD = {"t/ha": 150.0, "bu/ac": 700.0}
AS_OXIDE = {"P2O5": form_factor("P", "P", "P2O5"), "K2O": form_factor("K", "K", "K2O")}
TARGET_PH = (4.5, 7.5)  # liming targets of farm crops lie inside (common practice)


def check(tables: TableSet) -> list[Problem]:
    """Check all records against each other.

    Parameters
    ----------
    tables
        Every record that could be read.

    Returns
    -------
    list of Problem
        In order of kind; empty when all is well.

    Examples
    --------
    >>> check(TableSet())
    []
    """
    return list(_problems(tables))


def _problems(tables: TableSet) -> Iterator[Problem]:
    for region in tables.regions.values():
        yield from scope_rules.sources("regions", region.id, region.sources, tables, region.standing)
    for method in tables.methods.values():
        yield from _method(method, tables)
    for crop in tables.crops.values():
        yield from _crop(crop, tables)
    for material in tables.materials.values():
        yield from _material(material, tables)
    for scale in tables.scales.values():
        yield from scale_rules.check(scale, tables)
    yield from scope_rules.overlaps(list(tables.scales.values()), "scales")
    yield from scope_rules.gaps(list(tables.scales.values()), "scales")
    for rate in tables.rates.values():
        yield from rate_rules.check(rate, tables)
    yield from scope_rules.overlaps(list(tables.rates.values()), "rates")
    yield from scope_rules.gaps(list(tables.rates.values()), "rates")
    for conversion in tables.conversions.values():
        yield from conversion_rules.check(conversion, tables)
    for note in tables.notes.values():
        yield from _note(note, tables)


def _method(method: Method, tables: TableSet) -> Iterator[Problem]:
    yield from scope_rules.sources("methods", method.id, method.sources, tables, method.standing)
    yield from _not_invented("methods", method.id, method.standing)
    instead = tables.methods.get(method.use_instead)
    if method.use_instead and (instead is None or instead.analyte != method.analyte):
        yield Problem(
            "methods",
            method.id,
            ("use_instead",),
            f"{method.use_instead!r} is no method of {method.analyte}",
            "the id of another method of the same analyte",
            "correct the id, or leave it out",
        )


def _crop(crop: Crop, tables: TableSet) -> Iterator[Problem]:
    highest = HIGHEST_YIELD[crop.yield_unit]
    if not crop.yield_from < crop.yield_to <= highest:
        yield Problem(
            "crops",
            crop.id,
            ("yield_to",),
            f"yields from {crop.yield_from:g} to {crop.yield_to:g} {crop.yield_unit}",
            f"a rising range up to {highest:g} {crop.yield_unit}",
            "correct the range or its unit",
        )
    if crop.target_ph is not None and not TARGET_PH[0] <= crop.target_ph <= TARGET_PH[1]:
        yield Problem(
            "crops",
            crop.id,
            ("target_ph",),
            f"a target pH of {crop.target_ph:g}",
            f"between {TARGET_PH[0]:g} and {TARGET_PH[1]:g}",
            "correct it",
        )
    for position, removal in enumerate(crop.removal):
        path = ("removal", position)
        for problem in scope_rules.sources("crops", crop.id, (removal.source,), tables, removal.standing):
            yield replace(problem, path=(*path, "source"))
        for name, amount in removal:
            if isinstance(amount, float) and not 0 <= amount <= 100:
                yield Problem(
                    "crops",
                    crop.id,
                    (*path, name),
                    f"{amount:g} kg {name} leave with one unit of yield",
                    "0 to 100 kg",
                    "correct the number or its unit",
                )


def _material(material: Material, tables: TableSet) -> Iterator[Problem]:
    yield from scope_rules.sources("materials", material.id, material.sources, tables, material.standing)
    yield from _not_invented("materials", material.id, material.standing)
    parts = material.analysis_percent
    for name, percent in parts.items():
        if not 0 < percent <= 100:
            yield Problem(
                "materials",
                material.id,
                ("analysis_percent", name),
                f"{percent:g} % {name}",
                "above 0, at most 100",
                "correct it, or leave it out",
            )
    # P and K are stated as oxides that are not in the bag: potassium chloride is 60 % K2O and 45 % Cl.
    total = sum(percent / AS_OXIDE.get(name, 1.0) for name, percent in parts.items())
    if total > 100:
        yield Problem(
            "materials",
            material.id,
            ("analysis_percent",),
            f"the nutrients, as elements, add up to {total:.4g} %",
            "at most 100 %",
            "correct the analysis",
        )
    if not parts and material.neutralising_value_percent is None:
        yield Problem(
            "materials",
            material.id,
            (),
            "the material supplies nothing",
            "analysis_percent or neutralising_value_percent",
            "give one of the two",
        )
    if (material.salt_index is None) != (material.salt_index_source is None):
        yield Problem(
            "materials",
            material.id,
            ("salt_index",),
            "a salt index and its list belong together",
            "salt_index and salt_index_source, or neither",
            "name the list: lists differ, and so do their bases",
        )
    elif material.salt_index_source is not None and material.salt_index_source not in tables.sources:
        yield Problem(
            "materials",
            material.id,
            ("salt_index_source",),
            f"there is no source {material.salt_index_source!r}",
            "the id of an entry in tables/sources",
            "correct the id, or add the source",
        )


def _note(note: NoteRule, tables: TableSet) -> Iterator[Problem]:
    yield from scope_rules.sources("notes", note.key, note.sources, tables, note.standing)
    for position, region in enumerate(note.regions):
        if region not in tables.regions:
            yield Problem(
                "notes",
                note.key,
                ("regions", position),
                f"there is no region {region!r}",
                ", ".join(tables.regions),
                "correct the id",
            )
    invented = [tables.regions[r].standing == "invented" for r in note.regions if r in tables.regions]
    if not (invented and all(invented)):
        yield from _not_invented("notes", note.key, note.standing)
    found = formula_rules.read(note.when, "notes", note.key, ("when",), "condition", {})
    if isinstance(found, Problem):
        yield found
    else:
        yield from formula_rules.names("notes", note.key, ("when",), found, tables, not_yet_known=RATE_NAMES)


def _not_invented(kind: str, table: str, standing: str) -> Iterator[Problem]:
    if standing == "invented":
        yield Problem(
            kind,
            table,
            ("standing",),
            "invented figures are for invented regions only",
            "another standing; without one, a record counts as invented",
            "state where its numbers were printed, or common-practice",
        )
