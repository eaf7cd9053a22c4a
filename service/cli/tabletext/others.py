"""One region, material, equation or source in words."""

from __future__ import annotations

from datetime import date

import numpy as np

from interpretation.agronomy.extractants import evaluate
from interpretation.agronomy.tables import Conversion, Material, Region, Source, TableSet
from interpretation.results import Record
from reports.charts import nice_ticks
from service.actions.coverage import OF_REGIONS
from service.actions.tables import SINGULAR, sources_of, state
from service.cli.console import WORDING
from service.cli.tabletext.formulas import in_words
from service.cli.tabletext.listing import first_line
from service.cli.tabletext.pictures import bars, strokes
from service.cli.tabletext.words import (
    analyte_name,
    exact,
    facts,
    headed,
    listed,
    method_name,
    phrase,
    point,
    source_line,
    standing,
    unit_words,
)

SALT_BASES = {
    "equal-weight": "against the same weight of sodium nitrate = 100",
    "per-unit-of-nitrogen": "for each percent of nitrogen",
}


def region_lines(tables: TableSet, region: Region, on: date) -> list[str]:
    """Who publishes, for whom, how old, and which tables there are; those that no longer hold are marked."""
    groups = [line for word, meaning in region.soil_groups.items() for line in point(f"{word}: {meaning}")]
    notes = [
        line
        for rule in tables.notes.values()
        if region.id in rule.regions
        for line in point(phrase("notes", rule.key))
    ]
    own: list[str] = []
    for kind in OF_REGIONS:
        for _, record in sorted(getattr(tables, kind).items()):
            if record.region == region.id:
                mark = "EXPIRED, " if state(record, on) == "expired" else ""
                own += first_line(f"  {SINGULAR[kind]:<12}{record.id}", f"{mark}{record.standing}")
    return [
        *facts(
            [
                ("Publisher", region.publisher),
                ("Valid for", region.valid_for),
                ("Not for", region.not_for),
                ("Edition", region.edition),
            ]
        ),
        *headed("SOIL GROUPS", groups),
        *headed("TABLES", own),
        *headed("NOTES ITS REPORTS MAY CARRY", notes),
    ]


def material_lines(material: Material) -> list[str]:
    """What a material holds, and what to mind."""
    holds = [f"{nutrient} {exact(percent)} %" for nutrient, percent in material.analysis_percent.items()]
    neutral, density = material.neutralising_value_percent, material.density_kg_per_l
    salts = [
        f"{exact(one.value)} {SALT_BASES[one.basis]} ({one.source}, {one.standing})"
        for one in material.salt_indices
    ]
    poured = [
        f"{exact(one.g_per_cm3)} g/cm3 ({one.source}, {one.standing})" for one in material.bulk_densities
    ]
    cautions = [line for key in material.cautions for line in point(phrase("cautions", key))]
    return [
        *facts(
            [
                ("Holds", f"{listed(holds)} of its mass" if holds else ""),
                ("Neutralises", f"{exact(neutral)} % of what pure calcium carbonate does" if neutral else ""),
                ("Density", f"{exact(density)} kg/L" if density else ""),
                ("Poured dry", "; ".join(poured)),
                ("Salt index", "; ".join(salts)),
            ]
        ),
        *headed("MIND", cautions),
    ]


def conversion_lines(tables: TableSet, conversion: Conversion) -> list[str]:
    """An equation from one method to another, with what it gives over its span."""
    methods = (tables.methods.get(name) for name in (conversion.from_method, conversion.to_method))
    units = [unit_words(method.unit, method.basis) if method else "" for method in methods]
    points = nice_ticks(conversion.lowest, conversion.highest, 8)
    found = evaluate(conversion, np.array(points, dtype=float)).tolist()
    rows = [
        (exact(at), round(value, 1) if value >= 0 else None) for at, value in zip(points, found, strict=True)
    ]
    region = tables.regions.get(conversion.region)
    span = f"from {exact(conversion.lowest)} to {exact(conversion.highest)}"
    return [
        *facts(
            [
                ("Region", f"{region.name} ({region.id})" if region else conversion.region),
                ("Analyte", analyte_name(conversion.analyte)),
                ("Measured by", f"{method_name(tables, conversion.from_method)}, {units[0]}"),
                ("Gives", f"{method_name(tables, conversion.to_method)}, {units[1]}"),
                ("Equation", in_words(tables, conversion.formula)),
                ("Used for", f"soil tests {span} {units[0]}; any other is refused"),
                ("Switched on", "only by a person, with --convert and its id; the report says so"),
            ]
        ),
        *headed("PICTURE, result of the equation", bars(rows, "below 0", strokes(), "soil test")),
    ]


def source_lines(source: Source) -> list[str]:
    """A source with its place and how it was read."""
    return facts(
        [
            ("Title", source.title),
            ("Publisher", source.publisher),
            ("Year", str(source.year or "")),
            ("Place", source.locator),
            ("Address", source.url),
            ("Read", WORDING.name("standings", source.read)),
        ]
    )


def cited_lines(tables: TableSet, record: Record) -> list[str]:
    """Every source of a record: what it is, where it is and how it was read."""
    lines: list[str] = []
    for name in sources_of(record):
        source = tables.sources.get(name)
        if source is None:
            lines += [f"  {name}"]
            continue
        lines += point(f"{source_line(source)}; {WORDING.name('standings', source.read)}")
        lines += [f"    {name}{f'  {source.url}' if source.url else ''}"]
    return lines


def standing_line(record: Record) -> str:
    """How sure a record is, in words."""
    key = getattr(record, "standing", None)
    return standing(key) if key else ""
