"""One scale of classes in words and as a picture."""

from __future__ import annotations

from interpretation.agronomy.classing import decimals_of
from interpretation.agronomy.lookup import units_of
from interpretation.agronomy.tables import ScaleTable, Scoped, TableSet
from interpretation.quantities import analyte as known_analyte
from reports.format import soil_unit
from service.actions.tables import ReportedClass, reported_classes
from service.cli.tabletext.formulas import UNITLESS
from service.cli.tabletext.pictures import scale_picture, strokes
from service.cli.tabletext.words import (
    WIDTH,
    analyte_name,
    columns,
    crop_names,
    depth,
    exact,
    facts,
    headed,
    listed,
    method_name,
    typed_row,
    unit_words,
)

FORMLESS = frozenset({"pH", "organic matter", "organic carbon", "charge", "percent", "ratio", "EC", "index"})


def scale_lines(tables: TableSet, scale: ScaleTable) -> list[str]:
    """What a scale is for, its classes, and the scale drawn."""
    classes = reported_classes(scale)
    names = [each.name for each in classes]
    enough = names.index(scale.adequate_from) if scale.adequate_from in names else None
    limits = [each.lower for each in scale.classes]
    return [
        *facts(_scale_facts(tables, scale)),
        *headed("CLASSES", _class_lines(scale, classes)),
        *headed(
            f"PICTURE, {unit_words(scale.unit)}",
            scale_picture(names, limits, scale.scale_top, enough, strokes()),
        ),
    ]


def scope_facts(tables: TableSet, table: Scoped) -> list[tuple[str, str]]:
    """Where, for what and on which soils a table holds."""
    region = tables.regions.get(table.region)
    meanings = region.soil_groups if region else {}
    groups = listed(
        (f"{word} ({meanings[word]})" if word in meanings else word for word in table.soil_groups), "; "
    )
    return [
        ("Region", f"{region.name} ({region.id}), {region.publisher}" if region else table.region),
        ("Crops", crop_names(tables, table.crops)),
        ("Depth", depth(table.depth_cm) or "any"),
        ("Textures", f"only {listed(table.textures)}" if table.textures else ""),
        ("Soil groups", f"only {groups}" if groups else ""),
    ]


def tested_words(table: Scoped) -> str:
    """What is measured, and what its numbers count."""
    if table.analyte is None:
        return ""
    name = analyte_name(table.analyte)
    form = table.form or known_analyte(table.analyte).form
    return name if form in FORMLESS else f"{name}, counted as {form}"


def turned_words(tables: TableSet, scale: ScaleTable) -> str:
    """What is done with a value in the method's own unit where the table is printed in another."""
    method = tables.methods.get(scale.method)
    if method is None or method.unit == scale.unit:
        return ""
    if scale.per_method_unit is None:
        return f"only a value stated in {scale.unit}; one in {method.unit} has no class here"
    factor = exact(scale.per_method_unit)
    return (
        f"the method reports {method.unit}; by the publisher's rule 1 {method.unit} makes {factor} "
        f"{scale.unit}. A measured value is multiplied by {factor}, then rounded and classed. A value stated "
        f"in {scale.unit} is classed as it is"
    )


def rounding_words(step: float, unit: str) -> str:
    """A rounding step as a person says it."""
    if step == 1:
        return f"to whole {'numbers' if unit in {*UNITLESS, '%'} else unit_words(unit)}"
    decimals = decimals_of(step)
    if step == 10.0**-decimals:
        return f"to {decimals} {'decimal' if decimals == 1 else 'decimals'}"
    return f"to steps of {exact(step)}{soil_unit(unit)}"


def range_words(each: ReportedClass, decimals: int) -> str:
    """Reported values of a class: first and last belong to it."""
    first = f"{each.first:.{decimals}f}"
    if each.last is None:
        return f"from {first}"
    last = f"{each.last:.{decimals}f}"
    return f"{first} only" if first == last else f"from {first} up to {last}"


def _scale_facts(tables: TableSet, scale: ScaleTable) -> list[tuple[str, str]]:
    method = tables.methods[scale.method]
    step = rounding_words(scale.round_to, scale.unit)
    return [
        ("Classes of", tested_words(scale)),
        ("Method", method_name(tables, scale.method)),
        ("Unit", unit_words(scale.unit, scale.basis)),
        ("Takes", turned_words(tables, scale)),
        ("Typed in as", " or ".join(typed_row(method, unit) for unit in units_of(scale, tables))),
        *scope_facts(tables, scale),
        ("Rounding", f"{step}, halves upwards; the rounded number is classed: none lies between two classes"),
        ("Rarely short", f"crops, from the class '{scale.adequate_from}' on" if scale.adequate_from else ""),
    ]


def _class_lines(scale: ScaleTable, classes: tuple[ReportedClass, ...]) -> list[str]:
    """Names, values and what the source prints in columns; below each other where names are too long."""
    decimals = decimals_of(scale.round_to)
    rows = []
    for each, printed in zip(classes, scale.classes, strict=True):
        said = f"printed as above {exact(printed.lower)}" if printed.open_below else ""
        rows.append((each.name, range_words(each, decimals), said))
    if scale.ends_at is not None:
        rows.append((f"above {scale.ends_at:.{decimals}f}", "no class: the value is refused", ""))
    lines = [f"  {line}" for line in columns(rows)]
    if max(map(len, lines)) <= WIDTH:
        return lines
    return [line for name, *said in rows for line in (f"  {name}", "    " + "  ".join(said).rstrip())]
