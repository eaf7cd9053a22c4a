"""Rules that scales and rates share: who may say what, for which crops, when, and from which source."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from itertools import combinations, pairwise

from interpretation.agronomy.meeting import earlier, meet, soil_test_units
from interpretation.agronomy.problems import Path, Problem
from interpretation.agronomy.tables import Conversion, RateTable, ScaleTable, Scoped, TableSet
from interpretation.methods import Method, Standing
from interpretation.quantities import ON_A_FIELD

# The twelve texture classes of the USDA (from memory), and organic soils.
TEXTURES = (
    "sand", "loamy sand", "sandy loam", "loam", "silt loam", "silt", "sandy clay loam", "clay loam",
    "silty clay loam", "sandy clay", "silty clay", "clay", "organic",
)  # fmt: skip
# What each standing needs: at least one source that was read in one of these ways.
_READ = {
    "published": {"seen"},
    "restated": {"seen", "restated"},
    "transcribed": {"seen", "restated"},
    "derived": {"seen", "restated"},
    "common-practice": {"seen", "restated", "common-practice"},
}


def scope(table: Scoped, kind: str, tables: TableSet) -> Iterator[Problem]:
    """Region, crops, depth, period, standing and sources of one scale or rate."""
    yield from owner(table, kind, tables)
    yield from _extent(table, kind, tables)
    yield from sources(kind, table.id, table.sources, tables, table.standing)


def owner(table: Scoped | Conversion, kind: str, tables: TableSet) -> Iterator[Problem]:
    """An invented region holds invented tables and nothing else; a real one holds nothing from memory."""
    region = tables.regions.get(table.region)
    if region is None:
        known = ", ".join(tables.regions) or "none yet"
        yield Problem(
            kind,
            table.id,
            ("region",),
            f"there is no region {table.region!r}",
            known,
            "correct the name, or write the region's region.yaml",
        )
    elif (table.standing == "invented") != (region.standing == "invented"):
        yield Problem(
            kind,
            table.id,
            ("standing",),
            f"the table is {table.standing} and its region is {region.standing}",
            "invented tables in invented regions only, and nothing else there",
            "move the table, or state where its numbers were printed",
        )
    elif table.standing == "memory":
        yield Problem(
            kind,
            table.id,
            ("standing",),
            "a table from memory must not be used",
            "a standing backed by a page somebody has read",
            "open the publication, check every number and name it as the source",
        )


def _extent(table: Scoped, kind: str, tables: TableSet) -> Iterator[Problem]:
    """Crops, textures, layer and period."""
    if table.crops != "any":
        for position, crop in enumerate(table.crops):
            if crop not in tables.crops:
                yield unknown_crop(kind, table.id, ("crops", position), crop, tables)
        if not table.crops:
            yield Problem(
                kind,
                table.id,
                ("crops",),
                "the table is for no crop",
                "crop ids, or any",
                "list the crops it is meant for",
            )
    for position, texture in enumerate(table.textures):
        if texture not in TEXTURES:
            yield unknown_texture(kind, table.id, ("textures", position), texture)
    yield from _soil_groups(table, kind, tables)
    if table.depth_cm and not 0 <= table.depth_cm[0] < table.depth_cm[1]:
        yield Problem(
            kind,
            table.id,
            ("depth_cm",),
            f"a layer from {table.depth_cm[0]:g} to {table.depth_cm[1]:g} cm",
            "the upper edge first, 0 at the surface",
            "correct the layer",
        )
    yield from period(table, kind)


def period(table: Scoped | Conversion, kind: str) -> Iterator[Problem]:
    """A table ends on or after the day it begins."""
    if table.effective_to is not None and table.effective_to < table.effective_from:
        yield Problem(
            kind,
            table.id,
            ("effective_to",),
            f"the table ends on {table.effective_to}, before it begins on {table.effective_from}",
            "a last day on or after the first",
            "correct one of the two dates",
        )


def _soil_groups(table: Scoped, kind: str, tables: TableSet) -> Iterator[Problem]:
    """Soil groups are words of the table's own region: by another word no sample would be found."""
    region = tables.regions.get(table.region)
    words = region.soil_groups if region else dict.fromkeys(table.soil_groups, "")
    for position, word in enumerate(table.soil_groups):
        if word not in words:
            yield Problem(
                kind,
                table.id,
                ("soil_groups", position),
                f"region {table.region} has no soil group {word!r}",
                ", ".join(words) or "none: its region.yaml lists no soil_groups",
                "correct the word, or add it with its meaning to soil_groups of region.yaml",
            )


def sources(
    kind: str, table: str, cited: Sequence[str], tables: TableSet, standing: Standing
) -> Iterator[Problem]:
    """Every source exists, and at least one was read as the standing claims."""
    for position, source in enumerate(cited):
        if source not in tables.sources:
            yield Problem(
                kind,
                table,
                ("sources", position),
                f"there is no source {source!r}",
                "the id of an entry in tables/sources",
                "correct the id, or add the source",
            )
    if not cited:
        yield Problem(
            kind,
            table,
            (),
            "no source is named",
            "at least one under 'sources'",
            "name where the numbers come from",
        )
    read = {tables.sources[source].read for source in cited if source in tables.sources}
    needed = _READ.get(standing)
    if needed and read and not read & needed:
        yield Problem(
            kind,
            table,
            ("standing",),
            f"the standing is {standing}, but its sources were read as {', '.join(sorted(read))}",
            f"a source read as {' or '.join(sorted(needed))}",
            "correct the standing, or name the page that was read",
        )


