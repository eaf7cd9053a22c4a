"""Rules between the records of all table files: whether the tables as a whole can be used.

What one record must look like is said by its model in ``tables``; here is what records must say of each
other. Nothing is read and nothing is raised: every broken rule becomes a :class:`Problem`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from interpretation.agronomy import (
    conversion_rules,
    crop_rules,
    formula_rules,
    rate_rules,
    scale_rules,
    scope_rules,
)
from interpretation.agronomy.formula import RATE_NAMES
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.tables import Material, NoteRule, Region, TableSet
from interpretation.methods import Method
from interpretation.quantities import form_factor

AS_OXIDE = {"P2O5": form_factor("P", "P", "P2O5"), "K2O": form_factor("K", "K", "K2O")}


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
        yield from _soil_groups(region)
        yield from _cautions_of(region, tables)
    for method in tables.methods.values():
        yield from _method(method, tables)
    for crop in tables.crops.values():
        yield from crop_rules.check(crop, tables)
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


def _soil_groups(region: Region) -> Iterator[Problem]:
    """A word that can be typed: an empty one would stand for soils whose group nobody knows."""
    for word in region.soil_groups:
        if not word or word != word.strip():
            yield Problem(
                "regions",
                region.id,
                ("soil_groups", word),
                f"the soil group {word!r} is empty, or begins or ends with a blank",
                "a word that the list of samples can hold",
                "write the word without blanks around it, or remove the line",
            )


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
    for listed in ("salt_indices", "bulk_densities"):
        for position, one in enumerate(getattr(material, listed)):
            for problem in scope_rules.sources("materials", material.id, (one.source,), tables, one.standing):
                yield replace(problem, path=(listed, position, "source"))
    if material.bulk_densities and material.density_kg_per_l is not None:
        yield Problem(
            "materials",
            material.id,
            ("bulk_densities",),
            "the material has a density as a liquid and one as it is poured dry",
            "density_kg_per_l for a liquid, bulk_densities for anything dry",
            "leave one of them out",
        )


def _cautions_of(region: Region, tables: TableSet) -> Iterator[Problem]:
    for position, other in enumerate(region.cautions_of):
        if other not in tables.regions or other == region.id:
            yield Problem(
                "regions",
                region.id,
                ("cautions_of", position),
                f"there is no other region {other!r}",
                ", ".join(each for each in tables.regions if each != region.id),
                "correct the id, or remove it",
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
