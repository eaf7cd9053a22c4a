"""The list of tables: by region and by what they are about, two or three lines a table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby

from interpretation.agronomy.lookup import units_of
from interpretation.agronomy.tables import TableSet
from interpretation.methods import Method
from service.actions.coverage import OF_REGIONS, Entry
from service.actions.tables import SINGULAR, Kind
from service.cli.tabletext.words import (
    EXAMPLE,
    WIDTH,
    also_tested,
    analyte_name,
    crop_ids,
    days,
    depth,
    listed,
    nutrient_name,
    standing,
    typed_row,
    unit_words,
    wrapped,
)

MORE = "One in full: furrowslice tables show ID"
LESS = "Shorter: 'tables list --kind regions', then 'tables list --region ID'"
BODY = " " * 15


def table_list(tables: TableSet, entries: Sequence[Entry]) -> Iterator[str]:
    """Lines of a list of scales, rates and conversions; at least one."""
    for region, own in groupby(entries, lambda entry: entry.region):
        yield from _region(tables, region)
        for topic, about in groupby(own, lambda entry: entry.topic):
            yield f"  {topic}"
            for entry in about:
                yield from table_lines(tables, entry)
        yield ""
    yield from _methods(tables, entries)
    yield from totals(entries)


def table_lines(tables: TableSet, entry: Entry) -> Iterator[str]:
    """One table: its id and standing, what it is of, for which crops, since when and by which source."""
    mark = {"expired": "EXPIRED, ", "not-yet": "NOT YET IN FORCE, "}.get(entry.state or "", "")
    yield from first_line(f"    {SINGULAR[entry.kind]:<11}{entry.id}", f"{mark}{entry.standing}")
    yield from wrapped("; ".join(filter(None, (_about(tables, entry), depth(entry.depth_cm)))), BODY)
    yield from wrapped(_soils(entry), BODY)
    source = tables.sources[entry.sources[0]]
    printed = f"{source.title}, {source.year}" if source.year else source.title
    yield from wrapped(f"{days(entry)}; {printed}", BODY)


def record_list(tables: TableSet, entries: Sequence[Entry]) -> Iterator[str]:
    """Lines of a list of methods, crops, materials, regions or sources; at least one."""
    for entry in entries:
        yield from first_line(entry.id, entry.standing or "")
        yield from wrapped("; ".join(filter(None, (entry.title, _facts(tables, entry)))), " " * 4)
    yield ""
    yield f"{counted_kind(len(entries), entries[0].kind)}. {MORE}"


def counted_kind(count: int, kind: Kind) -> str:
    """How many of a kind: 1 scale, 2 scales."""
    return f"{count} {SINGULAR[kind] if count == 1 else kind}"


def first_line(left: str, right: str) -> Iterator[str]:
    """An id at the left and its standing at the right edge; the standing goes below a very long id."""
    if len(left) + 2 + len(right) <= WIDTH:
        yield f"{left}{right:>{WIDTH - len(left)}}".rstrip()
    else:
        yield left
        yield right.rjust(WIDTH)


def totals(entries: Sequence[Entry]) -> Iterator[str]:
    """How many there are, of which standing, and what the standings mean."""
    kinds = Counter(entry.kind for entry in entries)
    regions = len({entry.region for entry in entries})
    counted = listed(counted_kind(count, kind) for kind, count in kinds.items())
    yield from wrapped(
        f"{len(entries)} {'table' if len(entries) == 1 else 'tables'} "
        f"of {regions} {'region' if regions == 1 else 'regions'}: {counted}."
    )
    states = Counter(entry.state for entry in entries)
    if states["expired"]:
        yield f"{states['expired']} of them no longer in force, and marked EXPIRED."
    if states["not-yet"]:
        yield f"{states['not-yet']} of them not yet in force, and marked so."
    standings = Counter(entry.standing or "" for entry in entries)
    for key, count in sorted(standings.items()):
        yield from wrapped(f"{count:>4}  {standing(key)}", "", " " * 6)
    yield MORE
    if regions > 1:
        yield LESS


def _region(tables: TableSet, name: str) -> Iterator[str]:
    region = tables.regions[name]
    yield from wrapped(f"{region.name.upper()} ({name})")
    yield from wrapped(region.publisher)
    if region.standing == "invented":
        yield EXAMPLE


def _methods(tables: TableSet, entries: Sequence[Entry]) -> Iterator[str]:
    """Which method each id of the list is, and how its values are typed in, in every unit that is classed."""
    named = sorted({name for entry in entries for name in (entry.method, entry.to_method) if name})
    if named:
        yield "METHODS, each with its row in a file of soil values, after the lab number"
        for name in named:
            method = tables.methods[name]
            yield from wrapped(f"{name}: {method.title}", "  ", "      ")
            scales = [entry for entry in entries if entry.kind == "scales" and entry.method == name]
            taken = {unit for entry in scales for unit in units_of(tables.scales[entry.id], tables)}
            for unit in sorted(taken) or [method.unit]:
                yield f"      {typed_row(method, unit)}"
        yield ""


def _about(tables: TableSet, entry: Entry) -> str:
    """What is classed, converted or applied, and by which method it was tested."""
    if entry.kind == "conversions":
        return f"{analyte_name(entry.analyte)}, {entry.method} to {entry.to_method}"
    tested = f"by {entry.method}" if entry.method else ""
    if entry.kind == "rates":
        others = also_tested(tables, entry)
        tested += f"{' and ' if tested else 'by '}{others}" if others else ""
        return f"{nutrient_name(entry.nutrient)}, {entry.unit}, {tested or 'without a soil test'}"
    unit = "" if entry.unit == "pH" else f", {unit_words(entry.unit)}"
    return f"{analyte_name(entry.analyte)}{unit}, {tested}"


def _soils(entry: Entry) -> str:
    """Crops, and the soils a table is limited to."""
    crops = crop_ids(entry.crops) if entry.kind != "conversions" else ""
    only = listed((*entry.textures, *entry.soil_groups))
    return f"{crops}, only on {only}" if only else crops


def _facts(tables: TableSet, entry: Entry) -> str:
    """What a stranger asks first of a record that is no table."""
    match entry.kind:
        case "methods":
            method = tables.methods[entry.id]
            return unit_words(entry.unit, method.basis) + _release(method)
        case "crops":
            editions = len(tables.crops[entry.id].removal)
            return f"yield in {entry.unit}; {editions} removal {'edition' if editions == 1 else 'editions'}"
        case "regions":
            region = tables.regions[entry.id]
            counts = {
                kind: sum(record.region == entry.id for record in getattr(tables, kind).values())
                for kind in OF_REGIONS
            }
            said = listed(counted_kind(count, kind) for kind, count in counts.items() if count)
            return f"{region.publisher}; {said or 'no tables'}"
        case "sources":
            source = tables.sources[entry.id]
            return listed(filter(None, (source.publisher, str(source.year or ""), source.locator)))
    return ""


def _release(method: Method) -> str:
    return "; not released until your laboratory confirms it" if method.standing == "memory" else ""