def unknown_crop(kind: str, table: str, path: Path, crop: str, tables: TableSet) -> Problem:
    """Problem of a crop that no file of tables/crops describes."""
    return Problem(
        kind,
        table,
        path,
        f"there is no crop {crop!r}",
        ", ".join(tables.crops),
        "correct the id, or add a file to tables/crops",
    )


def unknown_texture(kind: str, table: str, path: Path, texture: str) -> Problem:
    """Problem of a texture that no sample will have; a word of the region's own is possible, so a warning."""
    return Problem(
        kind,
        table,
        path,
        f"{texture!r} is not one of the usual textures",
        ", ".join(TEXTURES),
        "correct it; a sample's texture must be written in the same way",
        severity="warning",
    )


def method(table: ScaleTable | RateTable, kind: str, tables: TableSet) -> Iterator[Problem]:
    """The method a table names exists and measures what the table is about."""
    if table.method is None:
        return
    found = tables.methods.get(table.method)
    if found is None:
        yield Problem(
            kind,
            table.id,
            ("method",),
            f"there is no method {table.method!r}",
            ", ".join(tables.methods),
            "correct the id, or add a file to tables/methods",
        )
        return
    if isinstance(table, ScaleTable):
        yield from _unit(table, found)
    else:
        yield from _unit_of_soil_test(table, kind, tables)
    says = {"analyte": table.analyte, "form": table.form, "basis": table.basis}
    for name, value in says.items():
        wanted = getattr(found, name)
        if value is not None and value != wanted:
            yield Problem(
                kind,
                table.id,
                (name,),
                f"the table's {name} is {value}, its method's is {wanted}",
                f"{name}: {wanted}",
                "correct the table, or name the method it is meant for",
            )


def _unit(table: ScaleTable, method: Method) -> Iterator[Problem]:
    """A scale counts in its method's unit, or says how many of its own make one of the method's.

    Without that it can hold for values typed from a paper, and only a mass on a field is printed so.
    """
    if table.per_method_unit is not None and table.unit == method.unit:
        yield Problem(
            "scales",
            table.id,
            ("per_method_unit",),
            f"table and method both count in {table.unit}: there is nothing to turn",
            "per_method_unit only where the table is printed in another unit than its method reports in",
            "leave it out, or correct the table's unit",
        )
    elif table.unit != method.unit and table.per_method_unit is None and table.unit not in ON_A_FIELD:
        yield Problem(
            "scales",
            table.id,
            ("unit",),
            f"the table's unit is {table.unit}, its method's is {method.unit}",
            f"unit: {method.unit}",
            f"correct the table, or give as per_method_unit how many {table.unit} the publisher counts for "
            f"each {method.unit}",
        )


def _unit_of_soil_test(table: RateTable, kind: str, tables: TableSet) -> Iterator[Problem]:
    """A formula or a row cannot say which of two units its soil test is in."""
    units = soil_test_units(table, tables)
    rules = (table.formula, *(table.by_class or {}).values(), *(row.rate for row in table.by_value or ()))
    by_row = table.by_value is not None and table.rows_of == "soil_test"
    if len(units) > 1 and (by_row or any("soil_test" in rule for rule in rules if isinstance(rule, str))):
        yield Problem(
            kind,
            table.id,
            ("method",),
            f"its soil test comes in {' and '.join(sorted(units))}, as the scales of {table.region} count",
            "one unit in all scales that a rate's soil test is classed in",
            "write these scales in one unit, part the rate by crops, textures or dates, or use by_class",
        )


def overlaps(found: Sequence[Scoped], kind: str) -> Iterator[Problem]:
    """No two tables may cover one value on one day."""
    for one, two in combinations(sorted(found, key=lambda t: (t.effective_from, t.id)), 2):
        first, last = (
            max(one.effective_from, two.effective_from),
            earlier(one.effective_to, two.effective_to),
        )
        if (last is not None and last < first) or not _one_scope(one, two):
            continue
        until = f"to {last}" if last else "onwards"
        yield Problem(
            kind,
            two.id,
            ("effective_from",),
            f"{one.id} covers the same values from {first} {until}",
            "one table for one crop, method, depth, texture, soil group and day",
            f"give {one.id} an effective_to before {two.effective_from}, or part their crops or soils",
        )


def gaps(found: Sequence[Scoped], kind: str) -> Iterator[Problem]:
    """Warn about days between two editions of one table on which neither holds."""

    def edition_of(table: Scoped) -> str:
        subject = table.nutrient if isinstance(table, RateTable) else table.analyte
        scope = (table.crops, table.textures, table.soil_groups, table.depth_cm)
        return repr((table.region, subject, table.method, *scope))

    ordered = sorted(found, key=lambda t: (edition_of(t), t.effective_from))
    for old, new in pairwise(ordered):
        if edition_of(old) != edition_of(new) or old.effective_to is None:
            continue
        first_day, last_day = old.effective_to + timedelta(days=1), new.effective_from - timedelta(days=1)
        if first_day <= last_day:
            yield Problem(
                kind,
                new.id,
                ("effective_from",),
                f"neither {old.id} nor this table holds from {first_day} to {last_day}",
                "an edition that begins the day after the one before it ends",
                "move one of the two dates, if the gap is not meant",
                severity="warning",
            )


def _one_scope(one: Scoped, two: Scoped) -> bool:
    if not meet(one, two):
        return False
    if isinstance(one, RateTable) and isinstance(two, RateTable):
        # A table without a method holds beside every method; different methods never meet.
        return one.nutrient == two.nutrient and (None in (one.method, two.method) or one.method == two.method)
    return (one.analyte, one.method) == (two.analyte, two.method)
